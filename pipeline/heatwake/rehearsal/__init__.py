"""A plan rehearsed on a simulated item: the one place that knows both truth and estimate, to set them side by side.

Nothing here is used by an analysis of real recordings.
"""

from heatwake.rehearsal.rehearsing import rehearse

__all__ = ["rehearse"]
