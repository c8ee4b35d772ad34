"""Footprints on crowded boards, against the heat of each part alone.

``python tests/benchmarks/spread.py`` prints a table. Boards are drawn at random (``heatwake.scene``): copper, air that
carries heat along, fans either way. What is true is the rise that each part's power makes by itself, for the scene is
linear; the analysis sees only the sum, with noise. Truth and estimate are measured by the same definition of a
footprint. Steady maps, and maps of the warming-up.
"""

import argparse
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import xarray as xr

from heatwake.kernels.decay import decay_length
from heatwake.kernels.moments import Footprint, footprint
from heatwake.kernels.rectangles import pixel_window
from heatwake.scene import Ambient, Scene, draw_item
from heatwake.scene.heat import build_heat_model, integrate
from heatwake.schema.variables import VARIABLES
from heatwake.stages.spread import TRUSTED, SpreadSettings, measure_spread

NOISE = 0.03  # [K] of a pixel of one map
LENGTHS = ("spread_major", "spread_minor")


def own_rises(scene: Scene, *, seconds: float) -> np.ndarray:
    """Return the rise [K] that each part's power makes by itself so long after power-on, (part, y, x)."""
    alone = [
        replace(scene, parts=tuple(part if part is one else replace(part, power=0.0) for part in scene.parts))
        for one in scene.parts
    ]
    cold = [replace(each, ambient=Ambient(start=0.0), power_on=0.0) for each in alone]
    if np.isinf(seconds):
        return np.array([build_heat_model(each).steady(0.0)[0] for each in cold])
    elapsed = np.arange(0.0, seconds + 1.0, 2.0)
    return np.array([list(integrate(build_heat_model(each), elapsed))[-1][0] for each in cold])


def as_session(scene: Scene, rise: np.ndarray, *, rng: np.random.Generator) -> xr.Dataset:
    """Return what the analysis gets to see: the noisy sum, and where the parts lie."""
    keys = {"x": "x", "y": "y", "width": "width", "height": "depth"}
    regions = {f"region_{key}": ("region", [getattr(part, name) for part in scene.parts]) for key, name in keys.items()}
    seen = (rise + rng.normal(0, NOISE, rise.shape)).astype(np.float32)[np.newaxis]
    return xr.Dataset(
        {
            "temperature_rise": (("time", "y", "x"), seen),
            "rise_noise": (("time", "y", "x"), np.full_like(seen, NOISE)),
            **regions,
        },
        coords={
            "time": np.array(["2026-03-04T09:30"], "datetime64[ns]"),
            "elapsed": ("time", [0.0]),
            "x": ("x", scene.board.x, {"units": "mm"}),
            "y": ("y", scene.board.y, {"units": "mm"}),
            "region": [part.name for part in scene.parts],
        },
    )


def true_footprint(scene: Scene, own: np.ndarray, number: int) -> Footprint:
    """Return the footprint of a part's heat alone."""
    part, x, y = scene.parts[number], scene.board.x, scene.board.y
    window = pixel_window((part.x, part.y), (part.width, part.depth), x=x, y=y)
    return footprint(own[number], x=x, y=y, core=window, background=0.0)


def boards(count: int, *, seconds: float) -> Iterator[tuple[Scene, np.ndarray]]:
    """Yield scenes with their parts' own rises, half of them with 14 W/m/K and half with the fan turned."""
    for seed in range(count):
        scene = draw_item(np.random.default_rng(seed), conductivity=(3.0, 14.0)[seed // 2 % 2])
        scene = scene.with_fan("in") if seed % 2 else scene
        yield scene, own_rises(scene, seconds=seconds)


def rows(scene: Scene, own: np.ndarray, *, rng: np.random.Generator) -> Iterator[dict[str, float]]:
    """Yield one row a part: what was found, its uncertainty, and what is true."""
    found = measure_spread(as_session(scene, own.sum(axis=0), rng=rng), SpreadSettings()).isel(time=0)
    x, y = scene.board.x, scene.board.y
    for number, part in enumerate(scene.parts):
        true = true_footprint(scene, own, number)
        row = {name: float(value) for name, value in found.isel(region=number).data_vars.items()}
        row |= {"true_cut": float(true.cut), "true_major": true.major, "true_minor": true.minor}
        row |= {"true_area": true.area, "true_drift_x": true.x - part.x, "true_drift_y": true.y - part.y}
        row["true_orientation"] = true.orientation
        mine = own[number] ** 2 > TRUSTED * (own**2).sum(axis=0)
        box = np.array([part.x, part.y, part.width, part.depth])
        for word, turn in (("downstream", 0.0), ("upstream", 180.0)):
            if np.isfinite(row.get("decay_direction", np.nan)):
                angle = row["decay_direction"] + turn
                tail = decay_length(own[number], x=x, y=y, box=box, angle=angle, trusted=mine)
                row[f"true_{word}"] = tail.length
        yield row


def summarise(found: list[dict[str, float]]) -> Iterator[str]:
    """Yield lines of a table: whole footprints, then those that the edge cuts, then tails."""
    whole = [row for row in found if not row["true_cut"]]
    told = [row for row in whole if np.isfinite(row["spread_major"])]
    yield f"{len(found)} parts, {len(whole)} whole, of them told {len(told)}"
    words = VARIABLES["spread_status"].flags
    counts = np.bincount([int(row["spread_status"]) for row in found], minlength=len(words))
    yield "status: " + ", ".join(f"{word} {count}" for word, count in zip(words, counts, strict=True) if count)
    for name in (*LENGTHS, "spread_area"):
        true = np.array([row[f"true_{name.removeprefix('spread_')}"] for row in told])
        value, spread = (np.array([row[key] for row in told]) for key in (name, f"{name}_uncertainty"))
        yield _line(name, 100 * (value / true - 1), (value - true) / spread, unit="%")
    away = np.array([[row[f"drift_{axis}"] - row[f"true_drift_{axis}"] for axis in "xy"] for row in told])
    spread = np.array([row["drift_uncertainty"] for row in told])[:, np.newaxis]
    yield _line("drift", away.ravel(), (away / spread).ravel(), unit="mm")
    turned = [row for row in told if np.isfinite(row["spread_orientation"])]
    if turned:
        turn = np.array([(r["spread_orientation"] - r["true_orientation"] + 90) % 180 - 90 for r in turned])
        spread = np.array([row["spread_orientation_uncertainty"] for row in turned])
        yield _line(f"orientation ({len(turned)})", turn, turn / spread, unit="deg")
    yield from _edges([row for row in found if row["true_cut"]])
    for word in ("downstream", "upstream"):
        tails = [
            row for row in found if np.isfinite(row[f"decay_{word}"]) and np.isfinite(row.get(f"true_{word}", np.nan))
        ]
        if tails:
            value, spread, true = (
                np.array([row[key] for row in tails])
                for key in (f"decay_{word}", f"decay_{word}_uncertainty", f"true_{word}")
            )
            yield _line(f"decay {word} ({len(tails)})", 100 * (value / true - 1), (value - true) / spread, unit="%")


def _edges(cut: list[dict[str, float]]) -> Iterator[str]:
    known = [row for row in cut if np.isfinite(row["spread_major"])]
    flagged = sum(row["spread_cut"] == 1 for row in cut)
    yield f"cut by the edge {len(cut)}: flagged or withheld {flagged}, withheld {len(cut) - len(known)}"


def _line(name: str, error: np.ndarray, ratio: np.ndarray, *, unit: str) -> str:
    middle, size, most = np.median(error), np.median(np.abs(error)), np.quantile(np.abs(error), 0.9)
    return (
        f"{name:22s} bias {middle:6.2f}, median {size:6.2f}, 90 % {most:6.2f} {unit:3s}"
        f" | within 1 u {np.mean(np.abs(ratio) < 1):.2f}, within 2 u {np.mean(np.abs(ratio) < 2):.2f}"
    )


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--boards", type=int, default=24)
    count = parser.parse_args().boards
    rng = np.random.default_rng(1)
    for seconds in (np.inf, 30.0):
        print(f"\n{count} boards, {seconds:g} s after power-on")  # noqa: T201
        found = [row for scene, own in boards(count, seconds=seconds) for row in rows(scene, own, rng=rng)]
        print("\n".join(summarise(found)))  # noqa: T201


if __name__ == "__main__":
    main()
