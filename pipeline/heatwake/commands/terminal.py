"""What commands share on the terminal: JSON, and errors in one line."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Annotated, Any

import typer
from rich.console import Console

from heatwake.errors import HeatwakeError

AsJson = Annotated[bool, typer.Option("--json", help="What was found as one JSON object, in place of text.")]


def print_json(content: Any) -> None:
    """Print plain values as JSON; NaN is refused, for JSON has none."""
    typer.echo(json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False))


@contextmanager
def errors_in_one_line(interrupted: str) -> Iterator[None]:
    """Turn an error of the user's into its one line and exit code 2, Ctrl-C into ``interrupted`` and 130."""
    errors = Console(stderr=True)
    try:
        yield
    except HeatwakeError as error:
        errors.print(f"heatwake: {error}", style="red", markup=False, highlight=False, soft_wrap=True)
        raise typer.Exit(2) from None
    except KeyboardInterrupt:
        errors.print(f"heatwake: {interrupted}", markup=False, highlight=False)
        raise typer.Exit(130) from None
