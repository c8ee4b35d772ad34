"""Local heat transport from rise maps: the transport equation regressed in weak form, static sources eliminated.

    T_t + u . grad T = a lap T - b T + s(x)

Multiplied by a temporal test function of zero integral and a Gaussian in space, and integrated by parts, the unknown
static source ``s`` is gone and no derivative falls on noisy data (weak form: Gurevich, Reinbold and Grigoriev, Chaos
29, 2019, 103113). Interleaved subsets of the maps have independent noise; products are only taken between different
ones, so noise does not bias the normal equations (instrumental variables). Each window takes off its own mean of every
test function, and with it whatever the camera adds to all pixels alike.

The spread of the estimate is a sandwich covariance that allows for residuals alike at neighbouring pixels (Conley, J.
Econometrics 92, 1999, 1), and what the estimate changes by when windows and test functions are made wider or narrower.

The equation holds where heat moves in the surface alone. Where air carries it over more than a hot spot's size, or the
conductivity varies, the estimate is a sign of a drift, not of the air: its confidence is conditional on the equation.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation, distance_transform_edt, gaussian_filter

from heatwake.kernels.circular import angle_deviation, deviation
from heatwake.kernels.cross_regression import TOLD, UNKNOWNS, Solution, gather, is_steady, score_spread, solve
from heatwake.kernels.weak_form import LocalMean, between_nodes, project

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

WALD = 13.8  # chi-squared of two degrees of freedom at 0.1 %
_FLOOR = 0.5  # [degree] of a direction's standard uncertainty
_EVENED = 1.25  # a drift's turning over how much of it is left after a window has evened it out
_FORMS_FLOOR = 2.0  # [degree] that two forms may differ by: they weigh a window's curved drift in another way
LEAST_PECLET = 0.05
WIDEST = 20.0  # [degree]
_NODES = 2  # to a window's standard deviation


@dataclass(frozen=True)
class TransportField:
    """Local drift of heat; maps are ``(ny, nx)``, NaN where nothing can be said.

    Attributes
    ----------
    drift : (2, ny, nx) array
        Drift velocity over diffusivity, ``(x, y)`` with y up [1/length].
    covariance : (2, 2, ny, nx) array
        Of the drift: noise and residuals, and its spread over scales.
    diffusivity : (ny, nx) array
        [length2/s]; NaN where it cannot be told (steady maps).
    direction, direction_uncertainty : (ny, nx) arrays
        Where heat drifts to [degree], standard uncertainty: the drift's covariance, and how much directions turn within
        a window, beyond their noise: that much the window's mean may be off at its middle.
    peclet : (ny, nx) array
        ``|u| l / a`` with the board's healing length ``l = sqrt(a / b)``, the median over the map.
    healing_length : float
        [length].
    determination : (ny, nx) array
        Share of the response that the regression explains (R2).
    signal : (ny, nx) array
        Correlation of the response between subsets: 1 without noise, 0 where nothing but noise is left.
    evenness : (ny, nx) array
        Of the gradient's two principal powers in the window, the smaller over the larger: 0 where it points one way.
    identifiable : (ny, nx) array of bool
        Significant, sharp to 20 degrees and of a Peclet number above 0.05.
    """

    drift: Array
    covariance: Array
    diffusivity: Array
    direction: Array
    direction_uncertainty: Array
    peclet: Array
    healing_length: float
    determination: Array
    signal: Array
    evenness: Array
    identifiable: Mask


def heating_transport(
    rise: Array,
    *,
    elapsed: Array,
    spacing: float,
    half_support: float = 15.0,
    psi: float = 2.5,
    window: float = 8.0,
    subsets: int = 2,
) -> TransportField:
    """Return the local drift while the board warms up: sources may be anywhere but must be static.

    Parameters
    ----------
    rise : (time, ny, nx) array
        Rise maps at equal steps after power-on, row 0 at the top [K]; pixels with a NaN are left out.
    elapsed : (time,) array
        [s].
    spacing : float
        Pixel size [length].
    half_support : float
        Half the length of a temporal test function [s].
    psi, window : float
        Standard deviation of the spatial test function and of the regression's window [pixel].
    subsets : int
        Interleaved sets of maps, of independent noise.

    Returns
    -------
    TransportField

    Raises
    ------
    ValueError
        When the maps are too few for one test function (seven in each subset).
    """
    usable = _clear_of_edges(_seen(rise), psi)
    return _estimate(
        rise,
        elapsed,
        usable,
        spacing=spacing,
        half=half_support,
        psi=psi,
        window=window,
        mean_free=True,
        subsets=subsets,
    )


def off_source_transport(
    rise: Array,
    *,
    elapsed: Array,
    spacing: float,
    sources: Mask,
    half_support: float = 15.0,
    psi: float = 2.5,
    window: float = 8.0,
    subsets: int = 2,
) -> TransportField:
    """Return the local drift from pixels without sources, at any time, steady maps too.

    Parameters are those of `heating_transport`, and:

    sources : (ny, nx) array of bool
        Pixels that are heated; they are left out with a margin of 2.5 ``psi``.
    """
    usable = _clear_of_edges(_seen(rise), psi) & ~near_sources(sources, psi=psi)
    return _estimate(
        rise,
        elapsed,
        usable,
        spacing=spacing,
        half=half_support,
        psi=psi,
        window=window,
        mean_free=False,
        subsets=subsets,
    )


def near_sources(sources: Mask, *, psi: float) -> Mask:
    """Return the pixels whose spatial test function reaches a source."""
    reach = int(np.ceil(2.5 * psi))
    disc = np.hypot(*np.mgrid[-reach : reach + 1, -reach : reach + 1]) <= 2.5 * psi
    return np.asarray(binary_dilation(sources, disc))


def _estimate(
    rise: Array,
    elapsed: Array,
    usable: Mask,
    *,
    spacing: float,
    half: float,
    psi: float,
    window: float,
    mean_free: bool,
    subsets: int,
) -> TransportField:
    projected = project(_filled(rise), elapsed=elapsed, half=half, mean_free=mean_free, subsets=subsets)
    step = max(1, round(window / _NODES))
    data = gather(projected, usable, psi=psi)
    kept = UNKNOWNS - int(not mean_free and is_steady(data))
    mean = LocalMean.over(data.weight, sigma=window, step=step)
    best = solve(data, mean, kept=kept)
    covariance = score_spread(data, best, mean, window=window, psi=psi, step=step)
    wide = gather(projected, usable, psi=1.4 * psi)
    for scale, other in ((0.75, data), (1.4, data), (1.0, wide)):
        varied = solve(other, LocalMean.over(other.weight, sigma=scale * window, step=step), kept=kept)
        apart = np.nan_to_num(varied.coefficients[..., :2] - best.coefficients[..., :2])
        covariance += apart[..., :, np.newaxis] * apart[..., np.newaxis, :] / 3.0
    return _field(best, covariance, spacing=spacing, shape=(usable.shape[0], usable.shape[1]), step=step, window=window)


def _seen(rise: Array) -> Mask:
    return np.asarray(np.isfinite(rise).all(axis=0))


def _filled(rise: Array) -> Array:
    """Carry the nearest seen pixel on to those that are not: the far tail of a test function must meet no step."""
    seen = _seen(rise)
    if seen.all():
        return rise
    if not seen.any():
        return np.zeros_like(rise)
    rows, columns = distance_transform_edt(~seen, return_distances=False, return_indices=True)
    return np.asarray(rise[:, rows, columns])


def _clear_of_edges(usable: Mask, psi: float) -> Mask:
    """Pixels whose spatial test function touches no edge and no pixel that is not usable."""
    reach = int(np.ceil(3.0 * psi))
    inner = np.zeros_like(usable)
    inner[reach:-reach, reach:-reach] = True
    return np.asarray(inner & ~binary_dilation(~usable, np.ones((2 * reach + 1, 2 * reach + 1))))


def _field(
    best: Solution, covariance: Array, *, spacing: float, shape: tuple[int, int], step: int, window: float
) -> TransportField:
    """Turn regression coefficients about nodes into a field per length on every pixel."""

    def spread_out(nodes: Array) -> Array:
        return between_nodes(nodes, shape=shape, step=step)

    coefficients = spread_out(np.moveaxis(best.coefficients, -1, 0))
    drift = coefficients[:2] / spacing
    spread = spread_out(np.moveaxis(covariance, (-2, -1), (0, 1))) / spacing**2
    size = np.hypot(*drift)
    length = _healing_length(best) * spacing
    peclet = size * length
    noise = angle_deviation(drift, spread)
    with np.errstate(invalid="ignore"):
        significant = (wald(drift, spread) > WALD) & (noise < WIDEST) & (peclet > LEAST_PECLET)
    angle = np.arctan2(drift[1], drift[0])
    turning = _turning(angle, noise, significant, window=window)
    uncertainty = np.sqrt(noise**2 + (_EVENED * turning) ** 2 + _FLOOR**2)
    rate = coefficients[3] if len(coefficients) == UNKNOWNS else np.full(shape, np.nan)
    diffusivity = np.where(rate > 0.0, spacing**2 / np.where(rate > 0.0, rate, 1.0), np.nan)
    return TransportField(
        drift=drift,
        covariance=spread,
        diffusivity=diffusivity,
        direction=np.degrees(angle),
        direction_uncertainty=uncertainty,
        peclet=peclet,
        healing_length=length,
        determination=spread_out(best.determination),
        signal=spread_out(best.signal),
        evenness=spread_out(best.evenness),
        identifiable=np.asarray(significant & (uncertainty < WIDEST)),
    )


def _turning(angle: Array, noise: Array, said: Mask, *, window: float) -> Array:
    """Return by how much directions differ within a window beyond their noise, as a standard deviation [degree]."""

    def mean(values: Array) -> Array:
        return np.asarray(gaussian_filter(np.where(said, values, 0.0), window, mode="constant"))

    share = np.maximum(mean(np.ones_like(angle)), 1e-9)
    length = np.hypot(mean(np.cos(angle)), mean(np.sin(angle))) / share
    return np.where(said, np.sqrt(np.maximum(deviation(length) ** 2 - mean(noise**2) / share, 0.0)), 0.0)


def _healing_length(best: Solution) -> float:
    """Return ``sqrt(a / b)`` [pixel], the median over where loss is told from noise; NaN where nowhere."""
    told = best.coefficients[(best.signal > TOLD) & (best.coefficients[..., 2] > 0.0)][:, 2]
    return float(1.0 / np.sqrt(np.median(told))) if told.size else float("nan")


def wald(drift: Array, spread: Array) -> Array:
    """Return the squared distance of a drift ``(2, ny, nx)`` from zero in units of its covariance; NaN: unknown."""
    determinant = spread[0, 0] * spread[1, 1] - spread[0, 1] ** 2
    numerator = spread[1, 1] * drift[0] ** 2 - 2.0 * spread[0, 1] * drift[0] * drift[1] + spread[0, 0] * drift[1] ** 2
    good = np.isfinite(determinant) & (determinant > 0.0)
    return np.where(good, numerator / np.where(good, determinant, 1.0), np.nan)


def disagreement(one: TransportField, other: TransportField) -> float:
    """Return the share of pixels, identifiable in both, whose drifts differ beyond chance (0.1 %); NaN where none.

    More than a quarter says that the equation does not describe the board.
    """
    both = one.identifiable & other.identifiable
    return float(np.mean(distance(one, other)[both] > WALD)) if both.any() else float("nan")


def distance(one: TransportField, other: TransportField) -> Array:
    """Return the squared distance ``(ny, nx)`` of two drifts in units of their covariance and the direction's floor."""
    floor = np.radians(_FORMS_FLOOR) ** 2 * (np.sum(one.drift**2, axis=0) + np.sum(other.drift**2, axis=0))
    spread = one.covariance + other.covariance + floor * np.eye(2)[..., np.newaxis, np.newaxis]
    return wald(one.drift - other.drift, spread)
