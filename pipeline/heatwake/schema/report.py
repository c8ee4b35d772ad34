"""The ``[report]`` table of a session file: what a test report names beside what was measured."""

from datetime import date
from typing import Annotated, Self

from pydantic import AfterValidator, BeforeValidator, PositiveFloat, model_validator

from heatwake.schema.settings import Settings


def _not_empty(text: str) -> str:
    if not text.strip():
        raise ValueError("must not be empty: leave it out")
    return text


def _listed(value: object) -> object:
    """One line stands for a list of one."""
    return (value,) if isinstance(value, str) else value


Line = Annotated[str, AfterValidator(_not_empty)]


class Instrument(Settings):
    """An instrument and its calibration."""

    name: Line
    serial: Line | None = None
    calibrated: date | None = None
    due: date | None = None
    certificate: Line | None = None
    note: Line | None = None

    @model_validator(mode="after")
    def _due_after_calibrated(self) -> Self:
        if self.calibrated is not None and self.due is not None and self.due <= self.calibrated:
            raise ValueError(
                f"due: {self.due.isoformat()}: must be later than calibrated, {self.calibrated.isoformat()}"
            )
        return self


class Report(Settings):
    """What is stated for the record; nothing here changes a result."""

    number: Line | None = None  # the report's own, where a laboratory gives one
    question: Line | None = None  # what the test is to answer
    method: Line | None = None
    item: Line | None = None
    revision: Line | None = None
    serial: Line | None = None
    configuration: Line | None = None
    customer: Line | None = None
    laboratory: Line | None = None
    place: Line | None = None
    operator: Line | None = None
    qualification: Line | None = None
    received: date | None = None  # the item
    tested: date | None = None  # where the recording has no clock of its own
    issued: date | None = None  # the report
    camera: Instrument | None = None
    ambient_sensor: Instrument | None = None
    instruments: tuple[Instrument, ...] = ()
    lens: Line | None = None
    distance_mm: PositiveFloat | None = None
    supply: Line | None = None
    fan: Line | None = None
    surroundings: Line | None = None  # humidity, draught, wall and table
    sketch: Line | None = None
    repeats: Line | None = None
    deviations: Annotated[tuple[Line, ...], BeforeValidator(_listed)] = ()
    authorised_by: Line | None = None

    @model_validator(mode="after")
    def _instruments_are_told_apart(self) -> Self:
        known = [(one.name, one.serial) for one in self.instruments]
        twice = next((name for name, serial in known if known.count((name, serial)) > 1), None)
        if twice is not None:
            raise ValueError(f"instruments: {twice!r} given twice: must differ in name or serial")
        return self
