"""``heatwake plan``."""

import logging
import shlex
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
    as_json: AsJson = False,
) -> None:
    """Plan a test from PLAN: a set-up sheet to print, and session folders ready to record into, in their order.

    The sheet says which parts will be resolved, how well rises will be known, what the runs can show, what has to be
    mended first. Session files that are there already are left as they are.
    """
    from heatwake.run.plan import make_plan

    logging.getLogger("heatwake").addHandler(logging.NullHandler())
    with errors_in_one_line("interrupted; the same command goes on"):
        made = make_plan(plan, output=output)
    if as_json:
        print_json(made.content)
        return
    for line in plan_lines(made):
        typer.echo(line)


def plan_lines(made: "MadePlan") -> list[str]:
    """Return what a person sees of a plan on the screen."""
    test = made.test
    lines = [test.title]
    lines += [f"{one.name}: {one.verdict}" for one in test.runs.factors]
    lines += [f"to mend: {text}" for text in test.warnings]
    lines += [f"open: {text}" for text in test.questions]
    lines += [f"kept as it is: {made.folder / name}" for name in made.kept]
    lines.append(f"sheet: {made.folder / 'plan.html'}; sessions to record, in order:")
    lines += [f"  {made.folder / run.name}" for run in test.runs.runs]
    lines.append(f"then: heatwake run {shlex.quote(str(made.folder / 'workflow.toml'))}")
    return lines
