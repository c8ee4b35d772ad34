"""What a run tells whoever watches."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import xarray as xr

State = Literal["done", "up to date", "failed"]


@dataclass(frozen=True)
class Progress:
    """A step on the way: ``done`` of ``total`` for one file of one session."""

    session: str
    file: str
    done: int
    total: int


@dataclass(frozen=True)
class Outcome:
    """How a session, or the comparison, ended.

    Attributes
    ----------
    name : str
        Of the session; ``comparison`` for the comparison.
    state : {"done", "up to date", "failed"}
    reason : str
        Why it failed, in one line.
    seconds : float
        From start to end.
    is_input_error : bool
        What was given is wrong: mending heatwake or the machine would not help.
    details : str
        The traceback of a failure.
    warnings : tuple of str
    products : mapping of str to float
        Seconds for each file that was made.
    peak_mb : float
        Peak memory of the process that did it, up to the end of this session [MB, 10^6 bytes].
    """

    name: str
    state: State
    reason: str = ""
    seconds: float = 0.0
    is_input_error: bool = False
    details: str = ""
    warnings: tuple[str, ...] = ()
    products: Mapping[str, float] = field(default_factory=dict)
    peak_mb: float = 0.0


@dataclass(frozen=True)
class Finished:
    """The end of a run; sessions and flows are opened when asked for."""

    outcomes: tuple[Outcome, ...]
    results: Path
    sessions: Mapping[str, xr.Dataset] = field(default_factory=dict)
    flows: Mapping[str, xr.Dataset] = field(default_factory=dict)
    comparison: xr.Dataset | None = None

    @property
    def exit_code(self) -> int:
        """0 all done; 1 some failed; 2 nothing could run for what the input says."""
        failed = [outcome for outcome in self.outcomes if outcome.state == "failed"]
        if not failed:
            return 0
        return 2 if not self.sessions and all(outcome.is_input_error for outcome in failed) else 1


Event = Progress | Outcome | Finished
