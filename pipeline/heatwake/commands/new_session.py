"""``heatwake new-session``."""

import shlex
from pathlib import Path
from typing import Annotated

import typer

from heatwake.commands.terminal import errors_in_one_line


def new_session(
    frames: Annotated[Path, typer.Argument(metavar="FRAMES", help="A recording: a file, or a folder of frames.")],
    *,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", help="Session file. By default session.toml beside the frames.")
    ] = None,
) -> None:
    """Write a commented session.toml for FRAMES to fill in, with what they tell themselves filled in already."""
    from heatwake.run.new_session import new_session as write

    with errors_in_one_line("interrupted"):
        made = write(frames, output=output)
    typer.echo(f"written: {made.path}")
    typer.echo("to check or fill in:")
    for line in made.to_do:
        typer.echo(f"  - {line.removeprefix('CHECK ')}")
    typer.echo(f"then: heatwake inspect {shlex.quote(str(made.path.parent))}")
