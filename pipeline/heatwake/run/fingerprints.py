"""What a result depends on, in full and as one number: never on paths, times or worker counts."""

import hashlib
import json
from collections.abc import Mapping
from typing import Any, Final

from heatwake.report import outputs
from heatwake.schema.settings import Settings
from heatwake.stages import comparison, examination, film, pixels, placement
from heatwake.stages.table import PRODUCTS
from heatwake.store.session import OpenSession

PATHS: Final = {
    "frames": ("source", "timestamps", "calibration"),
    "camera": ("response",),
    "film": ("bare", "covered"),
    "ambient": ("log",),
    "board": ("parts",),
    "palette": ("limits",),
    "thermocouples": ("log",),
}
EXACT: Final = 2.0**53  # whole numbers up to here are the same as integer and as float


def product_marks(session: OpenSession, settings: Mapping[str, Settings]) -> dict[str, str]:
    """Fingerprint of each product of a session that nothing else places."""
    return marks_of(determinants(session, settings))


def marks_of(made_from: Mapping[str, Mapping[str, Any]]) -> dict[str, str]:
    """Fingerprint of each product, by what determines it."""
    return {file: fingerprint(content) for file, content in made_from.items()}


def determinants(
    session: OpenSession, settings: Mapping[str, Settings], *, placed_by: Mapping[str, Any] | None = None
) -> dict[str, dict[str, Any]]:
    """Return what determines each product: digests of inputs, description, versions and settings of stages so far.

    Names of files and folders, titles, the report's words and times do not enter: a moved session is the same session.

    Parameters
    ----------
    session : OpenSession
    settings : mapping of str to Settings
        Of every stage, by its name.
    placed_by : mapping, optional
        The reference's registration mark and board, where the session takes its place from them.

    Returns
    -------
    dict of str to dict
        For each file ``inputs``, ``description`` and ``stages``, of JSON values only.
    """
    inputs = {name: digest for name, digest in session.digests.items() if name != "session.toml"}
    description = _without_paths(session.description.model_dump(mode="json", exclude={"title", "report"}))
    stages = {stage.name: _stage(stage.version, settings[stage.name]) for stage in (pixels.STAGE, film.STAGE)}
    if placed_by is not None:
        stages[placement.STAGE.name] = _stage(placement.STAGE.version, settings[placement.STAGE.name])
        inputs = inputs | {"the reference's registration.nc": placed_by["registration"]}
        description = description | {"reference": {"board": placed_by["board"]}}
    found = {}
    for product in PRODUCTS:
        stages = stages | {stage.name: _stage(stage.version, settings[stage.name]) for stage in product.stages}
        found[product.file] = {"inputs": inputs, "description": description, "stages": stages}
    return found


def _without_paths(description: dict[str, Any]) -> dict[str, Any]:
    return {table: _plain_rows(content, PATHS.get(table, ())) for table, content in description.items()}


def _plain_rows(content: Any, paths: tuple[str, ...]) -> Any:
    """Return a table, or each of a list of tables, without the keys that name files."""
    if isinstance(content, list):
        return [_plain_rows(row, paths) for row in content]
    return {key: value for key, value in content.items() if key not in paths} if isinstance(content, dict) else content


def _stage(version: int, settings: Settings) -> dict[str, Any]:
    return {"version": version, "settings": settings.model_dump(mode="json")}


def comparison_determinants(
    marks: Mapping[str, str | None], reference: str, *, settings: Settings, record: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """Return what determines the comparison.

    Parameters
    ----------
    marks : mapping of str to str
        Fingerprints of the sessions' last products.
    reference : str
    settings : Settings
    record : mapping, optional
        What tells the takes that were read from a record, where any were.
    """
    stages = {"comparison": _stage(comparison.VERSION, settings)}
    made_from = {"sessions": dict(marks), "reference": reference, "stages": stages}
    return made_from | ({"record": dict(record)} if record else {})


def pages_determinants(mark: str, title: str, *, stated: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """Return what determines tables, pages and movies.

    Parameters
    ----------
    mark : str
        The fingerprint of what they show.
    title : str
    stated : mapping, optional
        How they are to be, and what is stated for the record, where anything is.
    """
    known = {key: value for key, value in (stated or {}).items() if value}
    versions = {"report": outputs.VERSION, "examination": examination.VERSION}
    return {"parent": mark, **versions, "title": title, **({"stated": known} if known else {})}


def fingerprint(content: Mapping[str, Any]) -> str:
    """Return the SHA-256 of content as JSON, keys sorted; how a number is written (18 or 18.0) does not matter."""
    return hashlib.sha256(plain_json(content).encode()).hexdigest()


def plain_json(content: Any) -> str:
    """Return content as one JSON line, keys sorted, whole numbers as integers: equal content is equal text."""
    return json.dumps(_plain(content), sort_keys=True, default=str)


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    return int(value) if isinstance(value, float) and value.is_integer() and abs(value) <= EXACT else value
