"""A trial of a C library on a file that may be damaged such that the library dies of it, and the process with it."""

import gc
import json
import os
import resource
import signal
import warnings
from collections.abc import Callable
from typing import Final, NoReturn

from heatwake.errors import InputError, one_line, shorten
from heatwake.schema.settings import LONG

LONGEST_S: Final = 30
MOST_ANSWER: Final = 2**16


class TrialError(Exception):
    """What came of a trial that was not survived, or in which something was raised."""


def try_first(work: Callable[[], object]) -> None:
    """Do some work in a copy of this process.

    The copy has this process's memory and one thread, and ends without tidying up. Where processes cannot be copied
    there is no trial.

    Raises
    ------
    InputError
        As raised by the work.
    TrialError
        The copy died, took longer than half a minute, or another exception was raised: says which.
    """
    if not hasattr(os, "fork"):
        return
    hears, says = os.pipe()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # other threads stay behind, and nothing of theirs is used
        copy = os.fork()
    if copy == 0:
        _try(work, says)
    os.close(says)
    with os.fdopen(hears, "rb") as answers:
        answer = answers.read(MOST_ANSWER)
    _, status = os.waitpid(copy, 0)
    if os.waitstatus_to_exitcode(status) != 0 or not answer:
        raise TrialError("the library that reads it breaks down")
    told = json.loads(answer)
    if len(told) == 3:
        raise InputError(*told)
    if told:
        raise TrialError(told[0])


def _try(work: Callable[[], object], says: int) -> NoReturn:
    """Do the work, say what came of it, and end."""
    try:
        gc.freeze()  # what was there before is not looked through again
        for name in (signal.SIGALRM, signal.SIGINT, signal.SIGSEGV, signal.SIGABRT, signal.SIGBUS):
            signal.signal(name, signal.SIG_DFL)
        signal.alarm(LONGEST_S)
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
        answer = json.dumps(_outcome(work))
        gc.collect()  # memory that was spoilt is often found so only when it is given back
        os.write(says, answer.encode())
    finally:
        os._exit(0)


def _outcome(work: Callable[[], object]) -> list[str]:
    """Return nothing of work that was done, the parts of an input's error, or one text of any other."""
    try:
        for _ in range(2):
            work()
    except InputError as error:
        return [error.where, error.found, error.wanted]
    except BaseException as error:
        return [shorten(one_line(str(error) or type(error).__name__), LONG)]
    return []
