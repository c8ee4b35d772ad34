"""The runner: sessions through the stages, results to disk, events to whoever watches."""

from heatwake.run.runner import Event, Finished, Outcome, Progress, run_workflow

__all__ = ["Event", "Finished", "Outcome", "Progress", "run_workflow"]
