"""TOML files in."""

import tomllib
from pathlib import Path
from typing import Any

from heatwake.errors import InputError


def read_toml(path: Path) -> dict[str, Any]:
    """Return the parsed file.

    Raises
    ------
    InputError
        The file is missing, unreadable or not TOML.
    """
    try:
        with path.open("rb") as file:
            return tomllib.load(file)
    except FileNotFoundError:
        raise InputError(str(path), "missing", "must be a TOML file") from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(str(path), f"unreadable ({error})", "must be a TOML file") from None
    except tomllib.TOMLDecodeError as error:
        raise InputError(str(path), f"not TOML ({error})", "must be mended there") from None
