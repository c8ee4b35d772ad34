"""What a result depends on, as one number: never on paths, times or worker counts."""

import hashlib
import json
from collections.abc import Mapping
from typing import Any

from heatwake.schema.settings import Settings
from heatwake.stages import film
from heatwake.stages.table import PRODUCTS
from heatwake.store.session import OpenSession


def product_marks(session: OpenSession, settings: Mapping[str, Settings]) -> dict[str, str]:
    """Fingerprint of each product: inputs' digests, description, and the stages with versions and settings so far.

    Names of files and folders and times do not enter: a moved session is the same session.
    """
    description = session.description.model_dump(
        mode="json", exclude={"title": True, "frames": {"source", "timestamps"}}
    )
    digests = {name: digest for name, digest in session.digests.items() if name != "session.toml"}
    parent = fingerprint({"digests": digests, "description": _without_paths(description)})
    marks = {}
    parent = fingerprint({"parent": parent, **_stage_mark(film.STAGE.name, film.STAGE.version, settings)})
    for product in PRODUCTS:
        for stage in product.stages:
            parent = fingerprint({"parent": parent, **_stage_mark(stage.name, stage.version, settings)})
        marks[product.file] = parent
    return marks


def _without_paths(description: dict[str, Any]) -> dict[str, Any]:
    paths = {"film": ("bare", "covered"), "ambient": ("log",), "board": ("parts",), "frames": ("calibration",)}
    return {
        table: {key: value for key, value in content.items() if key not in paths.get(table, ())}
        if isinstance(content, dict)
        else content
        for table, content in description.items()
    }


def _stage_mark(name: str, version: int, settings: Mapping[str, Settings]) -> dict[str, Any]:
    return {"stage": name, "version": version, "settings": settings[name].model_dump(mode="json")}


def fingerprint(content: Mapping[str, Any]) -> str:
    return hashlib.sha256(json.dumps(content, sort_keys=True, default=str).encode()).hexdigest()
