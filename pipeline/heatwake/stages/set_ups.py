"""Which sessions are takes of one set-up, and what their repeats tell."""

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.camera_level import HALF
from heatwake.kernels.repeats import Repeatability, pooled_repeatability
from heatwake.stages.matched import power_factor
from heatwake.stages.takes import Take
from heatwake.stages.zeroed_level import level_of

Array = npt.NDArray[Any]

REPLICATE: Final = "replicate"
BLOCK: Final = "block"
FILM_FITTING: Final = "film_fitting"
UNIT: Final = "unit"
STATED_ELSEWHERE: Final = frozenset({"power_W", "max_ambient_degC", "altitude_m", "max_altitude_m"})
NOT_FACTORS: Final = STATED_ELSEWHERE | {REPLICATE, BLOCK, FILM_FITTING}
MARK: Final = 12  # characters of the mark of a kind
PLACE_DECIMALS: Final = 1  # [mm] to which parts are the same parts


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


@dataclass(frozen=True)
class Kind:
    """A kind of set-up: everything that is the same in takes, and in takes of other units.

    Attributes
    ----------
    about : mapping
        ``bench``: board, parts, film and camera; ``conditions`` without take, unit and what rises are brought to.
    unit : str
        What is measured; empty where it is not stated.
    """

    about: Mapping[str, Any]
    unit: str

    @property
    def mark(self) -> str:
        """Of the kind."""
        return _mark(self.about)

    @property
    def bench(self) -> str:
        """Mark of the bench, whatever the conditions."""
        return _mark(self.about["bench"])


def kind_of(session: xr.Dataset) -> Kind:
    """Return a session's kind of set-up.

    The board by its size and build, parts by name and place, the film by whether it is there and by what is given of
    it, the camera by its band, noise and accuracy: not by serial, distance or place.
    """
    stated = factors(session)
    unit = str(stated.pop(UNIT, ""))
    return Kind({"bench": _bench(session), "conditions": stated}, unit)


def described(session: xr.Dataset) -> xr.Dataset:
    """Return what a session's kind is told by, and no more."""
    return session[[name for name in session.data_vars if session[name].ndim == 0 or str(name).startswith("part_")]]


def _mark(content: Any) -> str:
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:MARK]


def _bench(session: xr.Dataset) -> dict[str, Any]:
    told = {
        "board": ("board_width", "board_height", "board_thickness", "board_conductivity", "channel_height"),
        "film": ("film_present", "film_transmittance_given", "mirrors_board"),
        "camera": ("band_low", "band_high", "netd", "accuracy", "accuracy_percent"),
    }
    made: dict[str, Any] = {
        table: {name: known for name in names if (known := _number(session, name)) is not None}
        for table, names in told.items()
    }
    return made | {"parts": _parts(session)}


def _number(session: xr.Dataset, name: str) -> float | None:
    value = float(session[name]) if name in session and session[name].ndim == 0 else np.nan
    return round(value, 6) if np.isfinite(value) else None


def _parts(session: xr.Dataset) -> dict[str, list[float | None]]:
    if "part" not in session.dims:
        return {}
    columns = [session[f"part_{name}"].to_numpy().astype(float) for name in ("x", "y", "width", "height")]
    names = [str(name) for name in session["part"].to_numpy()]
    return {name: [_rounded(column[row]) for column in columns] for row, name in enumerate(names)}


def _rounded(value: float) -> float | None:
    return round(float(value), PLACE_DECIMALS) + 0.0 if np.isfinite(value) else None


def repeatability(
    sessions: Mapping[str, xr.Dataset],
    base: xr.Dataset,
    *,
    compensate: bool,
    changes: Mapping[str, Array] = MappingProxyType({}),
    past: Sequence[Take] = (),
) -> Repeatability | None:
    """Return how far takes of one set-up lie apart, pooled over set-ups and regions; None without repeats.

    Parameters
    ----------
    sessions : mapping of str to Dataset
    base : Dataset
        The reference: its regions count, at its power.
    compensate : bool
        Whether rises are brought to the reference's power.
    changes : mapping of str to (region,) array
        What is added to a session's rises before they are compared, as in the comparison itself [K].
    past : sequence of Take
        Takes of other sessions, from a record: those of a set-up that is here too are further takes of it. Sessions
        count among these as the record keeps them: alone, laid on no other.
    """
    names = [str(name) for name in base["region"].to_numpy()]
    groups = _keyed(sessions) if past else {group[0]: group for group in set_ups(sessions)}
    past, as_kept = _as_kept(past, sessions, groups, base=base, compensate=compensate)
    changes = {**changes, **as_kept}
    rows: dict[str, list[Array]] = {}
    for key, group in groups.items():
        if not past and len(group) < 2:
            continue
        rows[key] = [_rises(sessions[name], base, names, compensate) + changes.get(name, 0.0) for name in group]
    power = float(base["power"]) if compensate and "power" in base else np.nan
    for take in past:
        known = take.rises(at_power=power)
        row = np.array([known.get(name, np.nan) for name in names])
        rows.setdefault(set_up_key(take), []).append(row)
    found = pooled_repeatability([np.stack(takes) for takes in rows.values() if len(takes) > 1])
    return found if found is None or past else replace(found, refitted=_are_refitted(sessions))


def _as_kept(
    past: Sequence[Take],
    sessions: Mapping[str, xr.Dataset],
    groups: Mapping[str, list[str]],
    *,
    base: xr.Dataset,
    compensate: bool,
) -> tuple[Sequence[Take], dict[str, Array]]:
    """Return takes without their camera's level, and what that adds to sessions of the same set-ups (region,) [K].

    Where it is not known of each, of none: some with and some without would differ by it.
    """
    kept, names = {set_up_key(take) for take in past}, base["region"].to_numpy()
    alike = {name: sessions[name] for key, group in groups.items() if key in kept for name in group}
    added = {name: _without_level(session, base, compensate) for name, session in alike.items()}
    rises = {name: session["steady_rise"].reindex(region=names).to_numpy() for name, session in alike.items()}
    if all(take.knows_level for take in past) and all(
        np.isfinite(added[name][np.isfinite(rise)]).all() for name, rise in rises.items()
    ):
        return [take.without_level() for take in past], added
    return past, {name: np.zeros(len(names)) for name in alike}


def _without_level(session: xr.Dataset, base: xr.Dataset, compensate: bool) -> Array:
    level, left = level_of(session)
    factor = power_factor(session, base) if compensate else 1.0
    rows = xr.DataArray(-HALF * factor * level * left, dims="region", coords={"region": session["region"]})
    return np.asarray(rows.reindex(region=base["region"].to_numpy()).to_numpy())


def _are_refitted(sessions: Mapping[str, xr.Dataset]) -> bool:
    """Tell whether all takes of each set-up that was repeated have, as their files say, a film laid on anew."""
    groups = [group for group in set_ups(sessions) if len(group) > 1]
    fittings = [[conditions(sessions[name]).get(FILM_FITTING) for name in group] for group in groups]
    return all(None not in one and len(set(map(str, one))) == len(one) for one in fittings)


def set_up_key(take: Take) -> str:
    """Return what is the same in takes of one set-up."""
    alone = "" if take.is_repeat else take.recording
    return json.dumps([take.kind, take.unit, alone])


def telling(past: Iterable[Take], sessions: Mapping[str, xr.Dataset]) -> list[Take]:
    """Return the takes that are not the only one of their set-up, those of sessions counted in."""
    takes = list(past)
    count: dict[str, int] = {key: len(group) for key, group in _keyed(sessions).items()}
    for take in takes:
        count[set_up_key(take)] = count.get(set_up_key(take), 0) + 1
    return [take for take in takes if count[set_up_key(take)] > 1]


def _keyed(sessions: Mapping[str, xr.Dataset]) -> dict[str, list[str]]:
    """Return the names of sessions by the key that a record has for their set-up; those that stand alone by name."""
    found: dict[str, list[str]] = {}
    for group in set_ups(sessions):
        kind = kind_of(sessions[group[0]])
        alone = "" if REPLICATE in conditions(sessions[group[0]]) else f"session {group[0]}"
        found.setdefault(json.dumps([kind.mark, kind.unit, alone]), []).extend(group)
    return found


def _rises(session: xr.Dataset, base: xr.Dataset, names: list[str], compensate: bool) -> Array:
    factor = power_factor(session, base) if compensate else 1.0
    return np.asarray(factor * session["steady_rise"].reindex(region=names).to_numpy())
