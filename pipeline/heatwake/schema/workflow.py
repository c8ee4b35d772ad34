"""A workflow file: which sessions, which settings, what to compare."""

from pathlib import Path
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, PositiveFloat

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


def _listed(value: object) -> object:
    """One name stands for a list of one."""
    return (value,) if isinstance(value, str) else value


class Record(Settings):
    """The laboratory's repeatability record: what sessions leave there, and what comparisons take from it.

    Attributes
    ----------
    file : Path
        From the workflow's folder; made by the first session that is entered.
    use : bool
        Whether comparisons count with what takes in it differ by; else sessions are entered and no more.
    pool : {"kind", "bench"}
        Takes that count: of the sessions' own kinds of set-up, or of all on their bench, whatever the conditions.
    known_good : tuple of str
        Units, as ``unit`` in [conditions] names them, that others are judged against.
    """

    file: Path
    use: bool = True
    pool: Literal["kind", "bench"] = "kind"
    known_good: Annotated[tuple[str, ...], BeforeValidator(_listed)] = ()


class Workflow(Settings):
    """The tables of a workflow that are not a stage's settings."""

    title: str
    sessions: Annotated[tuple[str, ...], Field(min_length=1)]
    results: Path
    reference: str | None = None
    cadence: Cadence = Cadence()
    movie: Movie = Movie()
    record: Record | None = None
