"""Loops that numpy cannot do without large temporaries, compiled."""

from collections.abc import Callable
from typing import Any, Literal, TypeVar, cast

import numba

Function = TypeVar("Function", bound=Callable[..., Any])


def compiled(*signatures: str, divides: bool = False) -> Callable[[Function], Function]:
    """Compile a function for the given signatures; it lets go of the interpreter, so that blocks run side by side.

    Where it ``divides``, a division by zero gives what numpy gives: a test for it keeps a loop from running on vectors.

    The machine code is kept between runs where there is a place to write it to, and made again where there is none.
    Sums run in the order that is written: results do not depend on the machine's vector width or on threads.
    """

    def decorate(function: Function) -> Function:
        model: Literal["numpy", "python"] = "numpy" if divides else "python"
        try:
            made = cast("Function", numba.njit(list(signatures), nogil=True, cache=True, error_model=model)(function))
        except RuntimeError:  # no folder for the cache
            made = cast("Function", numba.njit(list(signatures), nogil=True, error_model=model)(function))
        return made

    return decorate
