"""Where a session's files may lie."""

from pathlib import Path

from heatwake.errors import InputError


def require_within(path: Path, *, folder: Path, key: str) -> None:
    """Refuse a file that lies, links followed, neither in the session's folder nor in the folder that this is in.

    Sessions of one day share a placement file or a film pair beside them; a session that was handed on must not make
    this machine read what lies elsewhere on it.

    Raises
    ------
    InputError
        Says where it leads.
    """
    try:
        target, home = path.resolve(), folder.resolve().parent
    except (OSError, ValueError, RuntimeError):  # links in a circle, names that are none
        raise InputError(f"{key}: {path}", "not a path", "must be a file of the session") from None
    if home != target and home not in target.parents:
        wanted = f"must lie in the session's folder or beside it, in {home}: put it there"
        raise InputError(f"{key}: {path}", f"outside ({target})", wanted)
