"""The same job as a notebook would do it: ``python tests/benchmarks/notebook_way.py SESSION RESULTS [--every 10]``.

Frame by frame with the usual libraries, as their documentation advises: tifffile page by page, numpy, scikit-image's
``phase_cross_correlation`` and ``warp``, scipy, pandas, xarray to NetCDF. No code is shared with heatwake: it is
a measure of speed and a second opinion on the numbers: rise maps, regions with their series and steady ends, and their
uncertainties. Not made here: the flow; whoever compares counts heatwake's flow stage on both sides.

Registration asks for care. On a board of little print, plain phase correlation locks on the sensor's fixed pattern, and
correlation to a cold picture follows the heat. So each frame is correlated, in a band of contrast, with the mean of
the second before it, and only lasting jumps add up: the camera stands on a stand and is knocked now and then.
"""

import argparse
import json
import sys
import time
import tomllib
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import tifffile
import xarray as xr
from scipy import ndimage
from scipy.constants import c, h, k, zero_Celsius
from scipy.integrate import trapezoid
from scipy.optimize import OptimizeWarning, curve_fit
from scipy.signal import find_peaks
from skimage.draw import polygon2mask
from skimage.feature import peak_local_max
from skimage.filters import difference_of_gaussians, gaussian
from skimage.measure import label, regionprops
from skimage.registration import phase_cross_correlation
from skimage.transform import ProjectiveTransform, estimate_transform, warp

Array = npt.NDArray[np.float64]

UPSAMPLE = 50  # a fiftieth of a pixel
BAND = (1.5, 8.0)  # [px] of the difference of Gaussians
KNOCK_PX, KNOCK_FRAMES = 0.25, 5  # so far off for so many frames on end: the camera was knocked
HAND_K, HAND_SHARE = 4.0, 0.005  # so warm against the second before, over such a share: something is in the way
SHUTTER_K = 0.1  # smallest step common to all pixels
STEPS = (2.5, 2.0, 1.0, 0.5, 0.25, 0.2, 0.1)  # [mm] of the board's grid
U_EMISSIVITY, U_REFLECTED, U_FILM, U_TAU, U_RHO, U_AMBIENT, U_DRIFT = 0.02, 3.0, 3.0, 0.01, 0.02, 0.2, 0.1


@dataclass
class Session:
    """What the session's files say."""

    about: dict[str, Any]
    stack: tifffile.TiffFile
    elapsed: Array
    ambient: Array
    parts: pd.DataFrame

    def celsius(self, index: int) -> Array:
        """Return one frame as temperatures [degC]."""
        frames = self.about["frames"]
        return self.stack.pages[index].asarray() * frames["scale"] + frames["offset"]


def read_session(folder: Path) -> Session:
    """Read the description; the stack stays on disk."""
    about = tomllib.loads((folder / "session.toml").read_text())
    elapsed = pd.read_csv(folder / about["frames"]["timestamps"]).iloc[:, 0].to_numpy()
    log = pd.read_csv(folder / about["ambient"]["log"])
    parts = pd.read_csv(folder / about["board"]["parts"])
    ambient = np.interp(elapsed, log["elapsed_s"], log["ambient_degC"])
    return Session(about, tifffile.TiffFile(folder / about["frames"]["source"]), elapsed, ambient, parts)


@dataclass
class Radiance:
    """In-band radiance of a black body by temperature, tabulated: Planck's law integrated by the trapezoidal rule."""

    celsius: Array
    radiance: Array

    @staticmethod
    def of_band(low: float, high: float) -> "Radiance":
        """Tabulate a band given in um."""
        celsius = np.arange(-20.0, 250.0, 0.05)
        wavelength = np.linspace(low, high, 400) * 1e-6
        kelvin = celsius[:, None] + zero_Celsius
        spectral = 2 * h * c**2 / wavelength**5 / np.expm1(h * c / (wavelength * k * kelvin))
        return Radiance(celsius, trapezoid(spectral, wavelength, axis=1))

    def __call__(self, celsius: Any) -> Array:
        """Return the radiance of temperatures."""
        return np.interp(celsius, self.celsius, self.radiance)

    def inverse(self, radiance: Array) -> Array:
        """Return the temperatures of radiances."""
        return np.interp(radiance, self.radiance, self.celsius)


@dataclass
class Motion:
    """Shift of each frame (frame, 2) [px, right and down], whether it can be used, the camera's offset [K]."""

    shift: Array
    usable: npt.NDArray[np.bool_]
    offset: Array


def follow(session: Session, chosen: npt.NDArray[np.intp]) -> Motion:
    """Register the chosen frames, and find repeats, hands and shutters."""
    count = len(chosen)
    motion = Motion(np.zeros((count, 2)), np.ones(count, bool), np.zeros(count))
    bench = outside(session.about["board"]["corners_px"], session.stack.pages[0].shape)
    level, before, memory = np.zeros(count), None, _Second()
    for number, index in enumerate(chosen):
        frame = session.celsius(int(index))
        level[number] = np.median(frame[bench])
        repeat = before is not None and np.array_equal(frame, before)
        before = frame
        motion.usable[number] = not (repeat or memory.is_covered(frame))
        motion.shift[number] = memory.place
        if motion.usable[number]:
            motion.shift[number] = memory.register(frame, float(session.elapsed[index]))
    motion.offset = shutter_steps(level - session.ambient[chosen], motion.usable)
    return motion


class _Second:
    """The mean picture of the second before, and where the camera has been knocked to."""

    def __init__(self) -> None:
        self.place = np.zeros(2)
        self.plain: Array | None = None  # what frames are compared with: as they are ...
        self.banded: Array | None = None  # ... and in the band of contrast
        self.since = 0.0
        self.kept: list[tuple[Array, Array]] = []
        self.off: list[tuple[Array, Array, Array]] = []

    def is_covered(self, frame: Array) -> bool:
        return self.plain is not None and float(np.mean(np.abs(frame - self.plain) > HAND_K)) > HAND_SHARE

    def register(self, frame: Array, now: float) -> Array:
        """Return the shift of a frame from the first."""
        banded = difference_of_gaussians(frame, *BAND)
        if self.banded is None:
            self.plain, self.banded, self.since = frame, banded, now
        found, _, _ = phase_cross_correlation(self.banded, banded, upsample_factor=UPSAMPLE, normalization=None)
        shift = -found[::-1]
        place = self.place + shift
        if np.hypot(*shift) < KNOCK_PX:
            self.kept.append((frame, banded))
            self.off = []
        else:
            self.off.append((frame, banded, shift))
        if len(self.off) == KNOCK_FRAMES:
            self.place = self.place + np.mean([one for _, _, one in self.off], axis=0)
            self.kept, self.off = [(plain, band) for plain, band, _ in self.off], []
            self._start(now)
        elif now - self.since >= 1.0 and self.kept:
            self._start(now)
        return place

    def _start(self, now: float) -> None:
        self.plain, self.banded = (np.mean(pictures, axis=0) for pictures in zip(*self.kept, strict=True))
        self.since, self.kept = now, []


def outside(corners: list[list[float]], shape: tuple[int, ...]) -> npt.NDArray[np.bool_]:
    """Return the pixels well outside the board: the bench, which is as warm as the room."""
    inside = polygon2mask(shape, np.array(corners)[:, ::-1])
    return ~ndimage.binary_dilation(inside, iterations=max(2, shape[1] // 40))


def shutter_steps(level: Array, usable: npt.NDArray[np.bool_]) -> Array:
    """Return the camera's offset so far [K] from the bench's level above the room's temperature."""
    series = pd.Series(np.where(usable, level, np.nan)).ffill()
    middle = series.rolling(5).median()
    apart = (middle.shift(-5) - middle).fillna(0.0).to_numpy()
    peaks, _ = find_peaks(np.abs(apart), height=SHUTTER_K, distance=15)
    steps = np.zeros(len(level))
    steps[peaks + 1] = apart[peaks]
    return np.cumsum(steps)


def grid(about: dict[str, Any]) -> tuple[Array, Array, ProjectiveTransform]:
    """Return x, y of the board's grid [mm] and the transform from its (column, row) to the first frame's pixels."""
    board, corners = about["board"], np.array(about["board"]["corners_px"])
    width, height = board["width_mm"], board["height_mm"]
    pixel = 2 * (width + height) / np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1).sum()
    step = next(step for step in STEPS if step <= pixel * 1.001)
    x = np.arange(step / 2, width, step)
    y = np.arange(step / 2, height, step)[::-1]
    ends = np.array([[0, 0], [width, 0], [width, height], [0, height]]) / step - 0.5
    return x, y, estimate_transform("projective", ends, corners)


def average(session: Session, chosen: npt.NDArray[np.intp], motion: Motion) -> xr.Dataset:
    """Return the leaving radiance on the board's grid, each second's mean (time, y, x)."""
    x, y, to_pixels = grid(session.about)
    planck = Radiance.of_band(*session.about["camera"]["band_um"])
    second = np.floor(session.elapsed[chosen] + 1e-6).astype(int)
    maps, times, used = [], [], []
    for _, numbers in pd.Series(np.arange(len(chosen))).groupby(second):
        good = [number for number in numbers if motion.usable[number]]
        total = np.zeros((y.size, x.size))
        for number in good:
            index = int(chosen[number])
            leaving = remove_film(session, planck, session.celsius(index) - motion.offset[number], index)
            moved = ProjectiveTransform(translation(motion.shift[number]) @ to_pixels.params)
            total += warp(leaving, moved, output_shape=total.shape, order=3, cval=np.nan, preserve_range=True)
        maps.append((total / len(good) if good else total * np.nan).astype(np.float32))
        times.append(session.elapsed[chosen[good or list(numbers)]].mean())
        used.append(len(good))
    return xr.Dataset(
        {"radiance": (("time", "y", "x"), np.array(maps)), "frames_used": ("time", used)},
        coords={"elapsed": ("time", times), "x": x, "y": y},
    ).assign(ambient=("time", np.interp(times, session.elapsed, session.ambient)))


def translation(shift: Array) -> Array:
    """Return the homogeneous matrix of a shift."""
    return np.array([[1, 0, shift[0]], [0, 1, shift[1]], [0, 0, 1]], dtype=float)


def remove_film(session: Session, planck: Radiance, celsius: Array, index: int) -> Array:
    """Return the radiance that leaves the board: the film's emission and mirror image taken off, film at ambient."""
    film, ambient = session.about["film"], planck(session.ambient[index])
    return (planck(celsius) - (1 - film["transmittance"]) * ambient) / film["transmittance"]


def rise_maps(session: Session, maps: xr.Dataset) -> xr.Dataset:
    """Return temperature, rise, their uncertainties and validity, zeroed on the cold board."""
    planck = Radiance.of_band(*session.about["camera"]["band_um"])
    emissivity, ambient = emissivity_map(session, maps), maps["ambient"].to_numpy()
    cold = (maps["elapsed"] < session.about["events"][0]["elapsed_s"] - 0.5).to_numpy()
    zero = np.nanmedian(maps["radiance"].to_numpy()[cold], axis=0) - planck(ambient[cold].mean())
    names = ("temperature", "temperature_rise", "temperature_uncertainty", "rise_noise")
    made = {name: np.empty(maps["radiance"].shape, np.float32) for name in names}
    for number, radiance in enumerate(maps["radiance"].to_numpy()):
        room = planck(ambient[number])
        temperature = planck.inverse((radiance - zero - (1 - emissivity) * room) / emissivity)
        made["temperature"][number] = temperature
        made["temperature_rise"][number] = temperature - ambient[number]
        frames = (float(maps["frames_used"][number]), float(maps["frames_used"].to_numpy()[cold].sum()))
        whole, noise = uncertainty(session, planck, temperature, emissivity, ambient=ambient[number], frames=frames)
        made["temperature_uncertainty"][number], made["rise_noise"][number] = whole, noise
    dims = ("time", "y", "x")
    result = maps.drop_vars("radiance").assign({name: (dims, values) for name, values in made.items()})
    result["valid"] = result["temperature"].notnull().astype(np.int8)
    return result.assign(emissivity=(("y", "x"), emissivity))


def emissivity_map(session: Session, maps: xr.Dataset) -> Array:
    """Return the emissivity (y, x): the board's, and the parts' on it, small ones over large ones."""
    surface = np.full((maps.sizes["y"], maps.sizes["x"]), session.about["surface"]["emissivity"])
    parts = session.parts.assign(area=session.parts["width_mm"] * session.parts["height_mm"])
    for part in parts.sort_values("area", ascending=False).itertuples():
        surface[rectangle(part, maps)] = part.emissivity
    return surface


def rectangle(part: Any, maps: xr.Dataset, rim: int = 0) -> tuple[slice, slice]:
    """Return (rows, columns) of the pixels whose centres lie in a part, less a rim."""
    rows = np.flatnonzero(np.abs(maps["y"].to_numpy() - part.y_mm) <= part.height_mm / 2)
    columns = np.flatnonzero(np.abs(maps["x"].to_numpy() - part.x_mm) <= part.width_mm / 2)
    return slice(rows[0] + rim, rows[-1] + 1 - rim), slice(columns[0] + rim, columns[-1] + 1 - rim)


def uncertainty(
    session: Session,
    planck: Radiance,
    temperature: Array,
    emissivity: Array,
    *,
    ambient: float,
    frames: tuple[float, float],
) -> tuple[Array, Array]:
    """Return the standard uncertainty of a temperature map and the part of it that is noise [K], independent terms."""
    film = session.about["film"]
    tau, alpha = film["transmittance"], 1 - film["transmittance"] - film["reflectance"]
    room, surface = planck(ambient), planck(temperature)
    slope, room_slope = (planck(level + 0.5) - planck(level - 0.5) for level in (temperature, ambient))
    gain = 1 / (emissivity * slope)
    leaving = emissivity * surface + (1 - emissivity) * room
    terms = [
        gain * (room - surface) * U_EMISSIVITY,
        gain * (1 - emissivity) * room_slope * U_REFLECTED,
        gain * (room - leaving) / tau * U_TAU,
        gain * alpha / tau * room_slope * U_FILM,
        np.full_like(temperature, np.hypot(U_AMBIENT, U_DRIFT)),
    ]
    netd = session.about["camera"]["netd_mK"] * 1e-3 * (planck(30.5) - planck(29.5)) / tau
    noise = gain * netd * np.sqrt(1 / max(frames[0], 1e-9) + 1.5 / max(frames[1], 1e-9))
    return np.sqrt(sum(term**2 for term in terms) + noise**2), noise


def regions(session: Session, rise: xr.Dataset) -> xr.Dataset:
    """Return the parts' and hot spots' series over time, and where each settles."""
    places = {part.name: rectangle(part, rise, rim=1) for part in session.parts.itertuples()}
    places |= hot_spots(session, rise)
    onset = session.about["events"][0]["elapsed_s"]
    series = pd.concat({name: measure(rise, place) for name, place in places.items()}, names=["region", "time"])
    made = series.to_xarray().reindex(region=list(places))
    ends = [settle(rise["elapsed"].to_numpy() - onset, made["rise_mean"].sel(region=name)) for name in places]
    table = pd.DataFrame(ends, index=pd.Index(places, name="region"))
    return made.assign_coords(elapsed=("time", rise["elapsed"].to_numpy())).merge(table.to_xarray())


def hot_spots(session: Session, rise: xr.Dataset) -> dict[str, tuple[slice, slice]]:
    """Return the boxes of warm areas at the end that lie outside all parts."""
    final = rise["temperature_rise"][-30:].mean("time").to_numpy()
    rest = gaussian(np.nan_to_num(final), 1)
    for part in session.parts.itertuples():
        rest[rectangle(part, rise)] = 0
    peaks = peak_local_max(rest, min_distance=10, threshold_abs=max(0.5, 0.5 * final.max()))
    marked = label(rest > max(0.5, 0.5 * final.max()))
    found = [spot for spot in regionprops(marked) if any(marked[tuple(peak)] == spot.label for peak in peaks)]
    return {f"spot {number}": spot.slice for number, spot in enumerate(found, start=1) if spot.area > 9}


def measure(rise: xr.Dataset, place: tuple[slice, slice]) -> pd.DataFrame:
    """Return a region's series: mean, hottest 3 x 3, area above half of it and centroid."""
    inside = rise[["temperature", "temperature_rise"]].isel(y=place[0], x=place[1])
    warm = inside["temperature_rise"]
    smooth = ndimage.uniform_filter(warm.to_numpy(), (0, 3, 3), mode="nearest")
    top = xr.DataArray(smooth.max(axis=(1, 2)), dims="time")
    weight = warm.clip(min=0)
    cell = float(rise["x"][1] - rise["x"][0]) ** 2
    columns = {
        "temperature_mean": inside["temperature"].mean(("y", "x")),
        "rise_mean": warm.mean(("y", "x")),
        "rise_max": top,
        "temperature_max": top + rise["ambient"],
        "area": (warm > 0.5 * top).sum(("y", "x")) * cell,
        "centroid_x": (weight * weight["x"]).sum(("y", "x")) / weight.sum(("y", "x")),
        "centroid_y": (weight * weight["y"]).sum(("y", "x")) / weight.sum(("y", "x")),
    }
    return pd.DataFrame({name: values.to_numpy() for name, values in columns.items()})


def settle(since: Array, series: xr.DataArray) -> dict[str, float]:
    """Return end value, its standard uncertainty and slowest time constant, by one or two exponentials."""
    values = series.to_numpy()
    used = np.isfinite(values) & (since > 0)
    time_, rise = since[used], values[used]
    best = {"steady_rise": np.nan, "steady_rise_uncertainty": np.nan, "time_constant": np.nan}
    least = np.inf
    for start in ([rise[-1:].sum(), 30.0], [rise[-1:].sum() / 2, 8.0, rise[-1:].sum() / 2, 80.0]):
        if len(time_) < len(start) + 4:
            continue
        try:
            found, spread = curve_fit(warming, time_, rise, p0=start, maxfev=5000)
        except RuntimeError:
            continue
        squares = float(np.sum((warming(time_, *found) - rise) ** 2))
        criterion = len(time_) * np.log(squares / len(time_)) + 2 * len(start)
        if criterion < least:
            least, share = criterion, np.tile([1.0, 0.0], len(start) // 2)
            doubt = float(np.sqrt(max(share @ spread @ share, 0.0)))
            constant = float(np.max(found[1::2]))
            best = {"steady_rise": found[::2].sum(), "steady_rise_uncertainty": doubt, "time_constant": constant}
    return best


def warming(since: Array, *parameters: float) -> Array:
    """Return a sum of exponentials on their way to ``parameters[0::2]`` with time constants ``parameters[1::2]``."""
    pairs = zip(parameters[::2], parameters[1::2], strict=True)
    return np.sum([end * -np.expm1(-since / max(abs(constant), 1e-3)) for end, constant in pairs], axis=0)


def analyse(folder: Path, results: Path, *, every: int = 1) -> dict[str, float]:
    """Write ``rise.nc`` and ``regions.nc``; return seconds by step.

    Parameters
    ----------
    folder, results : Path
        Session and where results go.
    every : int
        Take one frame in so many: the first two steps then take as much less time, the others stay.
    """
    results.mkdir(parents=True, exist_ok=True)
    seconds, started = {}, time.perf_counter()

    def lap(name: str) -> None:
        nonlocal started
        seconds[name] = time.perf_counter() - started
        started = time.perf_counter()

    session = read_session(folder)
    chosen = np.arange(0, len(session.elapsed), every)
    motion = follow(session, chosen)
    shifts = pd.DataFrame({"shift_x": motion.shift[:, 0], "shift_y": motion.shift[:, 1], "usable": motion.usable})
    shifts.assign(offset=motion.offset, elapsed=session.elapsed[chosen]).to_xarray().to_netcdf(results / "shifts.nc")
    lap("registration")
    maps = average(session, chosen, motion)
    lap("conversion, warp, average")
    rise = rise_maps(session, maps)
    rise.to_netcdf(results / "rise.nc")
    lap("rise and uncertainty")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OptimizeWarning)
        regions(session, rise).to_netcdf(results / "regions.nc")
    lap("regions")
    session.stack.close()
    return seconds


def main() -> None:
    """Analyse one session; say seconds by step as JSON."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("session", type=Path)
    parser.add_argument("results", type=Path)
    parser.add_argument("--every", type=int, default=1)
    asked = parser.parse_args()
    sys.stdout.write(json.dumps(analyse(asked.session, asked.results, every=asked.every)) + "\n")


if __name__ == "__main__":
    main()
