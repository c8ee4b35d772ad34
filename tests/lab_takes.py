"""Takes of units as a laboratory's record keeps them, with drawn errors of known size."""

from typing import Any

import numpy as np

from heatwake.stages.takes import RegionTake, Take

PARTS = {"Q1": 30.0, "Q2": 45.0, "Q3": 20.0, "Q4": 15.0, "Q5": 38.0}  # final rises [K]


def take(
    rises: dict[str, float],
    *,
    recording: str,
    unit: str = "",
    kind: str = "kind",
    conditions: dict[str, Any] | None = None,
    power: float = 18.0,
    own: float = 0.2,
    **more: Any,
) -> Take:
    """Return a take with these rises [K]."""
    stated = conditions or {"fan": "in"}
    regions = tuple(
        RegionTake(
            name, True, 10.0 + 5 * number, 20.0, 8.0, 8.0, rise, own, 0.5, 80.0, True, 23.5 + rise, 110.0, 20.0, 0.25
        )
        for number, (name, rise) in enumerate(rises.items())
    )
    known = {
        "fingerprint": f"made of {recording}", "session": f"session {recording}", "title": "Charger", "is_repeat": True,
        "bench": "bench", "set_up": {"bench": {}, "conditions": stated}, "recorded": "2026-03-04T09:30:00",
        "source": "heatwake 1", "camera_level": 0.0,
    }  # fmt: skip
    known |= {"recording": recording, "unit": unit, "kind": kind, "conditions": stated, "power": power}
    return Take(**known | more, regions=regions)


def drawn_takes(
    rng: np.random.Generator,
    units: dict[str, int],
    *,
    shift: float = 0.15,
    film: float = 0.006,
    units_differ: float = 0.0,
    faults: dict[str, dict[str, float]] | None = None,
    kind: str = "kind",
) -> list[Take]:
    """Return takes of units, each as many times as told.

    A take is off by a shift of all parts [K] and by a share of its rises; a unit by ``units_differ`` of each rise.
    """
    made = []
    for unit, count in units.items():
        own = {name: rise * (1 + units_differ * rng.standard_normal()) for name, rise in PARTS.items()}
        for name, change in (faults or {}).get(unit, {}).items():
            own[name] += change
        for number in range(count):
            common, share = shift * rng.standard_normal(), film * rng.standard_normal()
            rises = {name: rise * (1 + share) + common for name, rise in own.items()}
            made.append(take(rises, recording=f"{kind} {unit} {number}", unit=unit, kind=kind))
    return made
