"""In-band blackbody radiance, its inverse and its slope.

A camera's band is flat between its two ends, or weighted by a spectral response. Radiance is in W m-2 sr-1, wavelength
in um, temperature in degC.
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
FIRST_RADIATION: Final = 1.191042972397e-16  # [W m2 sr-1] 2 h c^2, exact SI 2019, rounded

_SERIES_TERMS: Final = 80  # exp(-80 * 0.5) is below the rounding of float64
_SERIES_FROM: Final = 0.5  # z at which the two series change over; both hold to 1e-12 there
_CELLS: Final = 8192  # cells of a band table; the linear interpolation errs by less than 0.1 mK in LWIR
_TABLE_LOW: Final = -100.0  # [degC]
_TABLE_HIGH: Final = 700.0  # [degC]
_WIDEST_UM: Final = 0.25  # piece of a response that six nodes integrate to 1e-10 from 1 um on, at any temperature here
_NODES: Final = 6
_NARROW_UM: Final = 0.02  # where all pieces are narrower two nodes do: files of thousands of rows
_RESPONSE_STEP: Final = 1.0  # [K] between temperatures at which a response is integrated; a spline between errs by 1e-9


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


def spectral_radiance(wavelength: npt.ArrayLike, *, temperature: npt.ArrayLike) -> Array:
    """Return Planck's law.

    Parameters
    ----------
    wavelength : array
        [um]
    temperature : array
        [degC], broadcast against ``wavelength``.

    Returns
    -------
    array
        [W m-2 sr-1 um-1], float64.

    Examples
    --------
    >>> float(spectral_radiance(10.0, temperature=73.75).round(4))
    19.1248
    """
    metres = np.asarray(wavelength, dtype=np.float64) * 1e-6
    z = SECOND_RADIATION / (metres * (np.asarray(temperature, dtype=np.float64) + ZERO_CELSIUS))
    return np.asarray(FIRST_RADIATION * 1e-6 / (metres**5 * np.expm1(z)))


def response_radiance(temperature: npt.ArrayLike, *, wavelengths: npt.ArrayLike, response: npt.ArrayLike) -> Array:
    """Return the radiance of a blackbody weighted by a spectral response.

    The response is linear between its samples and 0 beyond them; its scale counts, 1 everywhere is a flat band. Each
    piece between samples is integrated by Gauss and Legendre's rule.

    Parameters
    ----------
    temperature : array
        [degC]; NaN in, NaN out.
    wavelengths, response : (n,) array
        Rising [um], and the response there.

    Returns
    -------
    array
        [W m-2 sr-1], float64.

    Examples
    --------
    >>> float(response_radiance(25.0, wavelengths=[7.5, 14.0], response=[1, 1]).round(5))
    57.60954
    """
    return _weighted(temperature, wavelengths=wavelengths, response=response)[0]


def response_slope(temperature: npt.ArrayLike, *, wavelengths: npt.ArrayLike, response: npt.ArrayLike) -> Array:
    """Return dL/dT of :func:`response_radiance` [W m-2 sr-1 K-1], float64."""
    return _weighted(temperature, wavelengths=wavelengths, response=response)[1]


def _weighted(
    temperature: npt.ArrayLike, *, wavelengths: npt.ArrayLike, response: npt.ArrayLike
) -> tuple[Array, Array]:
    """Return radiance and slope; a temperature at a time, for a response may have thousands of samples."""
    nodes, weights = _nodes(np.asarray(wavelengths, dtype=np.float64), np.asarray(response, dtype=np.float64))
    celsius = np.asarray(temperature, dtype=np.float64)
    made = np.empty((2, celsius.size))
    for number, one in enumerate(celsius.ravel()):
        spectrum = spectral_radiance(nodes, temperature=one) * weights
        z = SECOND_RADIATION * 1e6 / (nodes * (one + ZERO_CELSIUS))
        made[0, number] = spectrum.sum()
        made[1, number] = (spectrum * z / -np.expm1(-z)).sum() / (one + ZERO_CELSIUS)
    return made[0].reshape(celsius.shape), made[1].reshape(celsius.shape)


def _nodes(wavelengths: Array, response: Array) -> tuple[Array, Array]:
    """Return wavelengths [um] and weights [um] of the integral; wide pieces are cut into narrower ones."""
    parts = np.ceil(np.diff(wavelengths) / _WIDEST_UM).astype(int)
    pieces = zip(wavelengths[:-1], wavelengths[1:], parts, strict=True)
    edges = np.concatenate([np.linspace(low, high, count, endpoint=False) for low, high, count in pieces])
    edges = np.append(edges, wavelengths[-1])
    narrow = np.diff(edges).max() < _NARROW_UM
    place, share = np.polynomial.legendre.leggauss(2 if narrow else _NODES)
    half = np.diff(edges)[:, np.newaxis] / 2
    nodes = (edges[:-1, np.newaxis] + half * (1 + place)).ravel()
    return nodes, (half * share).ravel() * np.interp(nodes, wavelengths, response)


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

    @staticmethod
    def for_response(wavelengths: npt.ArrayLike, response: npt.ArrayLike) -> "BandTable":
        """Return the table of a spectral response; made once. The response's highest value counts as 1.

        Parameters
        ----------
        wavelengths, response : (n,) array
            Samples [um] and the relative response there: linear between, 0 beyond.

        Raises
        ------
        ValueError
            If there are fewer than two samples, if wavelengths are not positive and rising, or if the response is not
            finite, is negative or 0 throughout.

        Examples
        --------
        >>> table = BandTable.for_response([7.0, 8.0, 13.0, 14.5], [0.0, 40.0, 50.0, 0.0])
        >>> float(table.temperature(table.radiance(73.75)).round(3))
        73.75
        """
        samples, values = (np.ascontiguousarray(given, dtype=np.float64) for given in (wavelengths, response))
        if samples.ndim != 1 or samples.shape != values.shape or len(samples) < 2:
            raise ValueError(f"{samples.shape} wavelengths and {values.shape} values, must be two or more of each")
        if not (np.isfinite(samples).all() and samples[0] > 0 and (np.diff(samples) > 0).all()):
            raise ValueError("wavelengths of a response must be positive and rising")
        if not (np.isfinite(values).all() and (values >= 0).all() and values.any()):
            raise ValueError("a response must be finite, 0 or more, and not 0 throughout")
        return _make_response_table(samples.tobytes(), (values / values.max()).tobytes())

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
    radiances, slopes = band_radiance(grid, low=low, high=high), band_slope(grid, low=low, high=high)
    return _tabulate(low, high, radiances=radiances, slopes=slopes)


@lru_cache(maxsize=8)
def _make_response_table(wavelengths: bytes, response: bytes) -> BandTable:
    from scipy.interpolate import CubicHermiteSpline

    samples, values = np.frombuffer(wavelengths), np.frombuffer(response)
    some = np.linspace(_TABLE_LOW, _TABLE_HIGH, round((_TABLE_HIGH - _TABLE_LOW) / _RESPONSE_STEP) + 1)
    radiances, slopes = _weighted(some, wavelengths=samples, response=values)
    logarithm = CubicHermiteSpline(some, np.log(radiances), slopes / radiances)
    grid = np.linspace(_TABLE_LOW, _TABLE_HIGH, _CELLS + 1)
    fine = np.exp(logarithm(grid))
    low, high = response_ends(samples, values)
    return _tabulate(low, high, radiances=fine, slopes=fine * logarithm.derivative()(grid))


def response_ends(wavelengths: Array, response: Array) -> tuple[float, float]:
    """Return the wavelengths [um] between which a response is not 0.

    Examples
    --------
    >>> response_ends(np.array([6.0, 7.0, 8.0, 14.0, 15.0]), np.array([0, 0, 1, 0.2, 0]))
    (7.0, 15.0)
    """
    seen = np.flatnonzero(response)
    return float(wavelengths[max(seen[0] - 1, 0)]), float(wavelengths[min(seen[-1] + 1, len(response) - 1)])


def _tabulate(low: float, high: float, *, radiances: Array, slopes: Array) -> BandTable:
    """Return the table of radiances and slopes at the even temperatures; its inverse errs by less than 1 uK there."""
    from scipy.interpolate import CubicHermiteSpline  # slow to import

    grid = np.linspace(_TABLE_LOW, _TABLE_HIGH, _CELLS + 1)
    logarithms = np.linspace(np.log(radiances[0]), np.log(radiances[-1]), _CELLS + 1)
    inverse = CubicHermiteSpline(np.log(radiances), grid, radiances / slopes)
    return BandTable(
        low=low,
        high=high,
        radiances=EvenTable(radiances),
        slopes=EvenTable(slopes),
        temperatures=EvenTable(np.clip(inverse(logarithms), _TABLE_LOW, _TABLE_HIGH)),
        log_low=float(logarithms[0]),
        log_step=float(logarithms[1] - logarithms[0]),
    )


def _floating(values: npt.ArrayLike) -> Array:
    array = np.asarray(values)
    return array if array.dtype in (np.float32, np.float64) else array.astype(np.float64)
