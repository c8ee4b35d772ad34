"""What an interval holds for: one take of each set-up, or takes in general; and how many takes a difference needs."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import xarray as xr

from heatwake.kernels.repeats import MOST_REPEATS, takes_needed
from heatwake.report.unlike import highest_rise
from heatwake.report.words import count, number
from heatwake.schema.variables import REPEAT_SOURCE
from heatwake.stages.pair import TRUSTED_FREEDOM, ComparisonSettings


def take_words(comparison: xr.Dataset, chosen: xr.Dataset, reference: xr.Dataset, settings: Mapping[str, Any]) -> str:
    """Return whether repeats are behind the intervals of a session's differences, and what would help where not.

    Parameters
    ----------
    comparison, chosen : Dataset
        All of it, and its part of one session.
    reference : Dataset
    settings : mapping
        Of the comparison.
    """
    freedom = float(comparison["repeat_freedom"]) if "repeat_freedom" in comparison else 0.0
    if freedom > 0:
        constant, share = float(comparison["repeat_constant"]), float(comparison["repeat_share"])
        return (
            f"Takes of one set-up differ by {number(constant, digits=2)} K and {number(100 * share, digits=2)} % "
            f"of the rise (standard deviation of one take, {freedom:.0f} degrees of freedom, pooled over set-ups and "
            f"parts{_from(comparison)}); {_counted(freedom)}"
        )
    known = ComparisonSettings()
    rise = highest_rise(reference)
    matters = float(settings.get("least_difference_K", known.least_difference_K))
    own = _one_run(chosen)
    refit = float(settings.get("refit_share", known.refit_share)) * rise
    spread = float(np.hypot(own, refit))
    if not np.isfinite(spread):
        return "No set-up was recorded twice: ± holds for one take of each."
    takes = [takes_needed(matters, spread=one) for one in (own, spread)]
    return (
        f"No set-up was recorded twice: ± holds for one take of each. At {number(rise)} K, film and camera left as "
        f"they are, one run is taken to be good to {number(own, digits=2)} K, with the film laid on anew to "
        f"{number(spread, digits=2)} K. To show a difference of {number(matters)} K (80 % power, 5 % false alarms) "
        f"{_takes(takes[0])} takes of either are needed, {_takes(takes[1])} with the film laid on anew. Run them "
        "in the order A-B-B-A, which takes out a steady drift, and name the takes by replicate in [conditions]."
    )


def _from(comparison: xr.Dataset) -> str:
    """Return where repeats are from, where that is the laboratory's record."""
    source = REPEAT_SOURCE[int(comparison["repeat_source"])] if "repeat_source" in comparison else "workflow"
    if "record" not in source:
        return ""
    takes = count(int(comparison["repeat_record_takes"]), "take")
    return f", of {takes} in the laboratory's record{' and of those here' if 'workflow' in source else ''}"


def _counted(freedom: float) -> str:
    if freedom < TRUSTED_FREEDOM:
        return "± is no less than that brings."
    return "that stands for what else is assumed of ambient sensor and camera."


def _one_run(chosen: xr.Dataset) -> float:
    """Return the standard deviation of one run from a difference of two, of a middling part."""
    spread = chosen["steady_rise_difference_uncertainty"].to_numpy()
    return float(np.nanmedian(spread) / np.sqrt(2)) if np.isfinite(spread).any() else np.nan


def _takes(count: int) -> str:
    return f"more than {count}" if count >= MOST_REPEATS else str(count)
