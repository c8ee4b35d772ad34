"""From the steps of a piece of work to its outcome: the only place that catches broadly, so that a batch goes on."""

import logging
import threading
import time
import traceback
from collections.abc import Generator

from heatwake.errors import AbandonedError, InputError
from heatwake.run.events import Outcome, Progress, State
from heatwake.store.machine import peak_memory

logger = logging.getLogger(__name__)

Steps = Generator[Progress, None, State]


class _Collector(logging.Handler):
    """Keeps what is warned of by this thread while a session runs."""

    def __init__(self) -> None:
        super().__init__(level=logging.WARNING)
        self.messages: list[str] = []
        self.thread = threading.get_ident()

    def emit(self, record: logging.LogRecord) -> None:
        message = record.getMessage()
        if record.thread == self.thread and message not in self.messages:
            self.messages.append(message)


def guarded(name: str, steps: Steps, *, products: dict[str, float]) -> Generator[Progress, None, Outcome]:
    """Yield a piece of work's progress and return its outcome; ``products`` is filled by the steps.

    Raises
    ------
    AbandonedError
        Nobody waits for the work any longer: it has no outcome.
    """
    started = time.monotonic()
    collector = _Collector()
    package_logger = logging.getLogger("heatwake")
    package_logger.addHandler(collector)
    state: State = "failed"
    reason, details, is_input_error = "", "", False
    try:
        state = yield from steps
    except AbandonedError:
        raise
    except Exception as error:
        logger.debug("%s failed", name, exc_info=True)
        reason, details = describe(error), traceback.format_exc()
        is_input_error = isinstance(error, InputError)
    finally:
        package_logger.removeHandler(collector)
    return Outcome(
        name,
        state,
        reason=reason,
        seconds=time.monotonic() - started,
        is_input_error=is_input_error,
        details=details,
        warnings=tuple(collector.messages),
        products=dict(products),
        peak_mb=round(peak_memory() / 1e6, 1),
    )


def describe(error: BaseException) -> str:
    """Return one line on an error; our own say it themselves."""
    text = " ".join(str(error).split())
    if type(error).__module__ == "heatwake.errors":
        return text
    return f"{type(error).__name__}: {text}" if text else type(error).__name__
