"""A workflow file: its settings by stage, and the folders of its sessions."""

from pathlib import Path
from typing import Any, Final

from pydantic import create_model

from heatwake.errors import InputError
from heatwake.schema.settings import Settings
from heatwake.schema.validate import validate
from heatwake.schema.workflow import Workflow
from heatwake.stages import comparison
from heatwake.stages.pair import ExperimentSettings
from heatwake.stages.table import STAGES
from heatwake.store.session import find_sessions
from heatwake.store.toml import read_toml

SET_BY: Final = {  # settings that stages take over from another table, and what a workflow file sets them by
    "board.analysis_s": "cadence.analysis_s",
    "regions.uncertainty": "temperature",
    "thermocouples.uncertainty": "temperature",
    "comparison.uncertainty": "temperature",
    "comparison.flow": "flow",
    "comparison.experiment": "experiment",
    "comparison.regions": "regions",
}
TAKEN: Final = (
    *("comparison", "comparison.nc", "comparison.csv", "comparison.html", "comparison.mp4", "comparison.png"),
    *("[record]", "next.csv", "differences.csv", "experiment.nc", "effects.csv", "figures", "run.json", "error.log"),
)


def read_workflow(path: Path) -> tuple[Workflow, dict[str, Settings]]:
    """Return the workflow and the settings of every stage, of the comparison too, by its name.

    Raises
    ------
    InputError
        The file is missing, not TOML, or says something wrong.
    """
    kinds: dict[str, type[Settings]] = {stage.name: stage.settings for stage in STAGES}
    kinds["comparison"] = comparison.ComparisonSettings
    kinds["experiment"] = ExperimentSettings
    tables_of_stages: dict[str, Any] = {name: (kind, kind()) for name, kind in kinds.items()}
    whole = create_model("WorkflowFile", __base__=Workflow, **tables_of_stages)
    content = read_toml(path)
    workflow = validate(whole, content, file=str(path))
    for setting, source in SET_BY.items():
        table, key = setting.split(".")
        if key in content.get(table, {}):
            wanted = f"must be left out: it comes from [{source.partition('.')[0]}]"
            raise InputError(f"{path}: {setting}", "given", wanted)
    settings: dict[str, Settings] = {name: getattr(workflow, name) for name in (*kinds, "movie")}
    shared = {"uncertainty": settings["temperature"]}
    settings["board"] = settings["board"].model_copy(update={"analysis_s": workflow.cadence.analysis_s})
    for name in ("regions", "thermocouples"):
        settings[name] = settings[name].model_copy(update=shared)
    taken = shared | {name: settings[name] for name in ("flow", "experiment", "regions")}
    settings["comparison"] = settings["comparison"].model_copy(update=taken)
    return workflow, settings


def session_folders(workflow: Workflow, path: Path) -> dict[str, Path]:
    """Return the session folders by name, in the workflow's order.

    A folder that is named outright may turn out bad: that is its own outcome. A glob must find something.
    """
    folders: dict[str, Path] = {}
    for entry in workflow.sessions:
        found = find_sessions(path.parent / entry)
        if not found:
            raise InputError(f"{path}: sessions: {entry}", "without a match", "must match folders of sessions")
        for folder in found:
            name = session_name(folder, where=f"{path}: sessions: {entry}")
            if name in folders and folders[name].resolve() != folder.resolve():
                raise InputError(f"{path}: sessions: {entry}", f"a second folder named {name}", "must be unique")
            folders[name] = folder
    if workflow.reference is not None and workflow.reference not in folders:
        wanted = f"must be one of {', '.join(folders)}"
        raise InputError(f"{path}: reference", repr(workflow.reference), wanted)
    beside, first = workflow.movie.beside, workflow.reference or next(iter(folders))
    others = [name for name in folders if name != first]
    if beside is not None and beside not in others:
        wanted = f"must be one of {', '.join(others)}" if others else "must be left out: there is one session only"
        raise InputError(f"{path}: movie.beside", repr(beside), wanted)
    return folders


def session_name(folder: Path, *, where: str = "session folder") -> str:
    """Return the name of a session: its folder's own, whatever link or dots led there. Results get a folder of it.

    Raises
    ------
    InputError
        The folder has no name, a hidden one, or one that results of another kind have.
    """
    try:
        name = folder.resolve().name
    except (OSError, ValueError, RuntimeError) as error:  # too long, a loop of links
        raise InputError(where, f"{folder} ({error})", "must be a folder that can be found") from None
    if not name or name.startswith(".") or name in TAKEN:
        wanted = f"must not be hidden, nor one of {', '.join(TAKEN)}"
        raise InputError(where, f"a folder named {name!r}", wanted)
    if not name.isprintable():
        raise InputError(where, f"a folder named {name!r}", "must be printable text")
    return name
