"""Directions against tufts filmed by an ordinary camera through the same film."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from heatwake.kernels.circular import deviation, resultant
from heatwake.kernels.direction_scores import Share, angle_between, arrows_needed, share, thinned
from heatwake.report.flow_reading import arrow_field, board_direction, opening_roles
from heatwake.report.words import count, number

Array = npt.NDArray[Any]

COVERAGE: Final = 1.96
WRONG_WAY: Final = 90.0  # [deg]
TUFT_LENGTHS: Final = 3.0  # between tufts that count as independent (common practice, no source)


@dataclass(frozen=True)
class StateScore:
    """Directions of one state against its tufts; all but ``tufts`` and ``limp`` count thinned-out tufts only.

    Attributes
    ----------
    name : str
    fan : str
    tufts, limp : int
    places : int
        Tufts with a direction that count.
    angles : array
        Arrow less tuft where an arrow is drawn [deg].
    allowed : array
        Half of the 95 % interval of each: the arrow's, widened by the tuft's spread [deg].
    arrows : float
        Share of the board with an arrow.
    roles : tuple of (str, str, str)
        Opening, as seen, as told.
    """

    name: str
    fan: str
    tufts: int
    limp: int
    places: int
    angles: Array
    allowed: Array
    arrows: float
    roles: tuple[tuple[str, str, str], ...]

    @property
    def drawn(self) -> int:
        """Places with an arrow."""
        return int(self.angles.size)

    @property
    def untold(self) -> int:
        """Places where no direction could be told."""
        return self.places - self.drawn

    @property
    def median(self) -> float:
        """Median angle, whichever way [deg]."""
        return float(np.median(np.abs(self.angles))) if self.drawn else math.nan

    @property
    def wrong(self) -> int:
        """Arrows that point the wrong way."""
        return int((np.abs(self.angles) > WRONG_WAY).sum())

    @property
    def inside(self) -> int:
        """Arrows whose interval holds the tuft's direction."""
        return int((np.abs(self.angles) <= self.allowed).sum())


@dataclass(frozen=True)
class DirectionFinding:
    """Directions against tufts.

    Attributes
    ----------
    states : tuple of StateScore
    wrong, inside, untold : Share
        Of arrows, of arrows, of places; over states with the fan on.
    median, mean, spread : float
        Median angle whichever way, mean and circular standard deviation [deg].
    roles_right, roles_wrong, roles_open : int
    limit : float
        Share of wrong arrows that is claimed.
    """

    states: tuple[StateScore, ...]
    wrong: Share
    inside: Share
    untold: Share
    median: float
    mean: float
    spread: float
    roles_right: int
    roles_wrong: int
    roles_open: int
    limit: float

    @property
    def is_still_clean(self) -> bool | None:
        """Whether no arrow is drawn with the fan off; None where that was not tried."""
        still = [state.arrows for state in self.states if state.fan == "off"]
        return all(arrows == 0 for arrows in still) if still else None

    @property
    def is_shown(self) -> bool:
        """Whether the claim on wrong arrows is, and nothing contradicts it."""
        return self.wrong.count > 0 and self.wrong.below <= self.limit and self.is_still_clean is not False

    @property
    def answer(self) -> str:
        """In a sentence or two."""
        wrong, needed = self.wrong, arrows_needed(self.limit, wrong=self.wrong.hits)
        if not wrong.count:
            return f"No arrow at a tuft to judge by: {self.untold.hits} of {self.untold.count} places are untold."
        rate = f"{wrong.hits} of {count(wrong.count, 'arrow')} point the wrong way, so fewer than"
        rate += f" {number(100 * wrong.below)} % do (95 %)"
        claim = f"{100 * self.limit:g} %"
        said = (
            "as claimed" if wrong.below <= self.limit else f"too few for {claim}: {needed} with no further one show it"
        )
        text = f"{rate}, {said}. Half of them are within {number(self.median, digits=0)}° of the tufts."
        if self.is_still_clean is False:
            text += " With the fan off arrows are drawn: the method claims what is not there."
        return text


def state_score(
    name: str,
    flow: xr.Dataset,
    tufts: pd.DataFrame | None,
    *,
    fan: str,
    tuft_mm: float,
    openings: Mapping[str, str],
) -> StateScore:
    """Return how a session's directions compare with the tufts of one state.

    Tufts closer than three of their lengths are not independent, and one of them counts.

    Parameters
    ----------
    name, fan : str
    flow : Dataset
        The session's flow results: arrows as the report draws them.
    tufts : DataFrame or None
        As ``store.validation_tables.read_tufts`` gives it.
    tuft_mm : float
    openings : mapping of str to str
        Seen role of each.
    """
    window = board_direction(flow).window
    degrees, _ = arrow_field(flow, window)
    arrows = float(np.isfinite(degrees).mean()) if degrees.size else 0.0
    roles = tuple((opening, seen, opening_roles(flow, opening)) for opening, seen in openings.items())
    nothing = np.empty(0)
    if tufts is None:
        return StateScore(name, fan, 0, 0, 0, nothing, nothing, arrows, roles)
    limp = int((tufts["state"] == "limp").sum())
    told = tufts[tufts["state"] != "limp"]
    x, y = told["x_mm"].to_numpy(), told["y_mm"].to_numpy()
    chosen = thinned(x, y, apart=TUFT_LENGTHS * tuft_mm) & _on_board(flow, x, y)
    if not degrees.size:
        return StateScore(name, fan, len(tufts), limp, int(chosen.sum()), nothing, nothing, arrows, roles)
    uncertainty = flow["flow_direction_uncertainty"].isel(time=window).transpose("y", "x").to_numpy().astype(float)
    rows, columns = (_nearest(flow[axis].to_numpy(), at[chosen]) for axis, at in (("y", y), ("x", x)))
    own, spread = degrees[rows, columns], uncertainty[rows, columns]
    drawn = np.isfinite(own)
    angles = angle_between(own, told["direction_deg"].to_numpy()[chosen])[drawn]
    allowed = COVERAGE * np.hypot(np.nan_to_num(spread), told["spread_deg"].to_numpy()[chosen])[drawn]
    return StateScore(name, fan, len(tufts), limp, int(chosen.sum()), angles, allowed, arrows, roles)


def _on_board(flow: xr.Dataset, x: Array, y: Array) -> npt.NDArray[np.bool_]:
    inside = np.ones(x.size, dtype=bool)
    for axis, at in (("x", x), ("y", y)):
        places = flow[axis].to_numpy()
        step = abs(places[1] - places[0]) if places.size > 1 else 1.0
        inside &= (at >= places.min() - step) & (at <= places.max() + step)
    return inside


def _nearest(places: Array, at: Array) -> npt.NDArray[np.intp]:
    return np.asarray(np.abs(places[None, :] - at[:, None]).argmin(axis=1))


def direction_finding(states: Sequence[StateScore], *, limit: float) -> DirectionFinding:
    """Return the score over all states; of those with the fan off only whether arrows are drawn."""
    blown = [state for state in states if state.fan == "on"]
    angles = np.concatenate([state.angles for state in blown]) if blown else np.empty(0)
    mean, length = resultant(angles) if angles.size else (math.nan, math.nan)
    roles = [(seen, told) for state in blown for _, seen, told in state.roles]
    return DirectionFinding(
        states=tuple(states),
        wrong=share(sum(state.wrong for state in blown), angles.size),
        inside=share(sum(state.inside for state in blown), angles.size),
        untold=share(sum(state.untold for state in blown), sum(state.places for state in blown)),
        median=float(np.median(np.abs(angles))) if angles.size else math.nan,
        mean=mean,
        spread=float(deviation(np.array(length))) if angles.size else math.nan,
        roles_right=sum(seen == told for seen, told in roles),
        roles_wrong=sum(told not in {seen, "undecided"} for seen, told in roles),
        roles_open=sum(told == "undecided" for _, told in roles),
        limit=limit,
    )
