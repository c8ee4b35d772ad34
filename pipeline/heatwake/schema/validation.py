"""A validation file: which protocols were carried out, and where their readings are."""

from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import Field, PositiveFloat, model_validator

from heatwake.schema.settings import Settings

Name = Annotated[str, Field(min_length=1)]


class FilmLid(Settings):
    """Lid on against film on at equal power."""

    readings: Path  # a row a run and place: see workflows/validate_film_lid.md
    bound_K: PositiveFloat  # a difference that does not matter
    power_percent: PositiveFloat = 1.0  # mean powers of the two states may differ by


class ThermocoupleCheck(Settings):
    """Thermocouples against the picture."""

    pairs: Path | None = None  # a row a reading: see workflows/validate_thermocouples.md
    results: tuple[Path, ...] = ()  # folders of sessions' results that hold a thermocouples.csv
    accuracy_K: PositiveFloat = 1.5  # of the thermocouples in those, half-width

    @model_validator(mode="after")
    def _has_readings(self) -> Self:
        if self.pairs is None and not self.results:
            raise ValueError("pairs: missing: must be given, or results")
        return self


class TuftState(Settings):
    """One state of the duct or item, as a session's results and as tufts show it."""

    name: Name
    results: Path  # folder of a session's results
    tufts: Path | None = None  # a row a tuft: see workflows/validate_directions.md
    fan: Literal["on", "off"] = "on"
    openings: dict[str, Literal["inlet", "outlet"]] = Field(default_factory=dict)  # as a strip outside them showed

    @model_validator(mode="after")
    def _is_seen(self) -> Self:
        if self.fan == "on" and self.tufts is None and not self.openings:
            raise ValueError("tufts: missing: must be given, or openings, with the fan on")
        return self


class Directions(Settings):
    """Directions against tufts."""

    tuft_mm: PositiveFloat  # length of a tuft
    states: Annotated[tuple[TuftState, ...], Field(min_length=1)]
    wrong_way: Annotated[float, Field(gt=0, lt=0.5)] = 0.02  # share of arrows more than 90 degrees off that is claimed

    @model_validator(mode="after")
    def _names_are_unique(self) -> Self:
        names = [state.name for state in self.states]
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice is not None:
            raise ValueError(f"states: {twice!r} given twice: must have unique names")
        return self


class Validation(Settings):
    """The file."""

    title: Name
    film_lid: FilmLid | None = None
    thermocouples: ThermocoupleCheck | None = None
    directions: Directions | None = None

    @model_validator(mode="after")
    def _has_a_protocol(self) -> Self:
        if self.film_lid is None and self.thermocouples is None and self.directions is None:
            raise ValueError("film_lid: missing: must be given, or thermocouples, or directions")
        return self
