"""A workflow file: which sessions, which settings, what to compare."""

from pathlib import Path
from typing import Annotated

from pydantic import Field, PositiveFloat

from heatwake.schema.settings import Settings


class Cadence(Settings):
    """How finely the averaged maps follow time."""

    analysis_s: PositiveFloat = 1.0


class Movie(Settings):
    """How long films are and how finely they are drawn.

    Attributes
    ----------
    duration_s : float
    frames_per_s : int
    width_px : int
        Of one session's picture.
    beside : str or None
        The session that is shown beside the reference; the first other one where none is named.
    """

    duration_s: Annotated[float, Field(ge=1, le=600)] = 10.0
    frames_per_s: Annotated[int, Field(ge=1, le=60)] = 15
    width_px: Annotated[int, Field(ge=640, le=1920)] = 960
    beside: str | None = None

    @property
    def frames(self) -> int:
        """How many pictures a film has."""
        return max(2, round(self.duration_s * self.frames_per_s))

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of a picture, even as encoders want them."""
        return self.width_px // 2 * 2, round(self.width_px * 5 / 16) * 2


class Workflow(Settings):
    """The tables of a workflow that are not a stage's settings."""

    title: str
    sessions: Annotated[tuple[str, ...], Field(min_length=1)]
    results: Path
    reference: str | None = None
    cadence: Cadence = Cadence()
    movie: Movie = Movie()
