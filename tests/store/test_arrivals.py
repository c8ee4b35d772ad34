"""Files that a session file names: each is waited for, and none makes results depend on its name."""

from pathlib import Path
from typing import get_args

from heatwake.run.fingerprints import PATHS
from heatwake.schema.session import Session
from heatwake.store.arrivals import INPUTS


def holds(annotation, kind):
    return annotation is kind or any(holds(inner, kind) for inner in get_args(annotation))


def tables(annotation):
    """Return the models in an annotation."""
    found = [annotation] if hasattr(annotation, "model_fields") else []
    return found + [model for inner in get_args(annotation) for model in tables(inner)]


def test_every_file_that_can_be_named_is_waited_for_and_not_part_of_a_fingerprint():
    named = {
        (table, key)
        for table, field in Session.model_fields.items()
        for model in tables(field.annotation)
        for key, inner in model.model_fields.items()
        if holds(inner.annotation, Path)
    }
    assert len(named) >= 7
    assert ("camera", "response") in named
    assert named <= {(table, key) for table, keys in PATHS.items() for key in keys}
    assert named <= set(INPUTS)
