"""What the flow results say: the direction to tell, arrows to draw, roles of the openings."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.report.words import heading
from heatwake.schema.variables import FLOW_REASON, FLOW_STATUS, OPENING_ROLE

Array = npt.NDArray[np.float64]

IDENTIFIED, WEAK = FLOW_STATUS.index("identified"), FLOW_STATUS.index("weak")
NOT_IDENTIFIABLE, NOT_ATTEMPTED = FLOW_STATUS.index("not identifiable"), FLOW_STATUS.index("not attempted")
WHY: Final = {
    "not seen": "the board is not seen there",
    "too short": "too short a while is seen",
    "decayed": "the warming-up is over, and what is settled does not tell enough",
    "no contrast": "the rise has too little contrast",
    "gradients one way": "the rise falls off one way only, and what is across that is not seen",
    "no drift": "nothing drifts that could be told from still air",
    "too uncertain": "the noise leaves too many directions open",
    "equation fails": "what is seen is not heat that moves in the surface alone",
    "one recording cannot tell": "one recording cannot tell a drift from a change of the board's conductivity: "
    "record once more with the fan reversed or stopped",
}
"""Reasons of ``FLOW_REASON`` in words."""
_TURN: Final = 60.0  # [deg] windows that differ by more are named: the direction is not one


@dataclass(frozen=True)
class Direction:
    """The direction that the board's heat is carried to.

    Attributes
    ----------
    degrees, uncertainty : float
        Counter-clockwise from +x and standard uncertainty [deg]; NaN where it cannot be told.
    status : str
        A word of ``FLOW_STATUS``.
    window : int
        Index along the flow's time; -1 where there is none.
    turns : bool
        Whether other windows say another direction.
    reason : str
        Why there is none, in words; empty where there is one, or nothing is said.
    """

    degrees: float
    uncertainty: float
    status: str
    window: int = -1
    turns: bool = False
    reason: str = ""

    @property
    def is_told(self) -> bool:
        """Whether there is a direction to show."""
        return self.status in {"identified", "weak"} and bool(np.isfinite(self.degrees))

    @property
    def words(self) -> str:
        """The direction with its uncertainty, or why there is none."""
        if not self.is_told:
            return "not attempted" if self.status == "not attempted" else "not identifiable"
        doubt = ", weakly told" if self.status == "weak" else ""
        spread = f" ± {self.uncertainty:.0f}°" if np.isfinite(self.uncertainty) else ""
        degrees = f"{round((self.degrees + 180.0) % 360.0 - 180.0)}".replace("-", "−")
        return f"{heading(self.degrees)} ({degrees}°{spread}{doubt})"


def board_direction(flow: xr.Dataset | None) -> Direction:
    """Return the board's direction in the window that tells it best: identified before weak, then the surest."""
    return _best(flow, "board", region=None)


def region_direction(flow: xr.Dataset | None, name: str) -> Direction:
    """Return the direction of one region's heat, chosen in the same way."""
    return _best(flow, "region", region=name)


def _best(flow: xr.Dataset | None, prefix: str, *, region: str | None) -> Direction:
    keys = [f"{prefix}_flow_direction", f"{prefix}_flow_direction_uncertainty", f"{prefix}_flow_status"]
    if flow is None or any(key not in flow for key in keys[:2]):
        return Direction(np.nan, np.nan, "not attempted")
    chosen = flow[[key for key in [*keys, f"{prefix}_flow_reason"] if key in flow]]
    if region is not None:
        if region not in flow["region"].to_numpy():
            return Direction(np.nan, np.nan, "not attempted")
        chosen = chosen.sel(region=region)
    degrees, spread = (np.atleast_1d(chosen[key].to_numpy()).astype(float) for key in keys[:2])
    status = _status(chosen, keys[2], degrees)
    for wanted in (IDENTIFIED, WEAK):
        told = np.flatnonzero((status == wanted) & np.isfinite(degrees))
        if told.size:
            best = int(told[np.argmin(np.nan_to_num(spread[told], nan=np.inf))])
            turns = bool((np.abs(_wrapped(degrees[told] - degrees[best])) > _TURN).any())
            return Direction(float(degrees[best]), float(spread[best]), FLOW_STATUS[wanted], best, turns=turns)
    word = "not attempted" if status.size == 0 or status[-1] == NOT_ATTEMPTED else "not identifiable"
    return Direction(np.nan, np.nan, word, status.size - 1, reason=_reason(chosen, f"{prefix}_flow_reason"))


def _reason(chosen: xr.Dataset, name: str) -> str:
    """The commonest reason over the windows, in words."""
    if name not in chosen or not chosen[name].size:
        return ""
    found = np.bincount(np.atleast_1d(chosen[name].to_numpy()).astype(int).ravel(), minlength=len(FLOW_REASON))
    return WHY.get(FLOW_REASON[int(found.argmax())], "")


def pair_direction(comparison: xr.Dataset | None, name: str, *, prefix: str = "joint") -> Direction:
    """Return a direction from a session and the reference together; ``not attempted`` where there is none.

    ``prefix`` is ``joint`` for the session's own direction, ``reference`` for the reference's from the same pair.
    """
    keys = [f"{prefix}_flow_{end}" for end in ("direction", "direction_uncertainty", "status")]
    if comparison is None or any(key not in comparison for key in keys) or name not in comparison["session"].to_numpy():
        return Direction(np.nan, np.nan, "not attempted")
    chosen = comparison.sel(session=name)
    degrees, spread, status = (float(chosen[key]) for key in keys)
    return Direction(degrees, spread, FLOW_STATUS[int(status)] if np.isfinite(status) else "not attempted", 0)


def window_direction(flow: xr.Dataset, window: int) -> Direction:
    """Return the board's direction in one window."""
    return board_direction(flow.isel(time=[window]))


def arrow_field(flow: xr.Dataset | None, window: int) -> tuple[Array, Array]:
    """Return direction [deg] and confidence (0 to 1) on the flow's grid (y, x); NaN and 0 where it cannot be told."""
    if flow is None or "flow_direction" not in flow or not flow.sizes.get("time", 0):
        return np.empty((0, 0)), np.empty((0, 0))
    chosen = flow.isel(time=window)
    degrees = chosen["flow_direction"].transpose("y", "x").to_numpy().astype(float)
    status = _status(chosen, "flow_status", degrees)
    degrees = np.where(status <= WEAK, degrees, np.nan)
    if "flow_confidence" in chosen:
        confidence = chosen["flow_confidence"].transpose("y", "x").to_numpy().astype(float)
    else:
        confidence = np.ones_like(degrees)
    return degrees, np.where(np.isfinite(degrees), np.clip(np.nan_to_num(confidence), 0, 1), 0.0)


def told_share(flow: xr.Dataset | None, window: int) -> float:
    """Return the share of the board where a direction is told in a window."""
    degrees, _ = arrow_field(flow, window)
    return float(np.isfinite(degrees).mean()) if degrees.size else 0.0


def opening_roles(flow: xr.Dataset | None, name: str) -> str:
    """Return the role of an opening: inlet, outlet or undecided."""
    if flow is None or "opening_role" not in flow or name not in flow["opening"].to_numpy():
        return "undecided"
    role = float(flow["opening_role"].sel(opening=name))
    return OPENING_ROLE[int(role)] if np.isfinite(role) else "undecided"


def role_probability(flow: xr.Dataset | None, name: str) -> float:
    """Return how likely an opening's likelier role is; NaN where nothing is said."""
    if flow is None or "opening_role_probability" not in flow or name not in flow["opening"].to_numpy():
        return float("nan")
    return float(flow["opening_role_probability"].sel(opening=name))


def _status(flow: xr.Dataset, name: str, degrees: Array) -> npt.NDArray[np.int_]:
    """Return the flags; where the dataset has none, a number counts as identified and NaN as not identifiable."""
    if name not in flow:
        return np.where(np.isfinite(degrees), IDENTIFIED, NOT_IDENTIFIABLE)
    values: Any = flow[name]
    values = values.transpose(..., "y", "x") if "y" in values.dims else values
    flags = np.atleast_1d(values.to_numpy()).astype(float)
    return np.where(np.isfinite(flags), flags, NOT_ATTEMPTED).astype(np.int_)


def _wrapped(degrees: Array) -> Array:
    return (degrees + 180.0) % 360.0 - 180.0
