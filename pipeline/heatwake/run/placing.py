"""Sessions that are placed by the reference's picture: which they are, by what, and what that makes of fingerprints."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from heatwake.errors import InputError
from heatwake.run.fingerprints import determinants, fingerprint
from heatwake.schema.session import Session
from heatwake.schema.settings import Settings
from heatwake.schema.validate import validate
from heatwake.store.session import OpenSession, open_session
from heatwake.store.toml import read_toml


@dataclass(frozen=True)
class Anchor:
    """The workflow's reference session, by whose board others may be placed.

    Attributes
    ----------
    folder, target : Path
        Of the session and of its results.
    """

    folder: Path
    target: Path


@dataclass(frozen=True)
class Placing:
    """What a session is placed by: the reference as read, and where its results are."""

    session: OpenSession
    target: Path
    settings: Mapping[str, Settings]

    @cached_property
    def determinants(self) -> dict[str, dict[str, Any]]:
        """What determines the reference's products."""
        return determinants(self.session, self.settings)

    @property
    def about(self) -> dict[str, Any]:
        """What of it determines the session's results, in JSON values."""
        description = self.session.description.model_dump(mode="json", include={"board", "camera"})
        board = {key: description["board"][key] for key in ("width_mm", "height_mm", "corners_px", "points")}
        return {"registration": fingerprint(self.determinants["registration.nc"]), "board": board}


def placing_of(session: OpenSession, anchor: Anchor | None, settings: Mapping[str, Settings]) -> Placing | None:
    """Return what places a session's board; None for a session with a scale of its own, or where nothing does.

    Raises
    ------
    InputError
        The reference is needed and something is wrong with it.
    """
    if anchor is None or not needs_place(session.description) or anchor.folder.resolve().name == session.name:
        return None
    file = anchor.folder / "session.toml"
    if not file.is_file():
        where = f"session {session.name}: board.corners_px"
        raise InputError(where, "missing, and the reference is not there", f"must be given, or {file} be there first")
    if validate(Session, read_toml(file), file=str(file)).board.corners_px is None:
        return None
    return Placing(open_session(anchor.folder), anchor.target, settings)


def needs_place(description: Session) -> bool:
    """Tell whether a session file says nothing of how large things are in its picture."""
    return description.board.corners_px is None and description.board.mm_per_px is None
