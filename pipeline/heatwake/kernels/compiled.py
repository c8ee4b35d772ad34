"""Loops that numpy cannot do without large temporaries, compiled."""

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

Function = TypeVar("Function", bound=Callable[..., Any])


def compiled(*signatures: str) -> Callable[[Function], Function]:
    """Compile a function for the given signatures; it lets go of the interpreter, so that blocks run side by side.

    The machine code is kept between runs where there is a place to write it to, and made again where there is none.
    Sums run in the order that is written: results do not depend on the machine's vector width or on threads.
    """

    def decorate(function: Function) -> Function:
        try:
            made = cast("Function", numba.njit(list(signatures), nogil=True, cache=True)(function))
        except RuntimeError:  # no folder for the cache
            made = cast("Function", numba.njit(list(signatures), nogil=True)(function))
        return made

    return decorate
