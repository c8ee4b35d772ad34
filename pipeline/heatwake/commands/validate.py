"""``heatwake validate``."""

from pathlib import Path
from typing import Annotated

import typer

from heatwake.commands.terminal import AsJson, errors_in_one_line, print_json


def validate(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Validation file (TOML): protocols and their readings.")],
    *,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", help="Page to write (HTML). By default FILE's name, here.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Set the method against other truths: film against lid, thermocouples against the picture, arrows against tufts.

    FILE names the readings of one protocol or more; workflows/validate_film_lid.md, validate_thermocouples.md and
    validate_directions.md say how they are taken. One page is written. Exit code 1 where something that was to be shown
    is not. It certifies nothing.
    """
    from heatwake.report.validation_page import findings_as_json
    from heatwake.run.validation import validate_method, write_page

    page = output or Path(f"{file.stem}.html")
    with errors_in_one_line("interrupted; nothing was changed"):
        found = validate_method(file)
        write_page(file, found, page)
    if as_json:
        print_json(findings_as_json(found) | {"page": str(page)})
    else:
        for said in found.answers:
            typer.echo(said)
        typer.echo(f"page: {page}")
    raise typer.Exit(0 if found.is_borne_out else 1)
