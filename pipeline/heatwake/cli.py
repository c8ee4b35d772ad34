"""The command line: shows what the runner yields."""

import logging
import shlex
import sys
from collections.abc import Generator, Mapping
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import numpy as np
import typer
import xarray as xr
from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    ProgressColumn,
    Task,
    TaskID,
    TextColumn,
    TimeElapsedColumn,
    TimeRemainingColumn,
)
from rich.table import Table
from rich.text import Text
from typer.core import TyperGroup

from heatwake import __version__
from heatwake.commands.inspect import inspect
from heatwake.commands.new_session import new_session
from heatwake.commands.next import next_recordings
from heatwake.commands.plan import plan
from heatwake.commands.record import record
from heatwake.commands.terminal import AsJson, errors_in_one_line, print_json
from heatwake.commands.validate import validate
from heatwake.errors import ClusterError, HeatwakeError

if TYPE_CHECKING:
    from heatwake.run import Event, Finished, Outcome
    from heatwake.run.explain import Explained
    from heatwake.run.watch import Event as WatchEvent
    from heatwake.run.watch import Waiting

ORDER: Final = (
    *("plan", "new-session", "corners", "inspect", "run", "explain", "watch"),
    *("next", "record", "validate", "surfaces"),
)


class _InOrder(TyperGroup):
    """Commands in the order in which a test needs them."""

    def list_commands(self, ctx: Any) -> list[str]:
        """Return the names of the commands, those of no fixed place last."""
        names = super().list_commands(ctx)
        return sorted(names, key=lambda name: ORDER.index(name) if name in ORDER else len(ORDER))


app = typer.Typer(
    cls=_InOrder,
    add_completion=True,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Numbers from thermal recordings of fan-cooled electronics seen through a film lid.",
    epilog=(
        "Example: heatwake run workflows/fan_direction.toml. "
        "Exit codes: 0 all done; 1 some sessions failed; 2 wrong command, workflow or session; 130 interrupted. "
        "NO_COLOR in the environment turns colours off."
    ),
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


@app.command(
    epilog="Example: heatwake run workflows/fan_direction.toml",
    short_help="Run a workflow's sessions and compare them.",
)
def run(
    workflow: Annotated[
        Path, typer.Argument(metavar="WORKFLOW", help="Workflow file (TOML): sessions, settings, reference, results.")
    ],
    *,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="No progress and no tables; errors only.")] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="What was found as one JSON object in place of tables, at the end.")
    ] = False,
    workers: Annotated[
        int | None,
        typer.Option("--workers", min=0, help="Worker processes here; 0: none, all in this process. By default a few."),
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option("--scheduler", help="Dask scheduler whose workers see the same files: tcp://HOST:PORT, tls://…"),
    ] = None,
    tls_ca: Annotated[Path | None, typer.Option("--tls-ca", help="TLS: authority's certificate (PEM).")] = None,
    tls_cert: Annotated[Path | None, typer.Option("--tls-cert", help="TLS: certificate of this run (PEM).")] = None,
    tls_key: Annotated[Path | None, typer.Option("--tls-key", help="TLS: its key (PEM).")] = None,
    no_pages: Annotated[
        bool, typer.Option("--no-pages", help="Data sets and tables only; older pages that no longer hold are removed.")
    ] = False,
) -> None:
    """Run the recorded sessions of WORKFLOW through every stage, compare them, and write results and reports.

    Work that stands is not done again: the same command resumes what was interrupted.
    """
    logging.getLogger("heatwake").addHandler(logging.NullHandler())
    errors = Console(stderr=True)
    try:
        events = _events(workflow, workers, scheduler, tls=(tls_ca, tls_cert, tls_key), pages=not no_pages)
        with closing(events):  # at once, and its workers with it
            finished = _run(events, quiet=quiet, errors=errors)
        if as_json:
            print_json(_finished_as_json(finished))
        elif not quiet:
            _show_results(finished)
        _show_failures(finished, errors)
    except HeatwakeError as error:
        errors.print(f"heatwake: {error}", style="red", markup=False, highlight=False, soft_wrap=True)
        raise typer.Exit(1 if isinstance(error, ClusterError) else 2) from None
    except KeyboardInterrupt:
        errors.print("heatwake: interrupted; the same command resumes", markup=False, highlight=False)
        raise typer.Exit(130) from None
    raise typer.Exit(finished.exit_code)


def _events(
    workflow: Path,
    workers: int | None,
    scheduler: str | None,
    *,
    tls: tuple[Path | None, Path | None, Path | None],
    pages: bool,
) -> "Generator[Event, None, None]":
    from heatwake.run import run_workflow

    security = None
    if any(tls):
        from heatwake.run.cluster import tls_options

        ca, cert, key = tls
        security = tls_options(ca=ca, cert=cert, key=key)
    return run_workflow(workflow, workers=workers, scheduler=scheduler, pages=pages, security=security)


def _run(events: "Generator[Event, None, None]", *, quiet: bool, errors: Console) -> "Finished":
    from heatwake.run import Finished, Outcome
    from heatwake.run import Progress as Step

    finished: Finished | None = None
    tasks: dict[str, tuple[str, TaskID]] = {}  # a line a session that is at work: its file, and the line
    with _progress(errors, quiet=quiet) as progress:
        for event in events:
            if isinstance(event, Step):
                _show_step(progress, tasks, event)
            elif isinstance(event, Outcome):
                if event.name in tasks:
                    progress.remove_task(tasks.pop(event.name)[1])
                _show_outcome(progress, event, quiet=quiet)
            else:
                finished = event
    if finished is None:
        raise RuntimeError("the run ended without an end")
    return finished


def _show_step(progress: Progress, tasks: dict[str, tuple[str, TaskID]], step: Any) -> None:
    """Show a session's step on its line; rate and time left are those of the file at work."""
    file, line = tasks.get(step.session, ("", None))
    if line is None:
        line = progress.add_task(step.session, total=step.total)
    if file != step.file:
        progress.reset(line, description=f"{step.session}: {step.file}", total=step.total)
    progress.update(line, total=step.total, completed=step.done)
    tasks[step.session] = (step.file, line)


def _finished_as_json(finished: "Finished") -> dict[str, Any]:
    from heatwake.report.as_json import found_in

    outcomes = [
        {"name": one.name, "state": one.state, "seconds": round(one.seconds, 3), "reason": one.reason}
        | {"warnings": list(one.warnings)}
        for one in finished.outcomes
    ]
    about = {"results": str(finished.results.resolve()), "exit_code": finished.exit_code, "outcomes": outcomes}
    return about | found_in(finished.sessions, finished.flows, finished.comparison)


def _show_failures(finished: "Finished", errors: Console) -> None:
    failed = [outcome for outcome in finished.outcomes if outcome.state == "failed"]
    for outcome in failed:
        errors.print(f"failed: {outcome.name}: {outcome.reason}", markup=False, highlight=False, soft_wrap=True)
    if failed and finished.exit_code != 2:  # wrong input gets its one line and no more
        retry = f"when mended, repeat: {shlex.join(['heatwake', *sys.argv[1:]])}"
        errors.print(retry, markup=False, highlight=False, soft_wrap=True)


class _Rate(ProgressColumn):
    """How fast the file at work gets on."""

    def render(self, task: Task) -> Text:
        return Text(f"{task.speed:.1f}/s" if task.speed and (task.total or 0) > 3 else "", style="dim")


def _progress(console: Console, *, quiet: bool) -> Progress:
    name = TextColumn("{task.description:<34}", markup=False)
    columns = (name, BarColumn(), MofNCompleteColumn(), _Rate(), TimeElapsedColumn(), TimeRemainingColumn())
    return Progress(*columns, console=console, transient=True, disable=quiet or not sys.stderr.isatty())


def _show_outcome(progress: Progress, outcome: object, *, quiet: bool) -> None:
    from heatwake.run import Outcome

    if not isinstance(outcome, Outcome) or quiet or outcome.state == "failed":
        return
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


def _parts_table(name: str, session: xr.Dataset) -> Table | Text:
    from heatwake.report.parts import part_rows, parts_off_board

    rows = part_rows(session)
    if not rows:
        return Text(f"{name}: no part is known and no hot spot was found")
    title = Text(f"{name}: {session.attrs.get('title', '')}", style="bold")  # as it is: brackets are no markup
    table = Table(title=title, title_justify="left")
    for heading in ("part", "final °C", "rise K", "± K (k=1)", "limit °C", "margin K"):
        table.add_column(heading, justify="left" if heading == "part" else "right")
    table.add_column("verdict")
    for row in rows:
        numbers = (row.temperature, row.rise, row.uncertainty, row.limit, row.margin)
        place = "" if row.is_known else f" at {row.x:.0f}, {row.y:.0f} {row.unit}"
        cold = "" if row.is_found else ", no rise of its own"
        limit = f"; {row.limit_words}" if row.limit_words else ""
        table.add_row(Text(row.name + place), *(_number(value) for value in numbers), row.verdict + cold + limit)
    if off := parts_off_board(session):
        table.caption = Text(off)
    return table


def _number(value: float) -> str:
    return f"{value:.1f}" if np.isfinite(value) else "-"


def _flow_table(flows: Mapping[str, xr.Dataset], comparison: xr.Dataset | None) -> Table:
    from heatwake.report.outputs import flow_sentences

    table = Table(title="where the heat is carried", title_justify="left", title_style="bold")
    for heading in ("session", "from this recording", "from all sessions together"):
        table.add_column(heading)
    for name, flow in flows.items():
        table.add_row(*map(Text, (name, *flow_sentences(name, flow, comparison))))
    return table


def _comparison_lines(comparison: xr.Dataset) -> list[str]:
    from heatwake.report.outputs import comparison_lines

    return comparison_lines(comparison)


@app.command(
    epilog='Example: heatwake surfaces, then emissivity = "anodised aluminium" in session.toml or in the parts file',
    short_help="List surfaces whose name may stand for an emissivity.",
)
def surfaces(*, as_json: AsJson = False) -> None:
    """List common surfaces whose name may stand for an emissivity, with its spread and who says so.

    What is used is the middle of the bounds; half their distance over root 3 is the standard uncertainty.
    """
    from heatwake.schema.surfaces import SURFACES

    if as_json:
        keys = ("name", "emissivity", "uncertainty", "low", "high", "source")
        print_json([{key: getattr(kind, key) for key in keys} for kind in SURFACES])
        return
    table = Table()
    for heading in ("surface", "emissivity", "± (k=1)", "bounds", "source"):
        of_number = heading in {"emissivity", "± (k=1)"}
        table.add_column(heading, justify="right" if of_number else "left", no_wrap=heading != "source")
    for kind in SURFACES:
        bounds = f"{kind.low:.2f} to {kind.high:.2f}"
        table.add_row(kind.name, f"{kind.emissivity:.2f}", f"{kind.uncertainty:.3f}", bounds, Text(kind.source))
    Console(width=None if sys.stdout.isatty() else 220).print(table)


@app.command(
    epilog="Example: heatwake corners sample_frames/fan_in --output corners.png",
    short_help="Propose the board's corners in a session.",
)
def corners(
    session: Annotated[
        Path, typer.Argument(metavar="SESSION", help="Session folder; its session.toml needs no [board] corners yet.")
    ],
    *,
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", help="Picture to write (PNG). By default SESSION-corners.png, here."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Propose the board's corners in SESSION: a picture to check them on, and the line to copy into session.toml.

    Some fifty frames are read. The board's outline is sought as four straight edges against the bench, best when
    width_mm and height_mm are given under [board]. Where none is found the picture is written all the same, with its
    pixels to read the corners off, and the exit code is 1.
    """
    from heatwake.run.corners import propose_corners

    logging.getLogger("heatwake").addHandler(logging.NullHandler())
    with errors_in_one_line("interrupted; nothing was changed"):
        found = propose_corners(session, output=output)
    if as_json:
        from heatwake.report.as_json import plain

        print_json(plain(found))
        raise typer.Exit(0 if found.line else 1)
    typer.echo(f"picture: {found.picture}")
    if found.line:
        typer.echo(f"board outline found, confidence {found.confidence}, ± {found.uncertainty:.1f} px (k=1); check:")
    else:
        typer.echo("no outline found:")
    for check in found.checks:
        typer.echo(f"  - {check}")
    if not found.line:
        raise typer.Exit(1)
    typer.echo("copy into [board] of session.toml if the picture bears it out:")
    typer.echo(found.line)


@app.command(
    epilog="Example: heatwake watch /data/incoming workflows/fan_direction.toml",
    short_help="Do each session that appears in a folder.",
)
def watch(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where session folders appear.")],
    workflow: Annotated[
        Path, typer.Argument(metavar="WORKFLOW", help="Workflow file (TOML): settings, and where results go.")
    ],
    *,
    settle: Annotated[
        float, typer.Option("--settle", help="A folder is complete when nothing in it has changed for so many seconds.")
    ] = 30.0,
    once: Annotated[bool, typer.Option("--once", help="Do what is complete now and end: for a timetable.")] = False,
    no_pages: Annotated[
        bool, typer.Option("--no-pages", help="As for heatwake run: data sets and tables only.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Tell of failures only.")] = False,
) -> None:
    """Do each session that appears in FOLDER once it is complete, one at a time, with the settings of WORKFLOW.

    A session folder is complete when it holds a file named done, or when its files have not changed for --settle
    seconds; without a session.toml it never is. A session that failed is tried again when its files change, or when
    the watch is started again. Stop it with Ctrl-C; whenever it starts again, it goes on where it was. Comparisons are
    made by heatwake run.
    """
    from heatwake.run.watch import watch_folder

    logging.getLogger("heatwake").addHandler(logging.NullHandler())
    failed = False
    with errors_in_one_line("interrupted; the same command goes on where it was"):
        events = watch_folder(folder, workflow, settle=settle, once=once, pages=not no_pages)
        with closing(events):
            failed = _watch(events, quiet=quiet)
    raise typer.Exit(1 if failed else 0)


def _watch(events: "Generator[WatchEvent, None, None]", *, quiet: bool) -> bool:
    """Show what a watch yields; tell whether a session failed."""
    from heatwake.run import Outcome
    from heatwake.run.watch import Waiting

    failed: set[str] = set()
    at_work = ""
    for event in events:
        if not isinstance(event, Outcome | Waiting):
            if event.session != at_work and not quiet:
                typer.echo(f"{event.session}: started")
            at_work = event.session
            continue
        at_work = ""
        if isinstance(event, Outcome):
            (failed.add if event.state == "failed" else failed.discard)(event.name)
            for line in _outcome_lines(event) if event.state == "failed" or not quiet else ():
                typer.echo(line, err=event.state == "failed")
        elif not quiet:
            typer.echo(_waiting_line(event))
    return bool(failed)


def _outcome_lines(outcome: "Outcome") -> list[str]:
    if outcome.state == "failed":
        return [f"failed: {outcome.name}: {outcome.reason}"]
    if outcome.state == "up to date":
        return []
    return [f"{outcome.name}: done in {outcome.seconds:.0f} s", *(f"{outcome.name}: {w}" for w in outcome.warnings)]


def _waiting_line(waiting: "Waiting") -> str:
    counts = f"{waiting.done} done, {waiting.failed} failed, {waiting.incomplete} not complete"
    return f"waiting: {waiting.reason}" if waiting.reason else f"no more to do: {counts}"


@app.command(
    epilog="Example: heatwake explain workflows/fan_direction.toml", short_help="Say what a run would make, and why."
)
def explain(
    workflow: Annotated[Path, typer.Argument(metavar="WORKFLOW", help="Workflow file (TOML), as for heatwake run.")],
    *,
    no_pages: Annotated[
        bool, typer.Option("--no-pages", help="As for heatwake run: data sets and tables only.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Say what heatwake run WORKFLOW would make and why, without making it.

    Inputs are read whole, for it is their content that counts: long recordings take their time.
    """
    from heatwake.run.explain import explain_workflow

    if as_json:
        with errors_in_one_line("interrupted; nothing was changed"):
            print_json([_explained_as_json(one) for one in explain_workflow(workflow, pages=not no_pages)])
        return
    made = 0
    with errors_in_one_line("interrupted; nothing was changed"):
        for explained in explain_workflow(workflow, pages=not no_pages):
            made += len(explained.to_make)
            for line in _explanation(explained):
                typer.echo(line)
    files = "1 file" if made == 1 else f"{made} files"
    typer.echo(f"{files} would be made." if made else "Nothing would be made.")


def _explained_as_json(explained: "Explained") -> dict[str, Any]:
    reasons = {file: list(found) for file, found in explained.reasons.items()}
    return {"name": explained.name, "problem": explained.problem, "to_make": list(explained.to_make), "why": reasons}


def _explanation(explained: "Explained") -> list[str]:
    """Return a line on a session, and one on each of its files unless one says it all."""
    name, reasons = explained.name, explained.reasons
    if explained.problem:
        return [f"{name}: cannot be done: {explained.problem}"]
    if not explained.to_make:
        return [f"{name}: up to date"]
    if set(reasons.values()) == {("missing",)}:
        return [f"{name}: all {len(reasons)} files would be made, for none is there"]
    head = f"{name}: {len(explained.to_make)} of {len(reasons)} files would be made"
    return [head, *(f"  {file:<16}  {'; '.join(found) or 'up to date'}" for file, found in reasons.items())]


app.command(
    epilog="Example: heatwake inspect sample_frames/fan_out --output frames.png",
    short_help="Check a session without running it.",
)(inspect)
app.command(
    "new-session",
    epilog="Example: heatwake new-session /data/charger/frames.tif",
    short_help="Write a session.toml to fill in.",
)(new_session)
app.command(
    "next", epilog="Example: heatwake next results/fan_direction", short_help="Say what to record next after a run."
)(next_recordings)
app.command(
    "plan",
    epilog="Example: heatwake plan workflows/plan_charger.toml --output results/plan_charger",
    short_help="Plan a test: set-up sheet, session folders, rehearsal.",
)(plan)
app.add_typer(record, name="record", short_help="The laboratory's repeatability record.")
app.command(
    epilog="Example: heatwake validate workflows/validation/validation.toml --output validation.html",
    short_help="Set the method against other evidence.",
)(validate)
