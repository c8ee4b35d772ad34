"""``heatwake record``: what the laboratory's repeatability record holds, and a unit against known good ones."""

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

from heatwake.commands.terminal import AsJson, errors_in_one_line, print_json

record = typer.Typer(
    no_args_is_help=True,
    help="""Look into the laboratory's repeatability record: list it, export it, judge a unit by it.

    The record is one SQLite file that [record] file in a workflow names; heatwake run enters every session that is
    done. RECORD is that file or the workflow.""",
)
File = Annotated[Path, typer.Argument(metavar="RECORD", help="The record, or a workflow file (.toml) with [record].")]
Page = Annotated[Path | None, typer.Option("--output", "-o", help="Page to write as well (HTML).")]
INTERRUPTED = "interrupted; nothing was changed"


@record.command(epilog="Example: heatwake record show lab.sqlite --output lab.html")
def show(file: File, *, output: Page = None, as_json: AsJson = False) -> None:
    """List kinds of set-up with their units, takes and pooled repeatability.

    Repeatability is the standard deviation of one take: a constant and a share of the rise that add in squares, pooled
    over the set-ups of a kind that were taken more than once. A set-up is a kind with one unit. The page shows the
    takes of each set-up over time as control charts: board, parts and the camera's level.
    """
    from heatwake.run.record_views import kinds_in, write_takes_page

    with errors_in_one_line(INTERRUPTED):
        kinds = kinds_in(file)
        if output is not None:
            write_takes_page(file, output)
    if as_json:
        print_json([kind.as_json() for kind in kinds])
        return
    table = Table(title=Text(f"{file}: {sum(kind.takes for kind in kinds)} takes"), title_justify="left")
    _headings(table, ("kind", "conditions", "parts", "units"), ("takes", "degrees of freedom", "K", "% of rise"))
    for kind in kinds:
        numbers = (kind.takes, kind.freedom or "-", _number(kind.constant, 2), _number(100 * kind.share, 2))
        units = ", ".join(kind.units) or "not stated"
        table.add_row(kind.mark, Text(kind.words), str(kind.parts), Text(units), *map(str, numbers))
    _console().print(table)
    _tell_page(output)


@record.command(epilog="Example: heatwake record export lab.sqlite --output takes.csv")
def export(
    file: File,
    *,
    output: Annotated[Path | None, typer.Option("--output", "-o", help="CSV file. By default the terminal.")] = None,
) -> None:
    """Write all that is in RECORD as CSV: a row a session, region and quantity."""
    from heatwake.run.record_views import export_takes

    with errors_in_one_line(INTERRUPTED):
        text = export_takes(file, output)
    if output is None:
        typer.echo(text, nl=False)


@record.command(epilog="Example: heatwake record compare lab.sqlite --unit SN-0107 --good SN-0001 --good SN-0002")
def compare(
    file: File,
    *,
    unit: Annotated[
        list[str] | None, typer.Option("--unit", "-u", help="Unit to judge; by default all that are not known good.")
    ] = None,
    good: Annotated[
        list[str] | None, typer.Option("--good", "-g", help="Known good unit; by default those of the workflow.")
    ] = None,
    tolerance: Annotated[
        bool, typer.Option("--tolerance", help="By tolerance intervals (95 % confidence), not prediction intervals.")
    ] = False,
    rate: Annotated[float, typer.Option("--rate", help="Share of good units of which any part lies outside.")] = 0.05,
    output: Page = None,
    as_json: AsJson = False,
) -> None:
    """Judge units against known good ones of the same kind of set-up: which parts lie outside.

    A unit is what unit = "..." under [conditions] of a session says. With three known good units or more their own
    spread counts; with fewer only that of takes, and outside means "differs", not "is bad". The board is judged as a
    whole and parts by what they differ beyond that. Exit code 1 where anything lies outside.
    """
    from heatwake.run.record_views import judge_units, write_units_page

    with errors_in_one_line(INTERRUPTED):
        judged = judge_units(
            file, units=unit or [], good=good or [], interval="tolerance" if tolerance else "prediction", rate=rate
        )
        if output is not None:
            write_units_page(file, judged, output)
    if as_json:
        print_json([one.as_json() for one in judged])
    else:
        for one in judged:
            _show_judgement(one)
        _tell_page(output)
    raise typer.Exit(1 if any(one.judgement.outside for one in judged) else 0)


def _show_judgement(judged: Any) -> None:
    console = _console()
    table = Table(title=Text(judged.title, style="bold"), title_justify="left")
    _headings(table, ("part",), ("rise K", "known good K", "difference K", "from K", "to K"))
    table.add_column("")
    board = judged.judgement.board
    if board is not None:
        held = (_number(one, 2) for one in (board.rise, board.low, board.high))
        table.add_row(board.name, "", "", *held, "outside" if board.is_outside else "")
    for part in judged.judgement.parts:
        numbers = (part.rise, part.expected, part.difference, part.low, part.high)
        table.add_row(Text(part.name), *(_number(one, 2) for one in numbers), "outside" if part.is_outside else "")
    console.print(table)
    for line in judged.sentences:
        console.print(line, markup=False, highlight=False)
    for line in judged.next_steps:
        console.print(f"next: {line}", markup=False, highlight=False)


def _tell_page(output: Path | None) -> None:
    if output is not None:
        typer.echo(f"page: {output}")


def _headings(table: Table, words: Sequence[str], numbers: Sequence[str]) -> None:
    for heading in words:
        table.add_column(heading)
    for heading in numbers:
        table.add_column(heading, justify="right")


def _console() -> Console:
    return Console(width=None if sys.stdout.isatty() else 160)


def _number(value: float, digits: int) -> str:
    return f"{value:.{digits}f}" if value == value else "-"  # noqa: PLR0124
