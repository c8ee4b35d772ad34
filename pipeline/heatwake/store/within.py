"""Where a session's files may lie."""

import os
from pathlib import Path
from typing import Final

from heatwake.errors import InputError

ALLOWED: Final = "HEATWAKE_INPUTS"  # environment variable: further folders that inputs may lie in, as PATH has them


def require_within(path: Path, *, folder: Path, key: str) -> None:
    """Refuse a file that lies, links followed, neither in the session's folder nor in the folder that this is in.

    Sessions of one day share a placement file or a film pair beside them; a session that was handed on must not make
    this machine read what lies elsewhere on it. Whoever runs it may allow further folders, the session file may not.

    Raises
    ------
    InputError
        Says where it leads.
    """
    try:
        target, home = path.resolve(), folder.resolve().parent
        further = [Path(name).resolve() for name in os.environ.get(ALLOWED, "").split(os.pathsep) if name]
    except (OSError, ValueError, RuntimeError):  # links in a circle, names that are none
        raise InputError(f"{key}: {path}", "not a path", "must be a file of the session") from None
    if not any(place == target or place in target.parents for place in (home, *further)):
        wanted = f"must lie in the session's folder or beside it, in {home}, or in a folder that {ALLOWED} names"
        raise InputError(f"{key}: {path}", f"outside ({target})", wanted)
