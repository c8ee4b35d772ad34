"""A workflow file: which sessions, which settings, what to compare."""

from pathlib import Path
from typing import Annotated

from pydantic import Field, PositiveFloat

from heatwake.schema.settings import Settings


class Cadence(Settings):
    """How finely the averaged maps follow time."""

    analysis_s: PositiveFloat = 1.0


class Workflow(Settings):
    """The tables of a workflow that are not a stage's settings."""

    title: str
    sessions: Annotated[tuple[str, ...], Field(min_length=1)]
    results: Path
    reference: str | None = None
    cadence: Cadence = Cadence()
