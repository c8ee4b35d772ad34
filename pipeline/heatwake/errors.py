"""The one exception tree: every message is a single line that says where, what came and what is wanted."""

from typing import Final

LONGEST: Final = 400  # characters of what was found: a line is to be read


class HeatwakeError(Exception):
    """Anything heatwake raises on purpose."""


class InputError(HeatwakeError):
    """What the user gave is wrong.

    Parameters
    ----------
    where : str
        File, and the key or place in it: ``session.toml: film.transmittance``.
    found : str
        What it is: ``1.3``.
    wanted : str
        What it should be: ``must lie in (0, 1]``.
    """

    def __init__(self, where: str, found: str, wanted: str) -> None:
        self.where, self.found, self.wanted = where, found, wanted
        super().__init__(one_line(f"{where} is {shorten(found, LONGEST)}, {wanted}"))

    def __reduce__(self) -> tuple[type["InputError"], tuple[str, str, str]]:
        """Travel between processes: an exception is made again from its arguments."""
        return type(self), (self.where, self.found, self.wanted)


def shorten(text: str, length: int) -> str:
    """Return text with its middle left out where it is longer than ``length``."""
    return text if len(text) <= length else f"{text[: length // 2]}…{text[-(length // 4) :]}"


def one_line(text: str) -> str:
    """Return text as one line; what a terminal would obey is shown by its code."""
    words = " ".join(text.split())
    return "".join(sign if sign.isprintable() else ascii(sign)[1:-1] for sign in words)


class DataModelError(HeatwakeError):
    """A stage was handed a dataset without a variable, dimension or unit that it needs: a programming error."""


class BusyError(HeatwakeError):
    """Another run holds the results folder."""


class StorageError(HeatwakeError):
    """Results cannot be written: the disk is full, or does not let us."""


class ClusterError(HeatwakeError):
    """The scheduler or its workers are lost."""


class AbandonedError(HeatwakeError):
    """Nobody waits for this work any longer."""
