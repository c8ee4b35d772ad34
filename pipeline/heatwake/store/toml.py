"""TOML files in."""

import tomllib
from pathlib import Path
from typing import Any, Final

from heatwake.errors import InputError, shorten
from heatwake.schema.settings import LONG

MOST_BYTES: Final = 4 * 2**20


def read_toml(path: Path) -> dict[str, Any]:
    """Return the parsed file.

    Raises
    ------
    InputError
        The file is missing, unreadable or not TOML.
    """
    content = _read(path)
    try:
        return tomllib.loads(content)
    except tomllib.TOMLDecodeError as error:
        raise InputError(str(path), f"not TOML ({shorten(str(error), LONG)})", "must be mended there") from None
    except ValueError as error:  # a number of thousands of digits
        raise InputError(str(path), f"not TOML ({shorten(str(error), LONG)})", "must hold plain numbers") from None
    except RecursionError:
        raise InputError(str(path), "nested too deeply", "must be plain tables") from None


def _read(path: Path) -> str:
    try:
        if path.exists() and not path.is_file():  # a device or a pipe may have no end
            raise InputError(str(path), "no file", "must be a TOML file")
        with path.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
        if len(content) > MOST_BYTES:
            raise InputError(str(path), f"larger than {MOST_BYTES // 2**20} MiB", "must be a TOML file of some lines")
        return content.decode()
    except FileNotFoundError:
        raise InputError(str(path), "missing", "must be a TOML file") from None
    except OSError as error:
        raise InputError(str(path), f"unreadable ({error.strerror})", "must be a TOML file") from None
    except UnicodeDecodeError as error:
        raise InputError(str(path), f"unreadable (byte {error.start} is not UTF-8)", "must be a TOML file") from None
    except ValueError:
        raise InputError(str(path), "not a path", "must be a TOML file") from None
