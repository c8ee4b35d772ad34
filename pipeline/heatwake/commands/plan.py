"""``heatwake plan``."""

import logging
import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from heatwake.commands.terminal import AsJson, errors_in_one_line, print_json

if TYPE_CHECKING:
    from heatwake.run.plan import MadePlan


def plan(
    plan: Annotated[Path, typer.Argument(help="Plan file (TOML), such as workflows/plan_charger.toml.")],
    *,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", help="Folder to write into. By default one of PLAN's name, here.")
    ] = None,
    with_scene: Annotated[
        bool,
        typer.Option("--with-scene", help="Rehearse it: record a simulated item as planned and put it through a run."),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Plan a test from PLAN: a set-up sheet to print, and session folders ready to record into, in their order.

    The sheet says which parts will be resolved, how well rises will be known, what the runs can show, how hot parts may
    get should the fan stop, what has to be mended first. Session files that are there already are left as they are.
    """
    from heatwake.run.plan import make_plan

    logging.getLogger("heatwake").addHandler(logging.NullHandler())
    with errors_in_one_line("interrupted; repeat the command"):
        made = make_plan(plan, output=output)
        if with_scene:
            made = _rehearsed(made)
    if as_json:
        print_json(made.content)
        return
    for line in plan_lines(made):
        typer.echo(line)


def _rehearsed(made: "MadePlan") -> "MadePlan":
    """Return the plan with its rehearsal, on the sheet too; a terminal sees what is being done."""
    from heatwake.rehearsal import rehearse
    from heatwake.run.plan import add_rehearsal

    def tell(text: str) -> None:
        if sys.stderr.isatty():
            typer.echo(text, err=True)

    return add_rehearsal(made, rehearse(made.folder, made.plan, made.test, tell=tell))


def plan_lines(made: "MadePlan") -> list[str]:
    """Return what a person sees of a plan on the screen."""
    test = made.test
    lines = [test.title]
    lines += [f"rehearsal: {text}" for text in made.rehearsed]
    lines += [f"{one.name}: {one.verdict}" for one in test.runs.factors]
    lines += [f"fan stopped: {test.stop.words}"] if test.stop else []
    lines += [f"to mend: {text}" for text in test.warnings]
    lines += [f"open: {text}" for text in test.questions]
    lines += [f"kept as it is: {made.folder / name}" for name in made.kept]
    lines.append(f"sheet: {made.folder / 'plan.html'}; sessions to record, in order:")
    lines += [f"  {made.folder / run.name}" for run in test.runs.runs]
    lines.append(f"then: heatwake run {shlex.quote(str(made.folder / 'workflow.toml'))}")
    return lines
