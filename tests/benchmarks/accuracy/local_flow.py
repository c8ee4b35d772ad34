"""How well the local drift finds a known flow, over several draws of the camera's noise.

``python tests/benchmarks/accuracy/local_flow.py`` prints a table of median and 90th-percentile errors of the direction
at the middle of hot spots and 3 to 14 pixels around them, the share of these points that is identifiable, the share of
95 % intervals that cover, and what is wanted. The flows are those of `kernels.single_layer`: 160 x 120 pixels, six
sources of 5 to 20 K, 9 Hz, 50 mK, 0.01 K steps, a film of 0.9; maps are means over a second.
"""

import argparse
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache, partial
from itertools import chain
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter

sys.path.insert(0, str(Path(__file__).parents[2]))

from heatwake.kernels.local_drift import Form, LocalDrift, choose_form
from heatwake.kernels.transport import heating_transport, off_source_transport
from kernels import single_layer as layer

FLOWS = {
    "uniform 25": layer.uniform(25.0),
    "uniform 140": layer.uniform(140.0),
    "curved": layer.vented(),
    "reversed": -layer.vented(),
    "still": 0.0 * layer.uniform(0.0),
}
PECLETS = (0.3, 1.0, 3.0, 10.0)
SECOND = round(layer.RATE)


@dataclass(frozen=True)
class Wanted:
    """Medians at and around hot spots, 90th percentile [degree]."""

    hot: float
    around: float
    most: float


@cache
def sheet(flow: str, peclet: float) -> layer.Sheet:
    """Return the board under a flow."""
    bare = layer.Sheet(FLOWS[flow], layer.six_sources())
    return bare if flow == "still" else bare.at_peclet(peclet)


@cache
def warming(flow: str, peclet: float, load: Callable | None = None) -> Callable:
    """Return the rise after power-on as a function of the time."""
    return layer.warm_up(sheet(flow, peclet), load=load).spline


def switching(time: float) -> np.ndarray:
    """Return loads that jump between 0.6 and 1.4 of their mean every 8 s, each in its own order."""
    order = np.random.default_rng(int(time // 8.0)).random(6) < 0.5
    return np.where(order, 0.6, 1.4)


def bins(frames: np.ndarray, times: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return means over a second, without the second of power-on."""
    rows, columns = frames.shape[1:]
    maps = frames.reshape(-1, SECOND, rows, columns).mean(axis=1)
    return maps[1:], times.reshape(-1, SECOND).mean(axis=1)[1:]


def estimate(rise: Callable, camera: layer.Camera, *, draw: int, sources: np.ndarray | None = None) -> LocalDrift:
    """Record two minutes and return the local drift; with ``sources`` given, by the form off them alone, over 60 s."""
    rng = np.random.default_rng(draw)
    times = layer.frame_times(0.0, 120.0 if sources is None else 60.0)
    frames = camera.record(rise, times, rng=rng)
    maps, elapsed = bins(frames, times)
    seen = np.ones(maps.shape[1:], dtype=bool)
    if sources is not None:
        outside = off_source_transport(maps, elapsed=elapsed, spacing=1.0, sources=sources)
        return choose_form(None, outside, seen=seen)
    early = maps[:4].mean(axis=0)
    outside = off_source_transport(maps, elapsed=elapsed, spacing=1.0, sources=early > 0.08 * early.max())
    return choose_form(heating_transport(maps, elapsed=elapsed, spacing=1.0), outside, seen=seen)


def row(name: str, board: layer.Sheet, drawn: list[LocalDrift], wanted: Wanted | None) -> str:
    """Return one line of the table."""
    places = layer.points(board)
    cells, covered, medians = [], [], []
    for where in ("hot", "around"):
        rows, columns = np.array(places[where]).T
        errors = np.array([layer.errors(one.direction, board, places[where]) for one in drawn])
        intervals = np.array([1.96 * one.direction_uncertainty[rows, columns] for one in drawn])
        told = np.isfinite(errors)
        medians.append(float(np.median(errors[told])) if told.any() else np.nan)
        most = float(np.percentile(errors[told], 90)) if told.any() else np.nan
        covered.append((errors <= intervals)[told])
        cells.append(f"{medians[-1]:6.2f}{most:7.2f}{100 * told.mean():6.0f}")
    cover = np.concatenate(covered)
    line = f"{name:34}{cells[0]} |{cells[1]} |{100 * cover.mean() if cover.size else np.nan:6.0f}"
    if wanted is None:
        return line
    kept = medians[0] <= wanted.hot and medians[1] <= wanted.around
    return f"{line}   {wanted.hot:g}/{wanted.around:g} {'kept' if kept else 'MISSED'}"


def accuracy(draws: int, peclets: tuple[float, ...]) -> Iterator[str]:
    """Yield the lines of the table."""
    plain = layer.Camera()
    for flow in ("uniform 25", "uniform 140", "curved", "reversed"):
        for peclet in peclets:
            wanted = Wanted(1, 1, 3) if "uniform" in flow else Wanted(3, 4, 14) if peclet > 3 else Wanted(1.5, 2, 6)
            yield from_draws(f"{flow}, Pe {peclet:g}", flow, peclet, draws=draws, wanted=wanted, camera=plain)
    for peclet in peclets[:3]:
        board = sheet("curved", peclet)
        settled = layer.steady(board)
        drawn = [estimate(partial(standing, settled), plain, draw=draw, sources=mask(board)) for draw in range(draws)]
        yield row(f"settled, curved, Pe {peclet:g}", board, drawn, Wanted(2, 4, 12))
    for peclet in (1.0, 3.0):
        rise = warming("curved", peclet, switching)
        drawn = [estimate(rise, plain, draw=draw) for draw in range(draws)]
        yield row(f"switching loads, Pe {peclet:g}", sheet("curved", peclet), drawn, Wanted(4, 4, 12))
    for peclet in (0.3, 3.0):
        spoilt = {
            "shutter steps": layer.Camera(offset=shutter),
            "emissivity map 0.5 %": layer.Camera(emissivity_error=0.005 * texture()),
        }
        for name, camera in spoilt.items():
            yield from_draws(f"{name}, Pe {peclet:g}", "curved", peclet, draws=draws, wanted=None, camera=camera)


def from_draws(name: str, flow: str, peclet: float, *, draws: int, wanted: Wanted | None, camera: layer.Camera) -> str:
    """Return the line of one flow's warming-up."""
    drawn = [estimate(warming(flow, peclet), camera, draw=draw) for draw in range(draws)]
    return row(name, sheet(flow, peclet), drawn, wanted)


def standing(settled: np.ndarray, times: np.ndarray) -> np.ndarray:
    """Return a settled rise at each time."""
    return np.repeat(settled[np.newaxis], len(times), axis=0)


def mask(board: layer.Sheet) -> np.ndarray:
    """Return the sources' own pixels and those next to them, which the optics mix."""
    return gaussian_filter(layer.footprint(board).astype(float), 0.8) > 0.02


def shutter(times: np.ndarray) -> np.ndarray:
    """Return an offset that wanders and jumps by 0.3 K every 20 s."""
    rng = np.random.default_rng(11)
    jumps = 0.3 * rng.choice([-1.0, 1.0], 32)
    wander = np.cumsum(rng.normal(0.0, 0.01, 4096))
    return np.cumsum(jumps)[(times // 20.0).astype(int) + 1] + wander[(times * layer.RATE).astype(int) + 200]


def texture() -> np.ndarray:
    """Return a pattern of 3 pixels' grain, of standard deviation 1."""
    grain = gaussian_filter(np.random.default_rng(12).normal(size=(120, 160)), 1.5)
    return grain / grain.std()


def reversal(draws: int, peclets: tuple[float, ...]) -> Iterator[str]:
    """Yield how many points turn by 180 degrees when the flow does."""
    for peclet in peclets[:3]:
        shares = []
        for draw in range(draws):
            one, two = (estimate(warming(flow, peclet), layer.Camera(), draw=draw) for flow in ("curved", "reversed"))
            places = layer.points(sheet("curved", peclet))
            rows, columns = np.array(places["hot"] + places["around"]).T
            turn = np.abs(one.direction - two.direction)[rows, columns] % 360.0
            told = np.isfinite(turn)
            shares.append(np.mean(np.abs(turn[told] - 180.0) < 20.0))
        share = 100 * np.mean(shares)
        verdict = "kept" if share >= 97 else "MISSED"
        yield f"reversal, Pe {peclet:g}: {share:.1f} % of the points within 20 degrees; wanted 97 {verdict}"


def null(draws: int) -> Iterator[str]:
    """Yield how much of a board in still air is told to drift."""
    for noise in (0.0, 0.05, 0.1):
        found = [estimate(warming("still", 0.0), layer.Camera(noise=noise), draw=draw) for draw in range(draws)]
        share = np.mean([np.mean(one.form != Form.NONE) for one in found])
        verdict = "kept" if share <= 0.01 else "MISSED"
        yield f"still air, {1e3 * noise:.0f} mK: {100 * share:.2f} % of the pixels told; wanted 1 at most {verdict}"


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--draws", type=int, default=4)
    parser.add_argument("--peclets", type=float, nargs="+", default=PECLETS)
    asked = parser.parse_args()
    peclets = tuple(asked.peclets)
    head = f"{'':34}{'hot':>6}{'p90':>7}{'told':>6} |{'around':>6}{'p90':>7}{'told':>6} |{'cover':>6}   wanted"
    sys.stdout.write(head + "\n")
    ends = {"kept": 0, "MISSED": 0}
    for line in chain(accuracy(asked.draws, peclets), reversal(asked.draws, peclets), null(asked.draws)):
        sys.stdout.write(line + "\n")
        sys.stdout.flush()
        for end in ends:
            ends[end] += line.endswith(end)
    sys.stdout.write(f"kept in {ends['kept']} of {sum(ends.values())} rows\n")


if __name__ == "__main__":
    main()
