"""The command line: shows what the runner yields."""

import logging
import sys
from pathlib import Path
from typing import Annotated

import numpy as np
import typer
import xarray as xr
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeElapsedColumn
from rich.table import Table

from heatwake import __version__
from heatwake.errors import HeatwakeError

app = typer.Typer(
    add_completion=True,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Numbers from thermal recordings of fan-cooled electronics seen through a film lid.",
    epilog="Exit codes: 0 all done; 1 some sessions failed; 2 wrong command, workflow or session; 130 interrupted.",
)


def main() -> None:
    """Run the command line; the console script."""
    app()


@app.callback(invoke_without_command=True)
def _root(
    version: Annotated[bool, typer.Option("--version", help="Print the version and stop.")] = False,
) -> None:
    if version:
        typer.echo(f"heatwake {__version__}")
        raise typer.Exit


@app.command(epilog="Example: heatwake run workflows/fan_direction.toml")
def run(
    workflow: Annotated[Path, typer.Argument(help="Workflow file (TOML): sessions, settings, reference, results.")],
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="No progress and no tables; errors only.")] = False,
) -> None:
    """Run the recorded sessions of WORKFLOW through every stage, compare them, and write results and reports.

    Work that stands is not done again: the same command resumes what was interrupted.
    """
    logging.getLogger("heatwake").addHandler(logging.NullHandler())
    errors = Console(stderr=True)
    try:
        code = _run(workflow, quiet=quiet, errors=errors)
    except HeatwakeError as error:
        errors.print(f"heatwake: {error}", style="red", markup=False, highlight=False, soft_wrap=True)
        raise typer.Exit(2) from None
    except KeyboardInterrupt:
        errors.print("heatwake: interrupted; the same command resumes", markup=False, highlight=False)
        raise typer.Exit(130) from None
    raise typer.Exit(code)


def _run(workflow: Path, *, quiet: bool, errors: Console) -> int:
    from heatwake.run import Finished, Outcome, run_workflow
    from heatwake.run import Progress as Step

    finished: Finished | None = None
    with _progress(errors, quiet=quiet) as progress:
        task = progress.add_task("starting", total=None)
        for event in run_workflow(workflow):
            if isinstance(event, Step):
                progress.update(task, description=f"{event.session}: {event.file}")
                progress.update(task, total=event.total, completed=event.done)
            elif isinstance(event, Outcome):
                _show_outcome(progress, task, event, quiet=quiet)
            else:
                finished = event
    if finished is None:
        raise RuntimeError("the run ended without an end")
    if not quiet:
        _show_results(finished)
    failed = [outcome for outcome in finished.outcomes if outcome.state == "failed"]
    for outcome in failed:
        errors.print(f"failed: {outcome.name}: {outcome.reason}", markup=False, highlight=False, soft_wrap=True)
    if failed and finished.exit_code != 2:  # wrong input gets its one line and no more
        retry = f"when mended, repeat: heatwake run {workflow}"
        errors.print(retry, markup=False, highlight=False, soft_wrap=True)
    return finished.exit_code


def _progress(console: Console, *, quiet: bool) -> Progress:
    columns = (TextColumn("{task.description:<34}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    return Progress(*columns, console=console, transient=True, disable=quiet or not sys.stderr.isatty())


def _show_outcome(progress: Progress, task: TaskID, outcome: object, *, quiet: bool) -> None:
    from heatwake.run import Outcome

    if not isinstance(outcome, Outcome) or quiet or outcome.state == "failed":
        return
    progress.update(task, description=f"{outcome.name}: {outcome.state}")
    for warning in outcome.warnings:
        progress.console.print(f"{outcome.name}: {warning}", markup=False, highlight=False, soft_wrap=True)


def _show_results(finished: object) -> None:
    from heatwake.run import Finished

    if not isinstance(finished, Finished):
        return
    console = Console(soft_wrap=not sys.stdout.isatty())
    for name, session in finished.sessions.items():
        console.print(_parts_table(name, session))
    if finished.sessions:
        console.print(_flow_table(finished.flows, finished.comparison))
    if finished.comparison is not None:
        for line in _comparison_lines(finished.comparison):
            console.print(line, markup=False, highlight=False)
    console.print(f"results: {finished.results.resolve()}", markup=False, highlight=False)


def _parts_table(name: str, session: xr.Dataset) -> Table:
    from heatwake.report.parts import part_rows

    table = Table(title=f"{name}: {session.attrs.get('title', '')}", title_justify="left", title_style="bold")
    for heading in ("part", "final °C", "rise K", "± K (k=1)", "limit °C", "margin K"):
        table.add_column(heading, justify="left" if heading == "part" else "right")
    table.add_column("verdict")
    for row in part_rows(session):
        numbers = (row.temperature, row.rise, row.uncertainty, row.limit, row.margin)
        table.add_row(row.name, *(_number(value) for value in numbers), row.verdict)
    return table


def _number(value: float) -> str:
    return f"{value:.1f}" if np.isfinite(value) else "-"


def _flow_table(flows: dict[str, xr.Dataset], comparison: xr.Dataset | None) -> Table:
    from heatwake.report.outputs import flow_sentences

    table = Table(title="where the heat is carried", title_justify="left", title_style="bold")
    for heading in ("session", "from this recording", "from all sessions together"):
        table.add_column(heading)
    for name, flow in flows.items():
        table.add_row(name, *flow_sentences(name, flow, comparison))
    return table


def _comparison_lines(comparison: xr.Dataset) -> list[str]:
    from heatwake.report.outputs import comparison_lines

    return comparison_lines(comparison)
