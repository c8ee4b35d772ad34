"""Items drawn at random whose loads come and go, seen as rise maps: truth and sight for the search of hot regions.

Boards, parts and openings are those of ``draw_item``; here some parts touch others, and each load has its own times.
Maps are made without the stages: true temperatures, what emissivity makes of them, the camera's blur, noise, pattern.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.ndimage import binary_dilation, gaussian_filter
from scipy.sparse import csc_array, diags_array
from scipy.sparse.linalg import splu

from heatwake.scene import Part, Scene, draw_item
from heatwake.scene.heat import build_heat_model
from heatwake.scene.planck import band
from heatwake.scene.surface import emissivity_map
from heatwake.scene.truth import describe

Array = npt.NDArray[np.float64]
Intervals = tuple[tuple[float, float], ...]

POWER_ON = 20.0  # [s]
DURATION = 1200.0  # [s]
STEP = 12.0  # [s] between maps
BLUR = 0.8  # [mm] standard deviation of the optics' spot on the board
NOISE = 0.030  # [K] of a map: several frames together
PATTERN = 0.010  # [K] left of the sensor's fixed pattern
ASSUMED = 0.93  # emissivity taken for everything, as where no part is known
RING = 3.0  # [mm] the board right round a part, from the optics' reach outside it
GUARD = 1.0  # [mm]


@dataclass(frozen=True)
class Switched:
    """An item with the times [s] at which each part's load comes and goes, and what is true of it.

    Attributes
    ----------
    scene : Scene
    times : tuple
        Per part its (on, off) intervals.
    truth : Dataset
        As ``heatwake.scene.simulate`` returns it.
    own : (part, time, y, x) array
        Rise that each part's load brings [K].
    """

    scene: Scene
    times: tuple[Intervals, ...]
    truth: xr.Dataset
    own: npt.NDArray[np.float32]

    @property
    def footprints(self) -> list[npt.NDArray[np.bool_]]:
        """Cells of each part."""
        return [self.scene.board.inside(part) for part in self.scene.parts]


def draw_apart(seed: int, *, step: float = STEP, parts: int = 7) -> Switched:
    """Return an item as drawn: parts apart, all on from power-on; on half of the items one load goes and is back."""
    rng = np.random.default_rng(seed)
    scene = replace(draw_item(rng, parts=parts), power_on=POWER_ON)
    times: list[Intervals] = [((POWER_ON, np.inf),)] * len(scene.parts)
    if rng.random() < 0.5:
        off, on = (float(rng.uniform(*ends) * DURATION) for ends in ((0.25, 0.45), (0.55, 0.75)))
        times[int(rng.integers(len(times)))] = ((POWER_ON, off), (on, np.inf))
    return Switched(scene, tuple(times), *switched_truth(scene, tuple(times), step=step))


def draw_switched(seed: int, *, step: float = STEP, parts: int = 7) -> Switched:
    """Return an item of which two parts have a small neighbour that touches them, every load with times of its own."""
    rng = np.random.default_rng(seed)
    scene = draw_item(rng, parts=parts)
    placed = list(scene.parts)
    for host in range(2):
        small = _beside(rng, scene, placed, placed[host], name=f"S{host + 1}")
        placed += [] if small is None else [small]
    scene = replace(scene, parts=tuple(placed), power_on=POWER_ON)
    times = tuple(_times(rng, number) for number in range(len(placed)))
    return Switched(scene, times, *switched_truth(scene, times, step=step))


def _beside(rng: np.random.Generator, scene: Scene, placed: list[Part], host: Part, *, name: str) -> Part | None:
    """Return a small part that touches one side of another; None where there is no room."""
    long, deep = (float(side) for side in rng.integers(5, 9, 2))
    for turn in rng.permutation(4):
        sign = 1 if turn < 2 else -1
        across = turn % 2 == 0
        x = host.x + (sign * (host.width + long) / 2 if across else 0.0)
        y = host.y + (0.0 if across else sign * (host.depth + deep) / 2)
        inside = long < x < scene.board.width - long and deep < y < scene.board.height - deep
        clear = not any(
            abs(x - other.x) < (long + other.width) / 2 + 2 and abs(y - other.y) < (deep + other.depth) / 2 + 2
            for other in placed
            if other is not host
        )
        if inside and clear:
            power = float(rng.uniform(0.5, 1.0))
            return Part(name, x, y, long, deep, power=power, capacity=0.3, sheet=0.03, area_factor=3.0)
    return None


def _times(rng: np.random.Generator, number: int) -> Intervals:
    """Return when a load is on: from power-on; later; until before the end; only in the middle; twice."""
    late, early = float(rng.uniform(0.25, 0.6) * DURATION), float(rng.uniform(0.45, 0.6) * DURATION)
    kinds = (
        ((POWER_ON, np.inf),),
        ((late, np.inf),),
        ((POWER_ON, early),),
        ((0.3 * DURATION, 0.55 * DURATION),),
        ((POWER_ON, 0.3 * DURATION), (0.65 * DURATION, np.inf)),
    )
    return kinds[number % 5] if number < 5 else kinds[int(rng.integers(5))]


def switched_truth(scene: Scene, times: tuple[Intervals, ...], *, step: float) -> tuple[xr.Dataset, Array]:
    """Return the truth of a scene whose parts are heated at times of their own, and what each part's own heat adds.

    The heat system is linear: what each load alone does to the board adds up to the whole. Implicit Euler steps, all
    loads at once.

    Returns
    -------
    Dataset, (part, time, y, x) array
        The truth, and the rise that each load brings [K].
    """
    model = build_heat_model(scene)
    elapsed = np.arange(0.0, DURATION + step / 2, step)
    shape, count = model.capacity.shape, len(scene.parts)
    layers, mass = model.layers, model.of_board(model.capacity)
    solver = splu(csc_array(diags_array(mass) + step * model.matrix), permc_spec="MMD_AT_PLUS_A")
    cells = [scene.board.inside(part) for part in scene.parts]
    heat = np.stack([model.of_board(c * p.power / c.sum()) for c, p in zip(cells, scene.parts, strict=True)], axis=1)
    state = np.zeros((mass.size, count))
    own = np.zeros((count, elapsed.size, *shape), dtype=np.float32)
    near, above = (np.full((elapsed.size, *shape), scene.ambient.start) for _ in range(2))
    for number, now in enumerate(elapsed[1:], start=1):
        on = np.array([_share_on(intervals, now - step, now) for intervals in times])
        state = solver.solve(mass[:, None] * state + step * heat * on)
        own[:, number] = state[0::layers].T.reshape(count, *shape)
        near[number] += state[1::layers].sum(axis=1).reshape(shape)
        above[number] += state[layers - 1 :: layers].sum(axis=1).reshape(shape)
    surface = scene.ambient.start + own.sum(axis=0, dtype=np.float64)
    ambient = np.full(elapsed.size, scene.ambient.start)
    return describe(model, surface, (near, above), elapsed=elapsed, ambient=ambient), own


def _share_on(intervals: Intervals, start: float, end: float) -> float:
    return sum(max(min(end, off) - max(start, on), 0.0) for on, off in intervals) / (end - start)


def seen_rise(item: Switched, *, seed: int) -> xr.Dataset:
    """Return ``temperature_rise`` and ``temperature`` (time, y, x) as a camera and its correction would have them."""
    rng = np.random.default_rng(seed)
    truth, eye = item.truth, band(7.5, 14.0)
    room, surface = float(truth["ambient"][0]), truth["temperature"].to_numpy()
    emissivity, around = emissivity_map(item.scene), eye.radiance(room)
    leaving = emissivity * eye.radiance(surface) + (1 - emissivity) * around
    spot = BLUR / item.scene.board.cell
    seen = gaussian_filter(leaving, (0, spot, spot), mode="nearest")
    temperature = eye.temperature((seen - (1 - ASSUMED) * around) / ASSUMED)
    temperature += rng.normal(0, NOISE, temperature.shape) + rng.normal(0, PATTERN, temperature.shape[1:])
    board = truth["temperature_rise"]
    made = board.copy(data=temperature - room).astype(np.float32).to_dataset(name="temperature_rise")
    made["temperature"] = made["temperature_rise"] + np.float32(room)
    made["frames_used"] = xr.full_like(made["elapsed"], 4, dtype=np.int32)
    return made


def own_excess(item: Switched) -> Array:
    """Return by how much each part's own heat makes it hotter than the board right round it (part, time) [K].

    Of the rise that its load alone brings, as the optics show it: the hottest cell of the part less the median of a
    ring of board. What other parts do to it, and the slope that they lay under it, is none of its own.
    """
    cell = item.scene.board.cell
    spot = BLUR / cell
    found = np.empty(item.own.shape[:2])
    for number, part in enumerate(item.footprints):
        rise = gaussian_filter(item.own[number], (0, spot, spot), mode="nearest")
        inner = _grown(part, GUARD / cell)
        ring = _grown(part, (GUARD + RING) / cell) & ~inner
        found[number] = rise[:, part].max(axis=1) - np.median(rise[:, ring], axis=1)
    return found


def _grown(cells: npt.NDArray[np.bool_], steps: float) -> npt.NDArray[np.bool_]:
    return np.asarray(binary_dilation(cells, iterations=max(round(steps), 1)))
