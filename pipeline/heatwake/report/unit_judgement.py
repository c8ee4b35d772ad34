"""A unit among known good ones in words: what lies outside, by what, and what to do next."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np

from heatwake.report.as_json import plain
from heatwake.report.words import count, listed, number
from heatwake.stages.known_good import WHOLE, UnitJudgement
from heatwake.stages.unit_reach import LEAST_UNITS, width_with_more

MORE: Final = 4  # units or takes, reckoned with in what to do next
ENOUGH_FREEDOM: Final = 12.0  # from there on Student's t hardly falls
_SPREADS: Final = {
    "units": "The interval is one of units: it holds what known good units and their takes differ by.",
    "takes": (
        "The interval is one of takes: outside is what takes of one unit do not explain. A healthy unit may differ by "
        "as much: three known good units or more tell their own spread."
    ),
    "budget": (
        "No set-up of this kind was taken twice: the interval is what the sessions' uncertainty budgets reckon with. "
        "Take one again to measure it."
    ),
}
_OF: Final = {
    "units": "good units",
    "takes": "good units themselves, taken again,",
    "budget": "good units themselves, taken again,",
}
_FORMULAS: Final = {
    "prediction": "prediction interval of a mean (Hahn and Meeker, Statistical Intervals, 4.7 and 4.8)",
    "tolerance": "tolerance interval by Howe (NIST/SEMATECH e-Handbook, 7.2.6.3)",
}


@dataclass(frozen=True)
class JudgementView:
    """A judgement, in words too."""

    judgement: UnitJudgement

    @property
    def title(self) -> str:
        """Unit and conditions."""
        return f"{self.judgement.unit or 'not stated'}: {condition_words(self.judgement.conditions)}"

    @property
    def answer(self) -> str:
        """What lies outside."""
        told = self.judgement
        outside = f"outside: {listed(told.outside)}" if told.outside else "no part outside"
        return f"{count(len(told.parts), 'part')}, {outside}."

    @property
    def sentences(self) -> list[str]:
        """What it says, and by what."""
        told, settings = self.judgement, self.judgement.settings
        degrees = f", {told.freedom:.0f} degrees of freedom" if np.isfinite(told.freedom) else ""
        sure = f", {100 * settings.confidence:g} % confidence" if settings.interval == "tolerance" else ""
        said = [
            self.answer,
            f"{count(told.takes, 'take')} of it against {count(told.good_takes, 'take')} of {listed(told.good_units)}; "
            f"{_FORMULAS[settings.interval]}{sure}{degrees}; of {_OF[told.spread_from]} "
            f"at most {100 * settings.false_alarm_rate:g} in 100 have any part outside.",
            _SPREADS[told.spread_from],
        ]
        if told.board is not None:
            said.append(
                f"The board as a whole, the median of its parts, differs by "
                f"{number(told.board.rise, digits=2, unit='K', signed=True)}; parts are judged by what they differ "
                "beyond the median of the others."
            )
        if told.left_out:
            said.append(f"Left out, for power differs by more than a fifth: {listed(told.left_out)}.")
        if told.versions:
            said.append(f"Values are from {listed(told.versions)}: run old sessions again if results changed since.")
        return said

    @property
    def next_steps(self) -> list[str]:
        """What to do next, the most urgent first."""
        told = self.judgement
        parts = [name for name in told.outside if name != WHOLE]
        said = []
        if WHOLE in told.outside:
            said.append(
                "The board as a whole differs: before any part is blamed, check supply voltage and power, fan speed, "
                "vents, the ambient sensor, and that the film lies as in the other takes."
            )
        if parts:
            said.append(
                f"Look at {listed(parts)} in the session's report: does the map show the whole part, no edge, no "
                "reflection; does the examination find a fault of the recording there?"
            )
        if told.outside and told.takes == 1:
            said.append(
                "It was taken once: take it out, put it back, and take it again (replicate in [conditions]) before it "
                "is rejected."
            )
        return [*said, *self._narrower()]

    def _narrower(self) -> list[str]:
        told = self.judgement
        if told.spread_from == "budget":
            return ["Take a known good unit twice or more: what takes differ by is then measured, not assumed."]
        said = []
        if told.freedom < ENOUGH_FREEDOM:
            of_units = told.spread_from == "units"
            what = f"{MORE} more {'known good units' if of_units else 'takes of a known good unit'}"
            share = width_with_more(
                MORE,
                takes=told.takes,
                good=len(told.good_units) if of_units else told.good_takes,
                of_units=of_units,
                freedom=told.freedom,
                rate=told.settings.false_alarm_rate / 2 / len(told.parts),
                settings=told.settings,
            )
            said.append(f"{what} would narrow the intervals to about {100 * share:.0f} % of what they are.")
        if len(told.good_units) < LEAST_UNITS:
            lacking = LEAST_UNITS - len(told.good_units)
            said.append(
                f"Take {count(lacking, 'more known good unit')}: from three on, what healthy units differ by counts."
            )
        return said

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        told = self.judgement
        rows = [told.board, *told.parts]
        board, *parts = [None if row is None else asdict(row) | {"difference": row.difference} for row in rows]
        content = asdict(told) | {"settings": told.settings.model_dump(mode="json"), "parts": parts, "board": board}
        return dict(plain(content | {"outside": list(told.outside), "said": self.sentences, "next": self.next_steps}))


def condition_words(conditions: Mapping[str, Any]) -> str:
    """Return conditions as a line.

    >>> condition_words({"fan": "out", "vent": "open"}), condition_words({})
    ('fan out, vent open', 'no conditions stated')
    """
    return ", ".join(f"{key} {value}" for key, value in conditions.items()) or "no conditions stated"


def bench_words(bench: Mapping[str, Any]) -> str:
    """Return board, film and camera of a kind of set-up as a line; empty where the record does not say.

    >>> bench_words({"board": {"board_width": 160.0, "board_height": 100.0}, "film": {"film_present": 1.0}})
    'board 160 × 100 mm, film'
    """
    board, film, camera = (bench.get(name) or {} for name in ("board", "film", "camera"))
    said = []
    if {"board_width", "board_height"} <= set(board):
        said.append(f"board {board['board_width']:g} × {board['board_height']:g} mm")
    if "film_present" in film:
        given = film.get("film_transmittance_given")
        clear = "" if given is None else f" of transmittance {given:g}"
        said.append(f"film{clear}" if film["film_present"] else "no film")
    if {"band_low", "band_high"} <= set(camera):
        noise = f", NETD {camera['netd']:g} mK" if "netd" in camera else ""
        said.append(f"camera {camera['band_low']:g} to {camera['band_high']:g} µm{noise}")
    return ", ".join(said)
