"""From question to answer on the demo board: ``python workflows/walkthrough.py`` (about ten minutes).

Runs every command of README's chapter *From question to answer* in ``results/walkthrough`` and writes the chapter anew:
commands, what they print, pictures. What a person does at the bench is done by the scene: it records the four runs that
the plan asks for into the folders that the plan made, by a truth that no command sees. ``--keep`` leaves README as it
is and prints the chapter.
"""

import argparse
import re
import shutil
import subprocess
import sys
import tomllib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import cv2
import numpy as np
import pandas as pd

from heatwake.scene import (
    Ambient,
    Camera,
    Hand,
    Handling,
    Recording,
    Scene,
    Shake,
    Shutter,
    charger,
    record,
    simulate,
    uncovered,
    write_frames,
)

ROOT: Final = Path(__file__).resolve().parent.parent
PLAN: Final = ROOT / "workflows" / "plan_charger.toml"
FOLDER: Final = ROOT / "results" / "walkthrough"
PICTURES: Final = ROOT / "workflows" / "walkthrough"
README: Final = ROOT / "README.md"
BEGIN, END = "<!-- walkthrough -->", "<!-- end of walkthrough -->"

COLD_S, WARM_S = 60.0, 900.0  # as planned, before power comes on and after
ELAPSED: Final = np.concatenate([np.arange(0, 2 * COLD_S, 1.0), np.arange(2 * COLD_S, COLD_S + WARM_S + 1, 6.0)])
CELL: Final = 2.0  # [mm] of the simulated board
TAPED: Final = 0.95  # emissivity of the tape that the plan asks for, and where
TAPED_PART: Final = "HS2"
PICTURE_WIDTH: Final = 760  # [px]
CAMERA: Final = Camera(
    columns=320, rows=240, focal=13.0 / 0.012, distance=600.0, tilt=7.0, swing=0.0, aim=(0.0, 0.0), supersampling=2
)


@dataclass(frozen=True)
class Bench:
    """What mounting one run brings: the room, the camera's offset, its nudges, and its hand."""

    start: float
    drift: float
    offset: float
    handling: Handling


BENCH: Final = (
    Bench(23.4, 0.3, 0.3, Handling(shake=Shake(wander=0.15), shutters=(Shutter(95.2, 0.22),))),
    Bench(23.6, -0.2, 0.1, Handling(shake=Shake(wander=0.15), shutters=(Shutter(240.5, -0.18),))),
    Bench(23.5, 0.2, 0.4, Handling(shake=Shake(wander=0.15), hands=(Hand(150.0, 3.0),))),
    Bench(23.9, -0.1, 0.2, Handling(shake=Shake(wander=0.15), shutters=(Shutter(310.5, 0.25),))),
)


def scene_of(conditions: dict[str, object], bench: Bench) -> Scene:
    """Return the charger as a planned session says, with tape on the part that the plan names."""
    fan = "in" if conditions["fan"] == "in" else "out"
    made = charger(fan=fan, cell=CELL, ambient=Ambient(start=bench.start, drift=bench.drift))
    parts = tuple(replace(one, emissivity=TAPED) if one.name == TAPED_PART else one for one in made.parts)
    return replace(made, parts=parts, power_on=COLD_S)


def record_run(folder: Path, *, number: int) -> None:
    """Record into a folder that the plan made, and fill in what its file asks for."""
    text = (folder / "session.toml").read_text(encoding="utf-8")
    bench = BENCH[number]
    truth = simulate(scene_of(tomllib.loads(text)["conditions"], bench), ELAPSED)
    rng = np.random.default_rng(500 + number)
    recording = record(truth, replace(CAMERA, offset=bench.offset), bench.handling, rng=rng)
    write_frames(folder / "frames.tif", recording)
    pd.DataFrame({"time": ELAPSED}).to_csv(folder / "times.csv", index=False)
    log = pd.DataFrame({"elapsed_s": ELAPSED, "ambient_degC": truth["ambient"].values}).iloc[::10]
    log.to_csv(folder / "ambient.csv", index=False, float_format="%.2f")
    (folder / "session.toml").write_text(filled_in(text), encoding="utf-8")


def filled_in(text: str) -> str:
    """Return a planned session with its film measured and its ambient logged."""
    text = re.sub(r"^transmittance = .*\n# bare.*\n# covered.*\n", FILM, text, flags=re.MULTILINE)
    return re.sub(r"^degC = .*\n# log.*\n", 'log = "ambient.csv"\n', text, flags=re.MULTILINE)


FILM: Final = 'bare = "../film_pair/bare.tif"\ncovered = "../film_pair/covered.tif"\n'


def record_film_pair(folder: Path) -> None:
    """Record the hot board bare and, seconds later, with the film on."""
    elapsed = np.concatenate([np.arange(0, 601, 10.0), 600 + np.arange(1, 13) * 0.5])
    hot = simulate(scene_of({"fan": "out"}, BENCH[0]), elapsed)
    rng = np.random.default_rng(499)
    takes: dict[str, Recording] = {
        "bare": record(uncovered(hot).isel(time=slice(-12, -6)), CAMERA, Handling(), rng=rng),
        "covered": record(hot.isel(time=slice(-6, None)), CAMERA, Handling(), rng=rng),
    }
    folder.mkdir(parents=True, exist_ok=True)
    for name, take in takes.items():
        write_frames(folder / f"{name}.tif", take)


def tape(parts: Path) -> None:
    """Put the tape's emissivity into the plan's placement file."""
    table = pd.read_csv(parts)
    table.loc[table["name"] == TAPED_PART, "emissivity"] = TAPED
    table.to_csv(parts, index=False, float_format="%g")


def command(*words: str) -> str:
    """Run a heatwake command in the walkthrough's folder; return it and what it prints, as a block of the chapter."""
    line = [sys.executable, "-m", "heatwake", *words]
    done = subprocess.run(line, cwd=FOLDER, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"heatwake {' '.join(words)}\n{done.stdout}\n{done.stderr}")
    shown = done.stdout.replace(f"{FOLDER}/", "").replace(str(FOLDER), ".")
    lines = [line.rstrip() for line in shown.strip().splitlines()]
    return "\n".join(["```console", f"$ heatwake {' '.join(words)}", *lines, "```"])


def shortened(block: str) -> str:
    """Return what a run prints with the table of parts of the first session alone."""
    lines = block.splitlines()
    titles = [number for number, line in enumerate(lines) if re.match(r"\d\d_\w+: ", line)]
    end = next(number for number, line in enumerate(lines) if line.startswith("where the heat"))
    return "\n".join([*lines[: titles[1]], "…", *lines[end:]])


def answer(results: Path, runs: list[Path]) -> str:
    """Return the decision in a sentence: each set-up's least margin, U taken off."""
    least: dict[str, tuple[float, str]] = {}
    for run in runs:
        table = pd.read_csv(results / run.name / "summary.csv").dropna(subset=["margin_K"])
        margins = table["margin_less_expanded_uncertainty_K"]
        worst = margins.idxmin()
        fan = re.sub(r"^\d+_fan_", "", run.name)
        least[fan] = min(least.get(fan, (np.inf, "")), (float(margins[worst]), str(table["region"][worst])))
    told = "; ".join(f"fan {fan}: {name}, {margin:.1f} K" for fan, (margin, name) in least.items())
    best = max(least, key=lambda fan: least[fan])
    return f"Least margin at 45 °C less its U: {told}. The part nearest its limit is better off with the fan {best}."


def corners_into(session: Path) -> str:
    """Propose the corners, and copy the line into the session as a person would; return the block."""
    block = command("corners", f"plan/{session.name}", "--output", "corners.png")
    line = re.search(r"^corners_px = .*$", block, re.MULTILINE)
    if line is None:
        raise RuntimeError(f"no corners proposed:\n{block}")
    text = (session / "session.toml").read_text(encoding="utf-8")
    text = re.sub(r"^# CHECK corners_px.*\n# corners_px.*$", line.group(), text, flags=re.MULTILINE)
    (session / "session.toml").write_text(text, encoding="utf-8")
    return block


def take_picture(source: Path, name: str) -> None:
    """Keep a picture for README, no wider than it is shown."""
    picture = cv2.imread(str(source))
    height = round(picture.shape[0] * PICTURE_WIDTH / picture.shape[1])
    PICTURES.mkdir(exist_ok=True)
    cv2.imwrite(str(PICTURES / name), cv2.resize(picture, (PICTURE_WIDTH, height), interpolation=cv2.INTER_AREA))


def chapter() -> str:
    """Walk the whole way and return the chapter."""
    shutil.rmtree(FOLDER, ignore_errors=True)
    FOLDER.mkdir(parents=True)
    shutil.copy(PLAN, FOLDER / "plan.toml")
    shutil.copy(ROOT / "sample_frames" / "parts.csv", FOLDER / "parts.csv")
    text = (FOLDER / "plan.toml").read_text(encoding="utf-8")
    (FOLDER / "plan.toml").write_text(text.replace("../sample_frames/parts.csv", "parts.csv"), encoding="utf-8")
    blocks = {"plan": command("plan", "plan.toml", "--output", "plan")}
    runs = sorted(path.parent for path in (FOLDER / "plan").glob("*/session.toml"))
    tape(FOLDER / "plan" / "parts.csv")
    record_film_pair(FOLDER / "plan" / "film_pair")
    for number, run in enumerate(runs):
        record_run(run, number=number)
    blocks["corners"] = corners_into(runs[0])
    blocks["inspect"] = command("inspect", f"plan/{runs[0].name}", "--output", "frames.png")
    blocks["run"] = shortened(command("run", "plan/workflow.toml"))
    blocks["answer"] = answer(FOLDER / "plan" / "results", runs)
    blocks["next"] = command("next", f"plan/results/{runs[0].name}")
    figures = FOLDER / "plan" / "results"
    take_picture(figures / "figures" / "changes.png", "changes.png")
    take_picture(figures / runs[0].name / "figures" / "rise.png", "rise.png")
    template = (ROOT / "workflows" / "walkthrough.md").read_text(encoding="utf-8")
    for name, block in blocks.items():
        template = template.replace(f"{{{{ {name} }}}}", block)
    return template.strip()


def main() -> None:
    """Write the chapter into README, or print it."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--keep", action="store_true", help="leave README as it is and print the chapter")
    keep = options.parse_args().keep
    made = chapter()
    if keep:
        print(made)  # noqa: T201
        return
    text = README.read_text(encoding="utf-8")
    before, _, rest = text.partition(BEGIN)
    _, _, after = rest.partition(END)
    README.write_text(f"{before}{BEGIN}\n{made}\n{END}{after}", encoding="utf-8")


if __name__ == "__main__":
    main()
