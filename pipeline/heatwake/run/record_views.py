"""What the laboratory's record holds, in numbers and in words."""

import hashlib
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np

from heatwake import __version__
from heatwake.errors import InputError
from heatwake.kernels.repeats import pooled_repeatability
from heatwake.report.as_json import plain
from heatwake.report.unit_judgement import JudgementView, condition_words
from heatwake.report.words import listed
from heatwake.run.fingerprints import plain_json
from heatwake.run.workflows import read_workflow
from heatwake.stages.known_good import judge_unit
from heatwake.stages.set_ups import set_up_key
from heatwake.stages.takes import Take, levelled
from heatwake.stages.unit_reach import KnownGoodSettings
from heatwake.store import record as store
from heatwake.store import results, tables

QUANTITIES: Final = (  # name, unit, attribute, that of its standard uncertainty
    ("steady_rise", "K", "rise", "uncertainty"),
    ("steady_rise_own", "K", "own", ""),
    ("time_constant", "s", "time_constant", ""),
    ("final_temperature", "degC", "temperature", ""),
    ("limit", "degC", "limit", ""),
    ("margin", "K", "margin", ""),
    ("level_left", "1", "level_left", ""),
)


@dataclass(frozen=True)
class KindView:
    """A kind of set-up as the record holds it.

    Attributes
    ----------
    mark : str
    conditions : dict
    units : tuple of str
    takes, set_ups, repeated : int
        Of the kind; set-ups in all and those taken more than once.
    parts : int
    constant, share : float
        Of the pooled repeatability [K, 1]; NaN without repeats.
    freedom : float
    versions : tuple of str
    """

    mark: str
    conditions: dict[str, Any]
    units: tuple[str, ...]
    takes: int
    set_ups: int
    repeated: int
    parts: int
    constant: float
    share: float
    freedom: float
    versions: tuple[str, ...]

    @property
    def words(self) -> str:
        """The conditions."""
        return condition_words(self.conditions)

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return dict(plain(asdict(self)))


def kinds_in(path: Path) -> list[KindView]:
    """Return the kinds of set-up of a record, those with most takes first.

    Raises
    ------
    InputError
        There is no such record, or it is damaged.
    """
    file, _ = record_of(path)
    store.check_whole(file)
    found: dict[str, list[Take]] = {}
    for take in store.takes(file):
        found.setdefault(take.kind, []).append(take)
    return sorted((_kind(takes) for takes in found.values()), key=lambda kind: (-kind.takes, kind.mark))


def _kind(takes: Sequence[Take]) -> KindView:
    groups: dict[str, list[Take]] = {}
    for take in levelled(takes):
        groups.setdefault(set_up_key(take), []).append(take)
    names = list(dict.fromkeys(name for take in takes for name in take.rises()))
    repeated = [group for group in groups.values() if len(group) > 1]
    pooled = pooled_repeatability(
        [np.array([[take.rises().get(name, np.nan) for name in names] for take in group]) for group in repeated]
    )
    return KindView(
        mark=takes[0].kind,
        conditions=dict(takes[0].set_up.get("conditions", {})),
        units=tuple(sorted({take.unit for take in takes if take.unit})),
        takes=len(takes),
        set_ups=len(groups),
        repeated=len(repeated),
        parts=len(names),
        constant=np.nan if pooled is None else pooled.constant,
        share=np.nan if pooled is None else pooled.share,
        freedom=0.0 if pooled is None else pooled.freedom,
        versions=tuple(sorted({take.source for take in takes})),
    )


def write_takes_page(path: Path, output: Path) -> None:
    """Write the page of a record: its kinds, and control charts of set-ups that were taken often.

    Raises
    ------
    InputError
        There is no such record, or it is damaged.
    """
    from heatwake.report.record_page import takes_page  # drawing is slow to import
    from heatwake.report.takes_trend import SetUpTrend, set_up_trend

    kinds = kinds_in(path)
    takes = store.takes(record_of(path)[0])
    trends: dict[str, list[SetUpTrend]] = {kind.mark: [] for kind in kinds}
    groups: dict[str, list[Take]] = {}
    for take in takes:
        groups.setdefault(set_up_key(take), []).append(take)
    for group in groups.values():
        found = set_up_trend(group)
        if found is not None:
            trends[group[0].kind].append(found)
    results.write_text(output, takes_page(kinds, trends, provenance=_provenance(takes)))


def write_units_page(path: Path, judged: Sequence[JudgementView], output: Path) -> None:
    """Write the page of units against known good ones; the same takes make the same page.

    Raises
    ------
    InputError
        There is no such record, or it is damaged.
    """
    from heatwake.report.record_page import units_page

    settings = judged[0].judgement.settings.model_dump(mode="json")
    provenance = _provenance(store.takes(record_of(path)[0]))
    results.write_text(output, units_page(judged, settings=settings, provenance=provenance))


def _provenance(takes: Sequence[Take]) -> dict[str, Any]:
    told = plain_json([plain(take) for take in takes])
    return {"heatwake": __version__, "takes": len(takes), "takes_sha256": hashlib.sha256(told.encode()).hexdigest()}


def export_takes(path: Path, output: Path | None) -> str:
    """Return a record as CSV, a row a session, region and quantity, and write it where a file is named.

    Raises
    ------
    InputError
        There is no such record, or it is damaged.
    """
    file, _ = record_of(path)
    store.check_whole(file)
    text = tables.csv_text([row for take in store.takes(file) for row in _rows(take)])
    if output is not None:
        results.write_text(output, text)
    return text


def _rows(take: Take) -> list[dict[str, Any]]:
    about = {
        "recording": take.recording[:16],
        "session": take.session,
        "item": take.unit,
        "kind": take.kind,
        "conditions": condition_words(take.conditions),
        "power_W": take.power,
        "recorded": take.recorded,
        "camera_level_K": take.camera_level,
        "source": take.source,
    }
    return [
        about
        | {"region": region.name, "settled": int(region.is_steady), "quantity": name, "unit": unit}
        | {"value": getattr(region, key), "uncertainty": getattr(region, spread) if spread else np.nan}
        for region in take.regions
        for name, unit, key, spread in QUANTITIES
        if np.isfinite(getattr(region, key))
    ]


def judge_units(
    path: Path, *, units: Sequence[str], good: Sequence[str], interval: Literal["prediction", "tolerance"], rate: float
) -> list[JudgementView]:
    """Return units of a record against known good ones, a judgement for each kind of set-up that both share.

    Parameters
    ----------
    path : Path
        Record or workflow.
    units : sequence of str
        Those to judge; by default all that are not known good.
    good : sequence of str
        Known good ones; by default those that the workflow names.
    interval : {"prediction", "tolerance"}
    rate : float
        How often a unit of the same kind has any part outside.

    Raises
    ------
    InputError
        There is no such record, a unit is not in it, or no kind of set-up is shared.
    """
    if not 0 < rate < 0.5:
        raise InputError("--rate", f"{rate:g}", "must lie between 0 and 0.5")
    file, named = record_of(path)
    known_good = list(dict.fromkeys(good or named))
    if not known_good:
        raise InputError("--good", "missing", "must name a known good unit, or give a workflow with record.known_good")
    takes = store.takes(file)
    known = sorted({take.unit for take in takes if take.unit})
    for unit in (*units, *known_good):
        if unit not in known:
            wanted = f"must be one of {', '.join(known)}" if known else 'must be stated as unit = "..." in [conditions]'
            raise InputError(f"{file}: unit", repr(unit), wanted)
    settings = KnownGoodSettings(interval=interval, false_alarm_rate=rate)
    chosen = list(dict.fromkeys(units)) or [unit for unit in known if unit not in known_good]
    judged = [JudgementView(one) for unit in chosen for one in judge_unit(takes, unit, known_good, settings=settings)]
    if not judged:
        found = f"without a kind of set-up of {listed(chosen) or 'another unit'} and of {listed(known_good)}"
        raise InputError(str(file), found, "must hold takes of both under the same conditions")
    return judged


def record_of(path: Path) -> tuple[Path, tuple[str, ...]]:
    """Return the record's file and the known good units that a workflow names; a record names none.

    Raises
    ------
    InputError
        The workflow is wrong or has no record.
    """
    if path.suffix != ".toml":
        return path, ()
    workflow, _ = read_workflow(path)
    if workflow.record is None:
        raise InputError(f"{path}: record", "missing", "must name the record's file: [record] file = ...")
    return path.parent / workflow.record.file, workflow.record.known_good
