"""Correction of one frame, compiled, against plain numpy that evaluates the integral.

``taskset -c 0 python tests/benchmarks/correction.py`` prints a table; the least of several repeats counts, for other
work on the machine only makes it slower. "Plain numpy" is the measurement equation with Planck's law integrated by
Gauss and Legendre's rule for every pixel: once to radiance, and by Newton steps back to temperature.
"""

import argparse
import sys
import time
from collections.abc import Callable

import numpy as np

from heatwake.kernels.budget import InputErrors, combine, contributions, temperature_budget
from heatwake.kernels.correction import (
    View,
    correct_frame,
    correct_frame_with_uncertainty,
    surface_temperatures,
    temperatures_with_uncertainty,
)
from heatwake.kernels.planck import FIRST_RADIATION, SECOND_RADIATION, ZERO_CELSIUS, BandTable
from heatwake.kernels.radiometry import Film, remove_film, surface_temperature

LOW, HIGH = 7.5, 14.0
TABLE = BandTable.for_band(LOW, HIGH)
VIEW = View(reflected=24.0, film_temperature=28.0, camera_side=23.0, film_reflectance=0.06)
ERRORS = InputErrors(
    transmittance=0.01,
    film_reflectance=0.02,
    emissivity=0.02,
    reflected=3.0,
    film_temperature=3.0,
    ambient=0.2,
    drift=0.1,
    accuracy=2.0,
    accuracy_percent=2.0,
    netd=0.05,
)
NODES, WEIGHTS = np.polynomial.legendre.leggauss(6)  # to 1e-8 of this band's radiance
NEWTON_STEPS = 3  # from the apparent temperature to 0.01 mK


def picture(rows: int, columns: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return a frame as written [degC], emissivities and transmittances, float32: a warm part, patches, a sag."""
    rng = np.random.default_rng(0)
    y, x = np.mgrid[:rows, :columns] / rows
    part = 40 * np.exp(-((x - 0.6) ** 2 + (y - 0.5) ** 2) / 0.03)
    frame = (30 + part + 8 * x + rng.normal(0, 0.05, x.shape)).astype(np.float32)
    emissivity = np.full(x.shape, 0.95, np.float32)
    emissivity[rows // 5 : rows // 3, columns // 8 : columns // 4] = 0.6
    return frame, emissivity, (0.89 - 0.02 * x * y).astype(np.float32)


def integral(celsius: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return in-band radiance and its slope by quadrature in plain numpy, float64."""
    kelvin = celsius.astype(np.float64) + ZERO_CELSIUS
    radiance, slope = np.zeros_like(kelvin), np.zeros_like(kelvin)
    for node, weight in zip(NODES, WEIGHTS, strict=True):
        metres = ((LOW + HIGH) / 2 + (HIGH - LOW) / 2 * node) * 1e-6
        share = weight * (HIGH - LOW) / 2 * 1e-6 * FIRST_RADIATION / metres**5
        z = SECOND_RADIATION / (metres * kelvin)
        bare = np.exp(z)
        one = share / (bare - 1)
        radiance += one
        slope += one * bare / (bare - 1) * z / kelvin
    return radiance, slope


def plain(frame: np.ndarray, emissivity: np.ndarray, transmittance: np.ndarray) -> np.ndarray:
    """Return surface temperatures [degC] by the integral itself."""
    film, side, room = (integral(np.array(one))[0] for one in (VIEW.film_temperature, VIEW.camera_side, VIEW.reflected))
    rho = VIEW.film_reflectance
    added = (1 - transmittance - rho) * film + rho * side
    leaving = (integral(frame)[0] - added) / transmittance
    wanted = (leaving - (1 - emissivity) * room) / emissivity
    celsius = frame.astype(np.float64)
    for _ in range(NEWTON_STEPS):
        radiance, slope = integral(celsius)
        celsius -= (radiance - wanted) / slope
    return celsius


def by_tables(frame: np.ndarray, emissivity: np.ndarray, transmittance: np.ndarray) -> np.ndarray:
    """Return surface temperatures [degC] by the equations' own kernels: tables, but numpy."""
    film = Film(transmittance, np.float32(VIEW.film_reflectance))
    around = {"film_temperature": np.float32(VIEW.film_temperature), "camera_side": np.float32(VIEW.camera_side)}
    leaving = remove_film(TABLE.radiance(frame), table=TABLE, film=film, **around)
    return surface_temperature(leaving, table=TABLE, emissivity=emissivity, reflected=np.float32(VIEW.reflected))


def budget(frame: np.ndarray, emissivity: np.ndarray, transmittance: np.ndarray) -> np.ndarray:
    """Return the combined uncertainty [K] by the budget in numpy."""
    celsius = by_tables(frame, emissivity, transmittance)
    lines = temperature_budget(
        celsius,
        VIEW.camera_side,
        table=TABLE,
        emissivity=emissivity,
        reflected=VIEW.reflected,
        film=Film(transmittance, VIEW.film_reflectance),
        film_temperature=VIEW.film_temperature,
        errors=ERRORS,
    )
    return combine(contributions(lines))


def least(work: Callable[[], object], repeats: int) -> float:
    """Return the least time of several [ms]."""
    times = []
    for _ in range(repeats):
        started = time.perf_counter()
        work()
        times.append(time.perf_counter() - started)
    return 1e3 * min(times)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--columns", type=int, default=640)
    parser.add_argument("--rows", type=int, default=512)
    parser.add_argument("--repeats", type=int, default=200)
    asked = parser.parse_args()
    frame, emissivity, transmittance = maps = picture(asked.rows, asked.columns)
    out = tuple(np.empty_like(frame) for _ in range(3))
    common = {"table": TABLE, "view": VIEW, "emissivity": emissivity, "transmittance": transmittance}
    whole = common | {"errors": ERRORS, "ambient": VIEW.camera_side, "out": out}
    film = Film(transmittance.astype(np.float64), VIEW.film_reflectance)
    around = {"film_temperature": VIEW.film_temperature, "camera_side": VIEW.camera_side}
    leaving = remove_film(TABLE.radiance(frame), table=TABLE, film=film, **around).astype(np.float32)
    few = max(asked.repeats // 40, 3)
    rows = {
        "frame to temperature": (lambda: correct_frame(frame, **common, out=out[0]), asked.repeats),
        "frame to temperature, uncertainty, noise": (
            lambda: correct_frame_with_uncertainty(frame, **whole),
            asked.repeats,
        ),
        "radiance to temperature": (lambda: surface_temperatures(leaving, **common, out=out[0]), asked.repeats),
        "radiance to temperature, uncertainty, noise": (
            lambda: temperatures_with_uncertainty(leaving, **whole),
            asked.repeats,
        ),
        "numpy, tables: temperature": (lambda: by_tables(*maps), few),
        "numpy, tables: temperature and uncertainty": (lambda: budget(*maps), few),
        "numpy, integral: temperature": (lambda: plain(*maps), 2),
    }
    times = {name: least(work, repeats) for name, (work, repeats) in rows.items()}
    against = times["numpy, integral: temperature"]
    lines = [
        f"{asked.columns}x{asked.rows}, emissivity and transmittance of each; one core, least of {asked.repeats}",
        f"{'':46}{'ms/frame':>10}{'ratio to the integral':>24}",
        *(f"{name:46}{taken:10.2f}{against / taken:24.0f}" for name, taken in times.items()),
    ]
    error = 1e3 * np.abs(correct_frame(frame, **common) - plain(*maps)).max()
    lines.append(f"largest difference of the compiled correction from the integral: {error:.3f} mK")
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
