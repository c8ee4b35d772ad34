"""``heatwake next``."""

from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import numpy as np
import typer

from heatwake.commands.terminal import AsJson, errors_in_one_line, print_json

if TYPE_CHECKING:
    from heatwake.report.further import Further


def next_recordings(
    results: Annotated[Path, typer.Argument(help="Results folder of a workflow, or of one of its sessions.")],
    *,
    as_json: AsJson = False,
) -> None:
    """Say what to record next after a run: what each further recording would settle, what settles most on top.

    Uncertainties are standard (k = 1), as they are and as they would be.
    """
    from heatwake.run.further import read_further

    with errors_in_one_line("interrupted; nothing was changed"):
        found = read_further(results)
    if as_json:
        plain = [{key: _plain(value) for key, value in asdict(one).items()} for one in found]
        print_json(plain)
        return
    if not found:
        typer.echo("nothing more: no further recording would settle or sharpen anything")
        return
    for rank, one in enumerate(found, start=1):
        for line in _lines(rank, one):
            typer.echo(line)


def _lines(rank: int, one: "Further") -> Iterator[str]:
    questions = "1 open question" if one.open_questions == 1 else f"{one.open_questions} open questions"
    sessions = f" ({one.session})" if one.session else ""
    yield f"{rank}. {one.name}{sessions}: {f'settles {questions}' if one.open_questions else 'settles nothing open'}"
    yield f"   {one.settles}"
    if one.quantity:
        yield f"   ± {one.now:.2f} → {one.then:.2f} {one.unit}: {one.quantity}"
    yield f"   To do: {one.how}"


def _plain(value: object) -> object:
    return None if isinstance(value, float) and not np.isfinite(value) else value
