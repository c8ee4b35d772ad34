"""Recordings with one planted fault, or none: boards, fans, cameras, handling, place and size drawn by a seed.

What is drawn is what such a fault may be where it matters, half a kelvin and more at what it spoils; nothing here knows
how it is looked for. Sound recordings are shaken, knocked, reached into and stepped by little as real ones are.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Final

import numpy as np
import xarray as xr

from heatwake.scene import (
    Ambient,
    Bulge,
    Bump,
    Camera,
    Clipping,
    Crease,
    Fault,
    FewLevels,
    Film,
    FilmPair,
    FilmTouch,
    Hand,
    Handling,
    MovingReflection,
    OffsetDrift,
    Overlay,
    OwnReflection,
    Part,
    RangeJump,
    Scene,
    Shake,
    Shutter,
    charger,
    click_corners,
    draw_board,
    exhaust_log,
    record,
    simulate,
    uncovered,
    write_frames,
    write_parts,
    write_session,
)

SHORT: Final = 30.0  # [s] after power-on with a frame each second
LATE_FRAMES: Final = 48
BOARDS: Final = range(40, 52)  # of ``draw_board``
SWAPS: Final = ("fan off", "fan reversed", "half a vent covered", "load stepped")  # the first two with a fan that runs


@dataclass
class Planted:
    """A recording in the making."""

    scene: Scene
    truth: xr.Dataset
    camera: Camera
    handling: Handling
    rng: np.random.Generator
    faults: tuple[Fault, ...] = ()
    logged: np.ndarray | None = None
    parts: Scene | None = None
    pair: bool = False
    events: list[tuple[float, str]] = field(default_factory=list)

    @property
    def elapsed(self) -> np.ndarray:
        return self.truth["elapsed"].values

    @property
    def hot(self) -> np.ndarray:
        """Final rise of the parts [K]."""
        return self.truth["part_rise_mean"].values[:, -1]


@cache
def base(number: int) -> tuple[Scene, xr.Dataset]:
    """Return an item and its truth until it has settled: the charger for even numbers, drawn boards for odd ones."""
    rng = np.random.default_rng([number, 71])
    ambient = Ambient(start=float(rng.uniform(19, 27)), drift=float(rng.uniform(-0.4, 0.4)))
    if number % 2 == 0:
        fan = ("out", "in", "off")[number // 2 % 3]
        scene = charger(fan=fan, left_vent=("open", "covered")[number // 6 % 2], cell=2.0, ambient=ambient)
        scene = scene.scaled(0.6 if fan == "off" else 1.0)
    else:
        board = draw_board(BOARDS[number // 2 % len(BOARDS)])
        scene = replace(board.with_fan(("out", "in")[number // 2 % 2]), ambient=ambient)
    scene = replace(scene, power_on=float(rng.integers(12, 40)), bench_offset=float(rng.uniform(-1.0, 1.0)))
    until = scene.power_on + 8 * (260 if number % 6 == 4 else 85 if number % 2 == 0 else 190)
    return scene, simulate(scene, times(scene.power_on, until))


def times(power_on: float, until: float) -> np.ndarray:
    """Return frames' times: each second until some time after power-on, then ever less often."""
    early = np.arange(0, power_on + SHORT, 1.0)
    return np.concatenate([early, early[-1] + (until - early[-1]) * np.linspace(0, 1, LATE_FRAMES + 1)[1:] ** 1.3])


def sound(seed: int, *, bases: int = 24) -> Planted:
    """Return a recording without fault of a seed."""
    rng = np.random.default_rng([seed, 5])
    scene, truth = base(int(rng.integers(bases)))
    camera = Camera(
        focal=350.0 * float(rng.uniform(0.94, 1.02)) * 160.0 / max(scene.board.width, 1.5 * scene.board.height, 150.0),
        tilt=float(rng.uniform(4, 18)),
        swing=float(rng.uniform(-9, 9)),
        roll=float(rng.uniform(-2, 2)),
        aim=(float(rng.uniform(-2, 2)), float(rng.uniform(-2, 2))),
        blur=float(rng.uniform(0.5, 0.9)),
        noise=float(rng.uniform(0.03, 0.07)),
        fixed_pattern=float(rng.uniform(0.01, 0.035)),
        offset=float(rng.uniform(-0.8, 0.8)),
        pattern_seed=int(rng.integers(1000)),
        supersampling=2,
    )
    end = float(truth["elapsed"][-1])
    some = rng.random(4)
    bumps, hands, shutters = (), (), ()
    if some[1] < 0.3:
        bumps = (
            Bump(float(rng.uniform(5, 0.7 * end)), *rng.uniform(-3, 3, 2), rotation=float(rng.uniform(-0.3, 0.3))),
        )
    if some[2] < 0.3:
        hands = tuple(Hand(float(rng.uniform(3, 0.8 * end)), 2.6) for _ in range(int(rng.integers(1, 3))))
    if some[3] < 0.4:
        shutters = tuple(
            Shutter(float(at), float(rng.uniform(-0.06, 0.06))) for at in rng.uniform(5, end, int(rng.integers(1, 4)))
        )
    shake = Shake(wander=float(rng.uniform(0.1, 0.6)), jitter=0.04) if some[0] < 0.5 else None
    handling = Handling(shake=shake, bumps=bumps, hands=hands, shutters=shutters)
    return Planted(scene, truth, camera, handling, np.random.default_rng([seed, 6]))


def _pattern(one: Planted) -> Planted:
    warm = float(one.rng.uniform(3, 8) * one.rng.choice([-1, 1]))
    return replace(one, truth=one.truth.assign(mirrored_offset=warm))


def _moving(one: Planted) -> Planted:
    rng = one.rng
    path = (tuple(rng.uniform(0.1, 0.9, 2)), tuple(rng.uniform(0.1, 0.9, 2)))
    while np.hypot(*np.subtract(*path)) < 0.3:
        path = (tuple(rng.uniform(0.1, 0.9, 2)), tuple(rng.uniform(0.1, 0.9, 2)))
    end = float(one.elapsed[-1])
    fault = MovingReflection(
        excess=float(rng.uniform(8, 40)),
        path=path,
        period=float(np.exp(rng.uniform(np.log(20), np.log(0.5 * end)))),
        radius=float(rng.uniform(6, 18)),
        flicker=float(rng.choice([0.0, 0.4])),
        seed=int(rng.integers(1000)),
    )
    return replace(one, faults=(fault,))


def _own(one: Planted) -> Planted:
    rng = one.rng
    centre = tuple(rng.uniform(-0.13, 0.13, 2))
    return replace(
        one, faults=(OwnReflection(float(rng.uniform(7, 20)), centre=centre, radius=float(rng.uniform(0.12, 0.28))),)
    )


def _crease(one: Planted) -> Planted:
    rng, board = one.rng, one.scene.board
    size = np.array([board.width, board.height])
    while True:
        middle, angle = rng.uniform(0.3, 0.7, 2) * size, rng.uniform(0, np.pi)
        length = rng.uniform(0.6, 1.1) * board.height
        way = 0.5 * length * np.array([np.cos(angle), np.sin(angle)])
        ends = middle - way, middle + way
        if all((end > 0.02 * size).all() and (end < 0.98 * size).all() for end in ends):
            break
    crease = Crease(
        tuple(ends[0]),
        tuple(ends[1]),
        loss=float(rng.uniform(0.05, 0.15)),
        width=float(rng.uniform(0.7, 1.5)),
        bow=float(rng.uniform(-0.03, 0.03) * length),
    )
    return replace(one, faults=(crease,))


def _touch(one: Planted, *, throughout: bool = False) -> Planted:
    rng = one.rng
    hottest = np.argsort(one.hot)[-3:]
    part = one.scene.parts[int(rng.choice(hottest))]
    begins = float(rng.uniform(0.1, 0.75) * one.elapsed[-1])
    ends = begins + float(rng.uniform(0.08, 0.3) * one.elapsed[-1]) if rng.random() < 0.5 else float("inf")
    if throughout:
        begins, ends = -60.0, float("inf")
    fault = FilmTouch(
        part.name,
        centre=(part.x + float(rng.uniform(-3, 3)), part.y + float(rng.uniform(-3, 3))),
        size=(part.width / 2 + float(rng.uniform(1, 5)), part.depth / 2 + float(rng.uniform(1, 5))),
        begins=begins,
        ends=ends,
        absorptance=float(rng.uniform(0.03, 0.08)),
    )
    return replace(one, faults=(fault,))


def _bulge(one: Planted) -> Planted:
    rng = one.rng
    cold = rng.random() < 0.5
    begins = float(rng.uniform(4, one.scene.power_on - 5) if cold else rng.uniform(0.1, 0.6) * one.elapsed[-1])
    fault = Bulge(
        begins,
        excess=float(rng.uniform(6, 14) * rng.choice([-1, 1])),
        centre=tuple(rng.uniform(0.35, 0.65, 2)),
        settle=float(rng.uniform(0.3, 1.0)),
    )
    return replace(one, faults=(fault,), events=[(round(begins, 1), "fan on")])


def _film(one: Planted) -> Planted:
    rng = one.rng
    clear = float(rng.uniform(0.55, 0.79))
    mirrored = float(rng.uniform(0.06, 0.15))
    optics = {"film_transmittance": clear, "film_reflectance": mirrored, "film_absorptance": 1 - clear - mirrored}
    film = replace(
        one.scene.film or Film(), transmittance=clear, reflectance=mirrored, absorptance=1 - clear - mirrored
    )
    return replace(
        one, truth=one.truth.assign(optics), scene=replace(one.scene, film=film), pair=bool(rng.random() < 0.5)
    )


def _blur(one: Planted) -> Planted:
    return replace(one, camera=replace(one.camera, blur=float(one.rng.uniform(1.9, 3.5))))


def _small(one: Planted) -> Planted:
    rng, board = one.rng, one.scene.board
    side = rng.uniform(1.0, 3.0, 2)
    part = Part("R9", *(rng.uniform(0.2, 0.8, 2) * (board.width, board.height)), float(side.min()), float(side.max()))
    return replace(one, parts=replace(one.scene, parts=(*one.scene.parts, part)))


def _drift(one: Planted) -> Planted:
    rng, end = one.rng, float(one.elapsed[-1])
    begins = float(rng.choice([0.0, one.scene.power_on]))
    settle = float(rng.uniform(0.06, 0.7) * end)
    size = float(rng.uniform(0.7, 3.0) * rng.choice([-1, 1])) / (1 - np.exp(-end / settle))
    return replace(one, faults=(OffsetDrift(size, settle, begins, shading=float(rng.uniform(-0.5, 0.5))),))


def _steps(one: Planted) -> Planted:
    rng = one.rng
    at = np.sort(rng.uniform(3, 0.95 * one.elapsed[-1], int(rng.integers(1, 4))))
    steps = tuple(Shutter(float(when), float(rng.uniform(0.35, 1.0) * rng.choice([-1, 1]))) for when in at)
    return replace(one, handling=replace(one.handling, shutters=steps))


def _range(one: Planted) -> Planted:
    rng = one.rng
    begins = float(rng.uniform(0.1, 0.9) * one.elapsed[-1])
    gain = 1 + float(rng.uniform(0.02, 0.08) * rng.choice([-1, 1]))
    return replace(one, faults=(RangeJump(begins, gain, about=float(rng.uniform(0, 30))),))


def _clipped(one: Planted) -> Planted:
    room, highest = one.scene.ambient.start, float(one.truth["part_rise_max"].values[:, -1].max())
    at = room + 0.88 * highest * float(one.rng.uniform(0.55, 0.9))
    return replace(one, faults=(Clipping(highest=round(at, 1)),))


def _levels(one: Planted) -> Planted:
    return replace(one, faults=(FewLevels(float(one.rng.uniform(0.25, 1.2))),))


def _overlay(one: Planted) -> Planted:
    rng = one.rng
    boxes = tuple((part.x, part.y, part.width, part.depth) for part in one.scene.parts)
    shift = tuple(rng.uniform(-2.5, 2.5, 2))
    strength = float(rng.uniform(0.6, 3.0) * rng.choice([-1, 1]))
    fault = Overlay(strength, shift, traces=int(rng.integers(10, 40)), seed=int(rng.integers(1000)), boxes=boxes)
    return replace(one, faults=(fault,))


def _ambient(one: Planted) -> Planted:
    rise = np.nan_to_num(one.truth["exhaust_rise"].values)
    if rise[-1] < 1.0:  # the fan stands: warm air rises past the sensor
        rise = 0.12 * one.truth["temperature_rise"].mean(("y", "x")).values
        one = replace(one, truth=one.truth.assign(exhaust_rise=("time", rise)))
    share = float(one.rng.uniform(0.8, 4.0)) / float(rise[-1])
    return replace(one, logged=exhaust_log(one.truth, share=share, lag=float(one.rng.uniform(10, 60))))


def _early(one: Planted) -> Planted:
    slow = one.truth["part_time_constant"].values
    stop = one.scene.power_on + float(one.rng.uniform(0.8, 2.2)) * float(np.nanmedian(slow))
    return replace(one, truth=one.truth.isel(time=one.elapsed <= max(stop, one.scene.power_on + 20)))


def _touch_throughout(one: Planted) -> Planted:
    return _touch(one, throughout=True)


def _swapped(one: Planted, *, noted: bool) -> Planted:
    """Change fan, vent or load during the recording, as somebody does who tries states one after the other."""
    rng, scene = one.rng, one.scene
    end = float(one.elapsed[-1])
    elapsed = np.concatenate([np.arange(0, scene.power_on + SHORT, 1.0), np.linspace(scene.power_on + SHORT, end, 160)])
    elapsed = np.unique(elapsed)
    at = float(rng.uniform(0.25, 0.45) * end)
    runs = any(opening.flow for opening in scene.openings)
    kind = str(rng.choice(SWAPS if runs else SWAPS[2:]))
    if kind == "fan off":
        then = [(at, scene.with_fan("off")), (at + 120.0, scene)]
    elif kind == "fan reversed":
        then = [(at, replace(scene, openings=tuple(replace(one, flow=-one.flow) for one in scene.openings)))]
    elif kind == "half a vent covered":
        then = [(at, _half_covered(scene, rng))]
    else:
        then = [(at, scene.scaled(float(rng.choice([rng.uniform(0.4, 0.8), rng.uniform(1.15, 1.5)]))))]
    labels = [kind, "fan on"][: len(then)]
    late = rng.uniform(-2.0, 2.0, len(then))  # by somebody's watch
    events = [(round(when + off, 1), label) for (when, _), label, off in zip(then, labels, late, strict=True)]
    return replace(one, truth=simulate(scene, elapsed, then=then), events=events if noted else [])


def _half_covered(scene: Scene, rng: np.random.Generator) -> Scene:
    vents = [opening for opening in scene.openings if opening.kind == "vent"]
    vent = vents[int(rng.integers(len(vents)))]
    middle = ((vent.start[0] + vent.end[0]) / 2, (vent.start[1] + vent.end[1]) / 2)
    half = replace(vent, end=middle) if rng.random() < 0.5 else replace(vent, start=middle)
    return replace(scene, openings=tuple(half if opening is vent else opening for opening in scene.openings))


SOUND: Final[dict[str, Callable[[Planted], Planted]]] = {
    "sound": lambda one: one,
    "sound, swaps noted": lambda one: _swapped(one, noted=True),
    "sound, swaps not noted": lambda one: _swapped(one, noted=False),
}
PLANTS: Final[dict[str, Callable[[Planted], Planted]]] = {
    "emissivity pattern": _pattern,
    "moving reflection": _moving,
    "own reflection": _own,
    "film crease": _crease,
    "film touches a part": _touch,
    "film touches a part throughout": _touch_throughout,
    "film bulge": _bulge,
    "film layers": _film,
    "out of focus": _blur,
    "part too small": _small,
    "offset drift": _drift,
    "offset steps": _steps,
    "range jump": _range,
    "clipping": _clipped,
    "few levels": _levels,
    "visible overlay": _overlay,
    "ambient sensor": _ambient,
    "unsettled end": _early,
}


def write_case(kind: str, *, seed: int, folder: Path, bases: int = 24) -> Path:
    """Write the session folder of a recording of one kind, of ``SOUND`` or ``PLANTS``; return it."""
    one = (SOUND | PLANTS)[kind](sound(seed, bases=bases))
    recording = record(one.truth, one.camera, one.handling, rng=one.rng, faults=one.faults)
    pair = _write_pair(one, folder) if one.pair else None
    write_session(
        folder,
        one.scene,
        recording=recording,
        title=f"{kind}, seed {seed}",
        corners=click_corners(recording, error=0.2, rng=one.rng),
        conditions={"power_W": round(one.scene.power, 2)},
        film_pair=pair,
        logged=one.logged,
    )
    write_parts(folder / "parts.csv", one.parts or one.scene)
    with (folder / "session.toml").open("a") as file:
        for elapsed, label in one.events:
            file.write(f'[[events]]\nelapsed_s = {elapsed}\nlabel = "{label}"\n')
    return folder


def _write_pair(one: Planted, folder: Path) -> FilmPair:
    """Write a pair of short recordings of the settled item, film off and on."""
    settled = one.truth.isel(time=slice(-6, None))
    for name, truth in (("bare", uncovered(settled)), ("covered", settled)):
        write_frames(folder / f"{name}.tif", record(truth, one.camera, Handling(), rng=one.rng))
    return FilmPair("bare.tif", "covered.tif")
