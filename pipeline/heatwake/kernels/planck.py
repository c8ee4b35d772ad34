"""In-band blackbody radiance, its inverse and its slope.

A camera's band is taken as flat between its two ends. Radiance is in W m-2 sr-1, wavelength in um, temperature in degC.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.floating[Any]]

ZERO_CELSIUS: Final = 273.15  # [K]
SECOND_RADIATION: Final = 1.438776877e-2  # [m K] h c / k, exact SI 2019, rounded
STEFAN_BOLTZMANN: Final = 5.670374419e-8  # [W m-2 K-4] exact SI 2019, rounded

_SERIES_TERMS: Final = 80  # exp(-80 * 0.5) is below the rounding of float64
_SERIES_FROM: Final = 0.5  # z at which the two series change over; both hold to 1e-12 there
_CELLS: Final = 8192  # cells of a band table; the linear interpolation errs by less than 0.1 mK in LWIR
_TABLE_LOW: Final = -100.0  # [degC]
_TABLE_HIGH: Final = 700.0  # [degC]


def blackbody_fraction(product: npt.ArrayLike) -> Array:
    """Return the share of a blackbody's power that lies below a wavelength.

    Exponential series ``15/pi^4 sum exp(-n z)(z^3/n + 3 z^2/n^2 + 6 z/n^3 + 6/n^4)`` with ``z = c2/(lambda T)``:
    Michels, NASA technical note 1968 (NTRS 19680008986). For small ``z``, where that one is slow, the power series of
    the complement: Chang and Rhee, Int. Commun. Heat Mass Transfer 11 (1984) 451 (from memory).

    Parameters
    ----------
    product : array
        Wavelength times temperature [um K]; must be positive. NaN in, NaN out.

    Returns
    -------
    array
        Fraction, 0 to 1.

    Examples
    --------
    >>> float(blackbody_fraction(2897.771955).round(6))  # a quarter lies below the peak
    0.250055
    """
    z = SECOND_RADIATION * 1e6 / np.asarray(product, dtype=np.float64)
    short = np.maximum(z, _SERIES_FROM)
    total = np.zeros_like(short)
    for n in range(1, _SERIES_TERMS + 1):
        total += np.exp(-n * short) * (((short / n + 3 / n**2) * short + 6 / n**3) * short + 6 / n**4)
    long = np.minimum(z, _SERIES_FROM)
    tail = 1 / 3 - long / 8 + long**2 / 60 - long**4 / 5040 + long**6 / 272160 - long**8 / 13305600
    scale = 15 / np.pi**4
    return np.asarray(np.where(z < _SERIES_FROM, 1 - scale * long**3 * tail, scale * total))


def band_radiance(temperature: npt.ArrayLike, *, low: float, high: float) -> Array:
    """Return the radiance of a blackbody inside a flat band.

    Parameters
    ----------
    temperature : array
        [degC]; NaN in, NaN out.
    low, high : float
        Ends of the band [um].

    Returns
    -------
    array
        [W m-2 sr-1], float64.

    Examples
    --------
    >>> float(band_radiance(25.0, low=7.5, high=14.0).round(5))
    57.60954
    """
    kelvin = np.asarray(temperature, dtype=np.float64) + ZERO_CELSIUS
    share = blackbody_fraction(high * kelvin) - blackbody_fraction(low * kelvin)
    return np.asarray(STEFAN_BOLTZMANN * kelvin**4 / np.pi * share)


def band_slope(temperature: npt.ArrayLike, *, low: float, high: float) -> Array:
    """Return dL/dT of :func:`band_radiance` [W m-2 sr-1 K-1], float64.

    Closed form: ``4 L/T + sigma T^4/pi (F'(high T) high - F'(low T) low)``, where ``F'`` is Planck's law itself.
    """
    kelvin = np.asarray(temperature, dtype=np.float64) + ZERO_CELSIUS
    ends = _fraction_slope(high * kelvin) * high - _fraction_slope(low * kelvin) * low
    share = blackbody_fraction(high * kelvin) - blackbody_fraction(low * kelvin)
    return np.asarray(STEFAN_BOLTZMANN * kelvin**3 / np.pi * (4 * share + kelvin * ends))


def _fraction_slope(product: Array) -> Array:
    z = SECOND_RADIATION * 1e6 / product
    return np.asarray(15 / np.pi**4 * z**4 / (product * np.expm1(z)))


class EvenTable:
    """Values at even steps, looked up at fractional positions by index arithmetic; NaN outside.

    A search, as ``np.interp`` makes one, costs several times as much. One NaN before the values and one after them
    stand for all that lies outside; a NaN position lands anywhere and stays NaN through its fraction.

    Parameters
    ----------
    values : (n,) array
        Held in both precisions; the position's one is used and returned.
    """

    def __init__(self, values: Array) -> None:
        self.values = np.ascontiguousarray(values, dtype=np.float64)
        self._last = len(values) - 1
        self._held = {np.dtype(kind): _with_steps(values.astype(kind)) for kind in (np.float32, np.float64)}

    def at(self, position: Array) -> Array:
        """Return the linearly interpolated values at positions 0 .. n - 1."""
        padded, steps = self._held[position.dtype]
        shifted = np.clip(position, -1, self._last + 1) + position.dtype.type(1)
        with np.errstate(invalid="ignore"):
            index = shifted.astype(np.int32)
        fraction = shifted - index.astype(position.dtype)
        return np.asarray(padded.take(index, mode="clip") + fraction * steps.take(index, mode="clip"))


def _with_steps(values: Array) -> tuple[Array, Array]:
    padded = np.pad(values, 1, constant_values=np.nan)
    steps = np.diff(padded, append=padded[-1:])
    steps[-2] = 0  # the last value itself is inside
    return padded, steps


@dataclass(frozen=True, eq=False)
class BandTable:
    """Radiance, temperature and slope of one band by interpolation in fine even tables.

    Temperatures outside ``-100 .. 700`` degC, and radiances that belong to such, give NaN. The inverse runs over even
    steps of ``log L``, which keeps its error small at both ends of any infrared band. float32 in gives float32 out.

    Attributes
    ----------
    low, high : float
        Ends of the band [um].
    radiances, slopes : EvenTable
        At even temperatures.
    temperatures : EvenTable
        [degC] at even steps of the radiance's logarithm.
    log_low, log_step : float
        First value and step of that logarithm.
    """

    low: float
    high: float
    radiances: EvenTable
    slopes: EvenTable
    temperatures: EvenTable
    log_low: float
    log_step: float

    @staticmethod
    def for_band(low: float, high: float) -> "BandTable":
        """Return the table of a band; made once.

        Parameters
        ----------
        low, high : float
            Ends of the band [um].

        Raises
        ------
        ValueError
            If the ends are not ``0 < low < high``.

        Examples
        --------
        >>> table = BandTable.for_band(7.5, 14.0)
        >>> float(table.temperature(table.radiance(73.75)).round(3))
        73.75
        """
        if not 0 < low < high:
            raise ValueError(f"band {low} to {high} um, must be 0 < low < high")
        return _make_table(float(low), float(high))

    def radiance(self, temperature: npt.ArrayLike) -> Array:
        """Return the in-band radiance [W m-2 sr-1] of a blackbody at a temperature [degC]."""
        return self.radiances.at(self._cell(temperature))

    def slope(self, temperature: npt.ArrayLike) -> Array:
        """Return dL/dT [W m-2 sr-1 K-1] at a temperature [degC]."""
        return self.slopes.at(self._cell(temperature))

    def temperature(self, radiance: npt.ArrayLike) -> Array:
        """Return the temperature [degC] of a blackbody of an in-band radiance; NaN where it is not positive."""
        values = _floating(radiance)
        with np.errstate(invalid="ignore", divide="ignore"):
            logarithm = np.log(values)
        cell = (logarithm - values.dtype.type(self.log_low)) * values.dtype.type(1 / self.log_step)
        return self.temperatures.at(np.asarray(cell))

    @property
    def grid(self) -> tuple[float, float]:
        """First temperature of the tables [degC] and their cells per kelvin."""
        return _TABLE_LOW, _CELLS / (_TABLE_HIGH - _TABLE_LOW)

    def _cell(self, temperature: npt.ArrayLike) -> Array:
        values = _floating(temperature)
        per_cell = values.dtype.type(_CELLS / (_TABLE_HIGH - _TABLE_LOW))
        return np.asarray((values - values.dtype.type(_TABLE_LOW)) * per_cell)


@lru_cache(maxsize=8)
def _make_table(low: float, high: float) -> BandTable:
    grid = np.linspace(_TABLE_LOW, _TABLE_HIGH, _CELLS + 1)
    radiances = band_radiance(grid, low=low, high=high)
    logarithms = np.linspace(np.log(radiances[0]), np.log(radiances[-1]), _CELLS + 1)
    return BandTable(
        low=low,
        high=high,
        radiances=EvenTable(radiances),
        slopes=EvenTable(band_slope(grid, low=low, high=high)),
        temperatures=EvenTable(_solve_temperatures(logarithms, low=low, high=high, start=grid, radiances=radiances)),
        log_low=float(logarithms[0]),
        log_step=float(logarithms[1] - logarithms[0]),
    )


def _solve_temperatures(logarithms: Array, *, low: float, high: float, start: Array, radiances: Array) -> Array:
    """Return the temperatures [degC] of given log radiances, by Newton steps on the exact integral."""
    solution = np.interp(logarithms, np.log(radiances), start)
    for _ in range(2):  # the start errs by less than 1 mK and Newton squares that
        radiance = band_radiance(solution, low=low, high=high)
        slope = band_slope(solution, low=low, high=high)
        solution = solution - (np.log(radiance) - logarithms) * radiance / slope
    return np.clip(solution, _TABLE_LOW, _TABLE_HIGH)


def _floating(values: npt.ArrayLike) -> Array:
    array = np.asarray(values)
    return array if array.dtype in (np.float32, np.float64) else array.astype(np.float64)
