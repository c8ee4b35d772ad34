"""``run.json``: what ran, how long, with what; and ``error.log`` beside the results of what failed."""

import platform
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import asdict
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, Final

from heatwake import __version__
from heatwake.errors import HeatwakeError
from heatwake.run.events import Outcome
from heatwake.store import results

FILE: Final = "run.json"
LOG: Final = "error.log"
OF_RUN: Final = ("comparison", "[record]")  # outcomes that are no session's
PAUSE: Final = 2.0  # [s] between two writes, so that a long list of sessions is not written over and over
LIBRARIES: Final = (
    *("numpy", "scipy", "scikit-image", "opencv-python-headless", "numba", "xarray", "dask", "distributed", "netCDF4"),
    *("tifffile", "imagecodecs", "pandas", "pydantic", "matplotlib", "av"),
)


class Journal:
    """Gathers outcomes and keeps ``run.json`` up with them.

    Parameters
    ----------
    root : Path
        The results folder.
    about : dict
        What is known of the run when it starts.
    names : sequence of str
        Sessions in the order in which they are told, whichever ended first; others follow as they come.
    """

    def __init__(self, root: Path, *, about: dict[str, Any], names: Sequence[str] = ()) -> None:
        self.root = root
        self.about = about
        self._places = {name: place for place, name in enumerate(names)}
        self.workers: dict[str, Any] = {"processes": 0}
        self.state = "running"
        self._rows: dict[str, dict[str, Any]] = {}  # by name: who watches may do a session again
        self._started = time.monotonic()
        self._written = -PAUSE

    def add(self, outcome: Outcome) -> None:
        """Take an outcome in, and its traceback to ``error.log`` beside the results; none stays where it went well.

        Only a warning is lost where the disk refuses: the outcome itself tells of that.
        """
        log = (self.root if outcome.name in OF_RUN else self.root / outcome.name) / LOG
        row = {key: value for key, value in asdict(outcome).items() if value or key in {"name", "state"}}
        row.pop("details", None)
        row["seconds"] = round(outcome.seconds, 3)
        if outcome.state == "failed":
            with suppress(HeatwakeError, OSError):
                results.write_text(log, outcome.details or outcome.reason + "\n")
                row["log"] = log.relative_to(self.root).as_posix()
        else:
            results.remove(log)
        self._rows[outcome.name] = row
        if time.monotonic() - self._written >= PAUSE:
            with suppress(HeatwakeError, OSError):
                self.write()

    def write(self) -> None:
        """Write ``run.json``.

        Raises
        ------
        StorageError
            The disk refuses.
        """
        results.write_json(self.root / FILE, self.content())
        self._written = time.monotonic()

    def content(self) -> dict[str, Any]:
        """Return what is known so far."""
        rows = dict(sorted(self._rows.items(), key=lambda row: self._places.get(row[0], len(self._places))))
        return {
            **self.about,
            "state": self.state,
            "seconds": round(time.monotonic() - self._started, 3),
            "workers": self.workers,
            "versions": versions(),
            "outcomes": list(rows.values()),
            "failed": [name for name, row in rows.items() if row["state"] == "failed"],
        }


@cache
def versions() -> dict[str, str]:
    """Return the versions of heatwake, Python and the libraries that results rest on."""
    found = {"heatwake": __version__, "python": platform.python_version(), "platform": platform.platform()}
    for name in LIBRARIES:
        with suppress(PackageNotFoundError):
            found[name] = version(name)
    return found
