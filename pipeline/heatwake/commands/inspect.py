"""``heatwake inspect``."""

import json
import logging
from pathlib import Path
from typing import Annotated

import typer

from heatwake.commands.terminal import errors_in_one_line


def inspect(
    session: Annotated[Path, typer.Argument(metavar="SESSION", help="Session folder.")],
    *,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", help="Contact sheet (PNG). By default SESSION-frames.png, here.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Everything found as one JSON object.")] = False,
) -> None:
    """Check SESSION without running it: what is there, what is wrong or doubtful and its cure, what a run would take.

    Some two hundred frames are read, and a dozen of them shown in a picture; what is found has pictures of its own.
    Exit code 2 where something makes a run impossible.
    """
    from heatwake.run.inspect import inspect_session
    from heatwake.run.inspection_text import inspection_lines

    logging.getLogger("heatwake").addHandler(logging.NullHandler())
    with errors_in_one_line("interrupted; nothing was changed"):
        found = inspect_session(session, output=output)
    typer.echo(json.dumps(found.as_json(), indent=2) if as_json else "\n".join(inspection_lines(found)))
    raise typer.Exit(2 if found.wrong else 0)
