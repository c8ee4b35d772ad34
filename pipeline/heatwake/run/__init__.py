"""The runner: sessions through the stages, results to disk, events to whoever watches."""

from heatwake.run.events import Event, Finished, Outcome, Progress
from heatwake.run.runner import run_workflow
from heatwake.run.sessions import run_session

__all__ = ["Event", "Finished", "Outcome", "Progress", "run_session", "run_workflow"]
