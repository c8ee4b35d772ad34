"""The base of every typed table that a user may write."""

from collections.abc import Mapping
from pathlib import PurePath
from reprlib import Repr
from typing import Annotated, Any, Final

from pydantic import BaseModel, ConfigDict, Field, field_validator

LARGEST: Final = 1e9  # no length, time, temperature or count of a recording is beyond
SMALLEST: Final = 1e-9
LONGEST: Final = 1000  # characters
ABSOLUTE_ZERO: Final = -273.15
LONG: Final = 80  # characters of one key or value in a message
_SHORT: Final = Repr()
_SHORT.maxstring = _SHORT.maxother = _SHORT.maxlong = LONG

HOTTEST: Final = 1e4
Celsius = Annotated[float, Field(ge=ABSOLUTE_ZERO, le=HOTTEST)]


class Settings(BaseModel):
    """Frozen, typed, unknown keys refused; numbers of a sane size, text that can be printed in a line."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    @field_validator("*", mode="after")
    @classmethod
    def _is_sane(cls, value: Any) -> Any:
        check_sane(value)
        return value


def check_sane(value: Any) -> None:
    """Refuse numbers that no arithmetic survives, and text that breaks lines, terminals or paths.

    Raises
    ------
    ValueError
        Says what it must be.
    """
    if isinstance(value, str | PurePath):
        if not str(value).isprintable() or len(str(value)) > LONGEST:
            raise ValueError(f"must be one printable line of no more than {LONGEST} characters")
    elif isinstance(value, int | float):
        if value != 0 and not SMALLEST <= abs(value) <= LARGEST:
            raise ValueError(f"must be 0 or of a size from {SMALLEST:g} to {LARGEST:g}")
    elif isinstance(value, Mapping):
        for key, inner in value.items():
            check_sane(key)
            try:
                check_sane(inner)
            except ValueError as error:
                raise ValueError(f"{key}: {show(inner)}: {error}") from None
    elif isinstance(value, list | tuple):
        for inner in value:
            check_sane(inner)


def show(value: Any) -> str:
    """Return what was given as far as a line has room for it."""
    try:
        return _SHORT.repr(value)
    except (ValueError, RecursionError):  # whole numbers of thousands of digits
        return f"a very long {type(value).__name__}"
