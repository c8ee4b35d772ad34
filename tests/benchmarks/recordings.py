"""Long recordings with known contents, made quickly: ``python tests/benchmarks/recordings.py FOLDER --frames 3000``.

The charger of ``heatwake.scene`` under its film, 30 frames a second: ten seconds cold, then power on. The scene renders
the picture at a few times only; between them each pixel is interpolated, for the board warms slowly. Each frame is then
moved by a fraction of a pixel, gets noise of its own and is stored, so memory does not grow with the number of frames.
Half-way the camera is knocked; once it shuts its shutter; once a hand reaches in for three seconds.
"""

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pandas as pd
import tifffile

from heatwake.scene import Bump, Camera, Hand, Handling, Recording, Shutter, charger, click_corners, record, simulate
from heatwake.scene.recording import HAND_CELSIUS, hand_cover
from heatwake.scene.session_files import session_text, write_parts

Frame = npt.NDArray[np.float32]

RATE = 30.0  # [Hz]
POWER_ON = 10.0  # [s]
JITTER = 0.02  # [px rms] of a camera on a stand
SHAKE = 0.5  # [px rms] of one held in the hand
SHAKE_PERIODS = (0.13, 0.31, 0.8, 2.3, 6.0, 17.0)  # [s]: tremor to sway
KNOCK = (1.2, -0.9)  # [px] right and down, 1.5 px in all
STEP = 0.22  # [K] of the camera's offset at its shutter
HAND_S = 3.0  # [s]
TAPS = 9  # of the filter that moves a picture by a fraction of a pixel
LARGEST_CLASSIC = 4 * 10**9  # bytes of pixels from which the stack becomes a BigTIFF, as tifffile itself does


@dataclass(frozen=True)
class Wanted:
    """Which recording: size [px], number of frames, held in the hand or not, seed, frames a second."""

    columns: int = 640
    rows: int = 512
    frames: int = 3000
    shake: bool = False
    seed: int = 7
    rate: float = RATE

    @property
    def name(self) -> str:
        """A folder's name that says all of this."""
        return f"{self.columns}x{self.rows}_{self.frames}{'_shake' if self.shake else ''}_{self.seed}"

    @property
    def camera(self) -> Camera:
        """A camera that sees the board as large in its picture, whatever its number of pixels."""
        return Camera(
            columns=self.columns,
            rows=self.rows,
            focal=350.0 * self.columns / 160,
            noise=0.040,
            zero=0.0,
            supersampling=2,
        )

    @property
    def elapsed(self) -> npt.NDArray[np.float64]:
        """Time of each frame [s]."""
        return np.arange(self.frames) / self.rate

    @property
    def handling(self) -> Handling:
        """One hand, one knock, one shutter, at shares of the recording that keep them apart."""
        end = self.frames / self.rate
        return Handling(
            bumps=(Bump(0.5 * end, *KNOCK),),
            shutters=(Shutter(0.65 * end, STEP),),
            hands=(Hand(0.78 * end, min(HAND_S, 0.1 * end)),),
        )


def cached(cache: Path, wanted: Wanted) -> Path:
    """Return the session folder of a recording below a cache folder, written if it is not there whole."""
    folder = cache / wanted.name
    if not (folder / "session.toml").is_file():
        write_recording(folder, wanted)
    return folder


def write_recording(folder: Path, wanted: Wanted) -> None:
    """Write a session folder; ``session.toml`` comes last, so a folder that has it is whole."""
    folder.mkdir(parents=True, exist_ok=True)
    scene = charger(fan="out")
    shown = _Pictures(wanted)
    _write_stack(folder / "frames.tif", wanted, _frames(wanted, shown))
    pd.DataFrame({"time": wanted.elapsed}).to_csv(folder / "times.csv", index=False, float_format="%.4f")
    logged = np.append(np.arange(0, wanted.elapsed[-1], 10.0), wanted.elapsed[-1])
    log = pd.DataFrame({"elapsed_s": logged, "ambient_degC": scene.ambient.at(logged)})
    log.to_csv(folder / "ambient.csv", index=False, float_format="%.2f")
    write_parts(folder / "parts.csv", scene)
    text = session_text(
        scene,
        wanted.camera,
        title=f"Charger, {wanted.frames} frames of {wanted.columns}x{wanted.rows}",
        corners=click_corners(shown.still, error=0.1, rng=np.random.default_rng(wanted.seed)),
        conditions={"fan": "out", "power_W": round(scene.power, 2), "max_ambient_degC": 45.0},
        film_pair=None,
        parts="parts.csv",
    )
    (folder / "session.toml").write_text(text, encoding="utf-8")


def _write_stack(path: Path, wanted: Wanted, frames: Iterator[npt.NDArray[np.uint16]]) -> None:
    tifffile.imwrite(
        path,
        frames,
        shape=(wanted.frames, wanted.rows, wanted.columns),
        dtype=np.uint16,
        photometric="minisblack",
        compression="zlib",
        bigtiff=wanted.frames * wanted.rows * wanted.columns * 2 > LARGEST_CLASSIC,
    )


def rendered_times(last: float) -> npt.NDArray[np.float64]:
    """Return when the scene is rendered [s]: every half second after power-on, then ever more seldom.

    Steps double, so that the scene has few systems of equations to factor.

    Examples
    --------
    >>> rendered_times(12.0).tolist()
    [0.0, 5.0, 10.0, 10.5, 11.0, 11.5, 12.0]
    """
    times = [0.0, 5.0, POWER_ON]
    while times[-1] < last:
        doublings = int(np.log2(max(1.0, (times[-1] - POWER_ON) / 7.0)))
        times.append(times[-1] + 0.5 * 2 ** min(doublings, 5))
    return np.array(times)


class _Pictures:
    """What the camera would store without noise, as fractional numbers, at any time before or after the knock."""

    def __init__(self, wanted: Wanted) -> None:
        self.times = rendered_times(float(wanted.elapsed[-1]))
        truth = simulate(charger(fan="out"), self.times)
        knocked = Handling(bumps=(Bump(-1.0, *KNOCK),))
        self.still = record(truth, wanted.camera, Handling(), rng=np.random.default_rng(wanted.seed))
        self.moved = record(truth, wanted.camera, knocked, rng=np.random.default_rng(wanted.seed))
        self._held: dict[tuple[bool, int], Frame] = {}

    def at(self, elapsed: float, *, moved: bool) -> Frame:
        before = min(int(np.searchsorted(self.times, elapsed, side="right")) - 1, self.times.size - 2)
        share = np.float32((elapsed - self.times[before]) / (self.times[before + 1] - self.times[before]))
        self._held = {key: value for key, value in self._held.items() if key[1] >= before}
        first, second = (self._render(index, moved=moved) for index in (before, before + 1))
        return first + share * (second - first)

    def _render(self, index: int, *, moved: bool) -> Frame:
        if (moved, index) not in self._held:
            recording: Recording = self.moved if moved else self.still
            camera = recording.camera
            celsius = camera.band.temperature(recording.clean(index)) + camera.offset
            self._held[moved, index] = ((celsius - camera.zero) / camera.scale).astype(np.float32)
        return self._held[moved, index]


def _frames(wanted: Wanted, shown: _Pictures) -> Iterator[npt.NDArray[np.uint16]]:
    """Yield each frame as stored."""
    camera, handling, elapsed = wanted.camera, wanted.handling, wanted.elapsed
    rng = np.random.default_rng(wanted.seed)
    fixed = _counts(camera, camera.pattern() / float(camera.band.slope(30.0)))
    hand = np.float32((HAND_CELSIUS + camera.offset - camera.zero) / camera.scale)
    noise = np.float32(camera.noise / camera.scale)
    (bump,), (shutter,) = handling.bumps, handling.shutters
    shifts = _unrest(wanted, rng)
    stored: npt.NDArray[np.uint16] = np.zeros((wanted.rows, wanted.columns), np.uint16)
    for now, shift in zip(elapsed, shifts, strict=True):
        grain = rng.standard_normal(fixed.shape, dtype=np.float32)
        if not shutter.elapsed < now <= shutter.elapsed + shutter.frozen:
            picture = translate(shown.at(float(now), moved=bool(now >= bump.elapsed)), shift)
            cover = hand_cover(handling, camera, float(now))
            if cover is not None:
                picture += cover.astype(np.float32) * (hand - picture)
            step = shutter.step / camera.scale if now > shutter.elapsed else 0.0
            stored = np.rint(picture + fixed + noise * grain + np.float32(step)).astype(np.uint16)
        yield stored


def _counts(camera: Camera, kelvin: npt.NDArray[np.float64]) -> Frame:
    return (kelvin / camera.scale).astype(np.float32)


def true_shifts(wanted: Wanted) -> npt.NDArray[np.float64]:
    """Return the picture's shift right and down in each frame (frame, 2) [px]."""
    knocked = wanted.elapsed >= wanted.handling.bumps[0].elapsed
    return _unrest(wanted, np.random.default_rng(wanted.seed)) + np.where(knocked[:, None], KNOCK, 0.0)


def _unrest(wanted: Wanted, rng: np.random.Generator) -> npt.NDArray[np.float64]:
    """Return the shift of each frame but for the knock."""
    if not wanted.shake:
        return JITTER * rng.standard_normal((wanted.frames, 2))
    phase = rng.uniform(0, 2 * np.pi, (len(SHAKE_PERIODS), 2))
    angle = 2 * np.pi * wanted.elapsed[:, None, None] / np.array(SHAKE_PERIODS)[:, None] + phase
    moves = SHAKE * np.sin(angle).sum(axis=1) / np.sqrt(len(SHAKE_PERIODS) / 2)
    return np.asarray(moves - moves[0])


def translate(picture: Frame, shift: npt.NDArray[np.float64]) -> Frame:
    """Return a picture moved right and down by ``shift`` [px], by a windowed sinc along each axis.

    Examples
    --------
    >>> column = np.arange(40.0, dtype=np.float32) * np.ones((12, 1), np.float32)
    >>> translate(column, np.array([0.25, 0.0]))[6, 18:21].round(3).tolist()
    [17.75, 18.75, 19.75]
    """
    right, down = (_taps(float(part)) for part in shift)
    return np.asarray(cv2.sepFilter2D(picture, cv2.CV_32F, right, down, borderType=cv2.BORDER_REPLICATE))


def _taps(shift: float) -> npt.NDArray[np.float64]:
    """Return the filter that moves a row by ``shift`` [px], up to half its length (correlation: reversed)."""
    whole = TAPS + 2 * round(abs(shift))
    place = np.arange(whole) - whole // 2 + shift
    taps = np.sinc(place) * np.cos(np.pi * place / (whole + 1 + 2 * abs(shift))) ** 2
    taps /= taps.sum()
    astray = (taps * place).sum()  # what a slope would be moved too far, taken off with a central difference
    taps[whole // 2 - 1 : whole // 2 + 2] += astray * np.array([0.5, 0.0, -0.5])
    return np.asarray(taps)


def size(text: str) -> tuple[int, int]:
    """Return columns and rows of a size like ``640x512``.

    Examples
    --------
    >>> size("640x512")
    (640, 512)
    """
    columns, rows = text.lower().split("x")
    return int(columns), int(rows)


def main() -> None:
    """Write one recording."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--size", default=(640, 512), type=size)
    parser.add_argument("--frames", default=3000, type=int)
    parser.add_argument("--shake", action="store_true")
    asked = parser.parse_args()
    columns, rows = asked.size
    write_recording(asked.folder, Wanted(columns, rows, asked.frames, shake=asked.shake))


if __name__ == "__main__":
    main()
