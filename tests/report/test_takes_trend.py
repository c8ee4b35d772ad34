"""Takes of one set-up over time: what signals, and what the order is."""

from dataclasses import replace

import numpy as np
import pytest

from heatwake.report.takes_trend import LEVEL, set_up_trend
from heatwake.stages.known_good import WHOLE
from heatwake.stages.takes import Take
from lab_takes import PARTS, drawn_takes


def dated(count: int, *, drift: dict[str, float] | None = None, level: float = 0.0, seed: int = 1) -> list[Take]:
    """Return takes a day apart, parts drifting from the tenth on [K a take], the camera's level from the first."""
    rng = np.random.default_rng(seed)
    made = []
    for number, one in enumerate(drawn_takes(rng, {"SN-1": count}, shift=0.1, film=0.0)):
        more = {name: rate * max(number - 10, 0) for name, rate in (drift or {}).items()}
        regions = tuple(
            replace(
                region, rise=region.rise + 0.05 * rng.standard_normal() + more.get(region.name, 0.0), level_left=0.0
            )
            for region in one.regions
        )
        day = str(np.datetime64("2026-03-01T08:00:00") + np.timedelta64(number, "D"))
        known = level * number + 0.1 * rng.standard_normal()
        made.append(replace(one, recorded=day, regions=regions, camera_level=known))
    return made


def signalling(takes: list[Take]) -> set[str]:
    found = set_up_trend(takes)
    return {one.name for one in found.all if one.signals.any()}


def test_a_part_that_drifts_signals():
    found = set_up_trend(dated(25, drift={"Q3": 0.1}, seed=2))
    assert found.parts[0].name == "Q3"
    assert found.parts[0].signals.sum() > 5
    assert "Q3: beyond a limit" in " ".join(found.sentences)


def test_a_board_and_a_camera_that_drift_signal_as_such():
    takes = dated(25, drift=dict.fromkeys(PARTS, 0.1), level=0.1, seed=4)
    assert {WHOLE, LEVEL} <= signalling(takes)
    assert set_up_trend(takes).sentences[0].startswith("25 takes from 2026-03-01 to 2026-03-25: board as a whole")


def test_no_more_signal_by_chance_than_is_said():
    points = [one.signals for seed in range(20) for one in set_up_trend(dated(25, seed=100 + seed)).all]
    # one in 153 where limits are known; those from 25 takes err, so somewhat more
    assert np.mean(points) < 2 / 153
    assert "Of 175 points about 1.1 signal by chance." in set_up_trend(dated(25)).sentences


def test_order_is_that_of_recording_and_takes_without_a_clock_have_none():
    takes = dated(8)
    lost = replace(takes[3], recorded="")
    mixed = set_up_trend([lost, *takes[4:], *takes[:3]])
    ordered = set_up_trend([*takes[:3], *takes[4:]])
    assert mixed.board.values == pytest.approx(ordered.board.values)
    assert mixed.undated == 1
    assert "1 take without a clock left out." in mixed.sentences
    assert set_up_trend(takes[:5]) is None


def test_what_the_camera_s_level_leaves_is_no_drift_of_the_board():
    def shown(left: float) -> float:
        takes = []
        for one in dated(25, level=0.3):
            high = [replace(part, rise=part.rise + 0.25 * one.camera_level, level_left=left) for part in one.regions]
            takes.append(replace(one, regions=tuple(high)))
        return float(np.ptp(set_up_trend(takes).board.values))

    assert shown(0.5) < 0.6  # shifts of 0.1 K
    assert shown(0.0) > 1.5  # 0.25 of 7.2 K
