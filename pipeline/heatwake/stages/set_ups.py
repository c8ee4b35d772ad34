"""Which sessions are takes of one set-up, and what their repeats tell."""

import json
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.repeats import Repeatability, pooled_repeatability
from heatwake.stages.matched import power_factor

Array = npt.NDArray[Any]

REPLICATE: Final = "replicate"
BLOCK: Final = "block"
FILM_FITTING: Final = "film_fitting"
STATED_ELSEWHERE: Final = frozenset({"power_W", "max_ambient_degC", "altitude_m", "max_altitude_m"})
NOT_FACTORS: Final = STATED_ELSEWHERE | {REPLICATE, BLOCK, FILM_FITTING}


def conditions(session: xr.Dataset) -> dict[str, Any]:
    """Return the session's own conditions, as its file states them."""
    stated = json.loads(str(session.attrs.get("conditions", "{}")))
    return stated if isinstance(stated, dict) else {}


def factors(session: xr.Dataset) -> dict[str, Any]:
    """Return the conditions that a test changes on purpose."""
    return {key: value for key, value in sorted(conditions(session).items()) if key not in NOT_FACTORS}


def set_ups(sessions: Mapping[str, xr.Dataset]) -> list[list[str]]:
    """Return the names of sessions by set-up: same factors, and each said to be another take of it.

    Sessions that do not say ``replicate`` stand alone: the same conditions may be a slip of the file.
    """
    found: dict[str, list[str]] = {}
    for name, session in sessions.items():
        stated = conditions(session)
        alone = {} if REPLICATE in stated else {"name": name}
        found.setdefault(json.dumps([factors(session), alone], sort_keys=True), []).append(name)
    return list(found.values())


def repeated(sessions: Mapping[str, xr.Dataset]) -> list[str]:
    """Return the names of sessions of which there is another take."""
    return [name for group in set_ups(sessions) if len(group) > 1 for name in group]


def repeatability(
    sessions: Mapping[str, xr.Dataset],
    base: xr.Dataset,
    *,
    compensate: bool,
    changes: Mapping[str, Array] = MappingProxyType({}),
) -> Repeatability | None:
    """Return how far takes of one set-up lie apart, pooled over set-ups and regions; None without repeats.

    ``changes`` (region,) [K] by session are added to rises before they are compared, as in the comparison itself.
    """
    groups = [group for group in set_ups(sessions) if len(group) > 1]
    names = [str(name) for name in base["region"].to_numpy()]
    takes = [
        np.stack([_rises(sessions[name], base, names, compensate) + changes.get(name, 0.0) for name in group])
        for group in groups
    ]
    return pooled_repeatability(takes)


def _rises(session: xr.Dataset, base: xr.Dataset, names: list[str], compensate: bool) -> Array:
    factor = power_factor(session, base) if compensate else 1.0
    return np.asarray(factor * session["steady_rise"].reindex(region=names).to_numpy())
