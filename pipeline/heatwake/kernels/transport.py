"""Local heat transport from rise maps: the transport equation regressed in weak form, static sources eliminated.

    T_t + u . grad T = a lap T - b T + s(x)

Multiplied by a temporal test function of zero integral and a Gaussian in space, and integrated by parts, the unknown
static source ``s`` is gone and no derivative falls on noisy data (weak form: Gurevich, Reinbold and Grigoriev, Chaos
29, 2019, 103113). Two interleaved halves of the maps have independent noise; products are only taken between the
halves, so noise does not bias the normal equations (instrumental variables). The spread of the estimate is a sandwich
covariance that allows for residuals alike at neighbouring pixels (Conley, J. Econometrics 92, 1999, 1).

The equation holds where heat moves in the surface alone. Where air carries it over more than a hot spot's size, or the
conductivity varies, the estimate is a sign of a drift, not of the air: its confidence is conditional on the equation.
"""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations_with_replacement

import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation, distance_transform_edt, gaussian_filter

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

_UNKNOWNS = 4
_ORDER = 5  # of the temporal test function: smooth at its ends, so that sums over few maps equal integrals
_WALD = 13.8  # chi-squared of two degrees of freedom at 0.1 %
_LEAST_PECLET = 0.05
_WIDEST = 20.0  # [degree]
_FLOOR = 2.0  # [degree] of a direction's standard uncertainty: curvature within the window


@dataclass(frozen=True)
class TransportField:
    """Local drift of heat; maps are ``(ny, nx)``, NaN where nothing can be said.

    Attributes
    ----------
    drift : (2, ny, nx) array
        Drift velocity over diffusivity, ``(x, y)`` with y up [1/length].
    covariance : (2, 2, ny, nx) array
        Of the drift.
    diffusivity : (ny, nx) array
        [length2/s]; NaN where it cannot be told (steady maps).
    direction, direction_uncertainty : (ny, nx) arrays
        Where heat drifts to [degree], standard uncertainty with its floor.
    peclet : (ny, nx) array
        ``|u| l / a`` with the healing length ``l = sqrt(a / b)``.
    determination : (ny, nx) array
        Share of the response that the regression explains (R2).
    identifiable : (ny, nx) array of bool
        Significant, sharp to 20 degrees and of a Peclet number above 0.05.
    """

    drift: Array
    covariance: Array
    diffusivity: Array
    direction: Array
    direction_uncertainty: Array
    peclet: Array
    determination: Array
    identifiable: Mask


def heating_transport(
    rise: Array, *, elapsed: Array, spacing: float, half_support: float = 15.0, psi: float = 2.5, window: float = 8.0
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

    Returns
    -------
    TransportField

    Raises
    ------
    ValueError
        When the maps are too few for one test function (eight in each half).
    """
    return _estimate(rise, elapsed, spacing=spacing, half=half_support, psi=psi, window=window, mean_free=True)


def off_source_transport(
    rise: Array,
    *,
    elapsed: Array,
    spacing: float,
    sources: Mask,
    half_support: float = 15.0,
    psi: float = 2.5,
    window: float = 8.0,
) -> TransportField:
    """Return the local drift from pixels without sources, at any time, steady maps too.

    Parameters are those of `heating_transport`, and:

    sources : (ny, nx) array of bool
        Pixels that are heated; they are left out with a margin of 2.5 ``psi``.
    """
    reach = int(np.ceil(2.5 * psi))
    disc = np.hypot(*np.mgrid[-reach : reach + 1, -reach : reach + 1]) <= 2.5 * psi
    blocked = binary_dilation(sources, disc)
    return _estimate(
        rise, elapsed, spacing=spacing, half=half_support, psi=psi, window=window, mean_free=False, blocked=blocked
    )


def disagreement(one: TransportField, other: TransportField) -> float:
    """Return the share of pixels, identifiable in both, whose drifts differ beyond chance (0.1 %); NaN where none.

    More than a quarter says that the equation does not describe the board.
    """
    both = one.identifiable & other.identifiable
    if not both.any():
        return float("nan")
    apart = (one.drift - other.drift)[:, both]
    spread = np.moveaxis((one.covariance + other.covariance)[:, :, both], -1, 0)
    floor = np.radians(_FLOOR) ** 2 * np.sum(one.drift[:, both] ** 2 + other.drift[:, both] ** 2, axis=0)
    spread = spread + floor[:, np.newaxis, np.newaxis] * np.eye(2)
    distance = np.einsum("ik,ki->k", apart, np.linalg.solve(spread, apart.T[..., np.newaxis])[..., 0])
    return float(np.mean(distance > _WALD))


def _estimate(
    rise: Array,
    elapsed: Array,
    *,
    spacing: float,
    half: float,
    psi: float,
    window: float,
    mean_free: bool,
    blocked: Mask | None = None,
) -> TransportField:
    seen = np.asarray(np.isfinite(rise).all(axis=0))
    usable = _clear_of_edges(seen, psi)
    if blocked is not None:
        usable &= ~blocked
    filled = _filled(rise, seen)
    projections = _projections(filled, elapsed, half=half, mean_free=mean_free)
    halves = [[_test_fields(p, q, psi) for p, q in half_set] for half_set in projections]
    steady = not mean_free and len(projections[0]) < 2
    estimate, covariance, determination = _regress(halves[0], halves[1], usable, window=window, psi=psi, steady=steady)
    return _field(estimate, covariance, determination, spacing=spacing)


def _filled(rise: Array, seen: Mask) -> Array:
    """Carry the nearest seen pixel on to those that are not: the far tail of a test function must meet no step."""
    if not seen.any():
        return np.zeros_like(rise)
    rows, columns = distance_transform_edt(~seen, return_distances=False, return_indices=True)
    return np.asarray(rise[:, rows, columns])


def _clear_of_edges(seen: Mask, psi: float) -> Mask:
    """Pixels whose spatial test function touches no edge and no pixel that was not seen."""
    reach = int(np.ceil(3.0 * psi))
    inner = np.zeros_like(seen)
    inner[reach:-reach, reach:-reach] = True
    return np.asarray(inner & ~binary_dilation(~seen, np.ones((2 * reach + 1, 2 * reach + 1))))


def _projections(rise: Array, elapsed: Array, *, half: float, mean_free: bool) -> list[list[tuple[Array, Array]]]:
    """Project on each temporal test function, in each interleaved half: ``(P, Q)`` maps."""
    centres = np.arange(elapsed[0] + half, elapsed[-1] - half + 1e-9, half / 2.0)
    if len(centres) == 0 or min(np.sum(np.abs(elapsed[k::2] - centres[0]) < half) for k in (0, 1)) < 4:
        raise ValueError(
            f"{len(elapsed)} maps over {np.ptp(elapsed):g} s are too few for test functions of {2 * half:g} s"
        )
    shapes = (_bump_slope, _bump_curvature) if mean_free else (_bump, _bump_slope)
    return [
        [_project(rise[k::2], (elapsed[k::2] - centre) / half, half=half, shapes=shapes) for centre in centres]
        for k in (0, 1)
    ]


def _project(
    rise: Array, place: Array, *, half: float, shapes: tuple[Callable[[Array], Array], Callable[[Array], Array]]
) -> tuple[Array, Array]:
    """Return the time integrals of the rise times the test function, and times its negative slope."""
    inside = np.abs(place) < 1.0
    near = place[inside]
    norm = 1.0 / np.sum(_bump(near))
    value, slope = shapes[0](near) * norm, shapes[1](near) * norm / half
    if shapes[0] is not _bump:
        value = value - value.mean()  # a static source must vanish in the sum, not only in the integral
    slope = slope - slope.mean()
    return np.tensordot(value, rise[inside], 1), np.tensordot(-slope, rise[inside], 1)


def _bump(z: Array) -> Array:
    return (1.0 - z**2) ** _ORDER


def _bump_slope(z: Array) -> Array:
    return -2.0 * _ORDER * z * (1.0 - z**2) ** (_ORDER - 1)


def _bump_curvature(z: Array) -> Array:
    inner = 1.0 - z**2
    return -2.0 * _ORDER * inner ** (_ORDER - 1) + 4.0 * _ORDER * (_ORDER - 1) * z**2 * inner ** (_ORDER - 2)


def _test_fields(p: Array, q: Array, psi: float) -> Array:
    """Fields of the regression: lap P (response), dP/dx, dP/dy (y up), P, Q, smoothed by the spatial test function."""
    along_x = gaussian_filter(p, psi, order=(0, 1), mode="nearest")
    along_y = -gaussian_filter(p, psi, order=(1, 0), mode="nearest")
    lap = gaussian_filter(p, psi, order=(0, 2), mode="nearest") + gaussian_filter(p, psi, order=(2, 0), mode="nearest")
    return np.stack([lap, along_x, along_y, gaussian_filter(p, psi), gaussian_filter(q, psi)])


def _regress(
    one: list[Array], two: list[Array], usable: Mask, *, window: float, psi: float, steady: bool
) -> tuple[Array, Array, Array]:
    """Locally weighted regression with products between the halves only.

    Returns the estimate ``(ny, nx, 4)``, its covariance ``(ny, nx, 4, 4)`` and the determination ``(ny, nx)``.
    """
    weight = usable.astype(float)
    share = gaussian_filter(weight, window, mode="constant")
    enough = share > 0.05
    safe = np.where(enough, share, 1.0)

    def local(field: Array) -> Array:
        return np.asarray(gaussian_filter(field * weight, window, mode="constant") / safe)

    first, second = [[_demeaned(f, local) for f in fields] for fields in (one, two)]
    moments = _cross_moments(first, second, local)
    kept = _UNKNOWNS - 1 if steady else _UNKNOWNS
    normal, right = moments[..., 1 : kept + 1, 1 : kept + 1], moments[..., 1 : kept + 1, 0]
    scale = np.sqrt(np.einsum("...ii->...i", normal).clip(1e-30))
    scaled = normal / (scale[..., :, np.newaxis] * scale[..., np.newaxis, :])
    scaled = np.where(enough[..., np.newaxis, np.newaxis], scaled, np.eye(kept)) + 1e-12 * np.eye(kept)
    inverse = np.linalg.pinv(scaled, hermitian=True) / (scale[..., :, np.newaxis] * scale[..., np.newaxis, :])
    solved = np.einsum("...ij,...j->...i", inverse, right)
    middle = _score_spread(first, second, solved, weight=weight, window=window, psi=psi) / (safe**2)[..., None, None]
    spread = inverse @ middle @ inverse
    explained = np.einsum("...i,...i->...", solved, right) / moments[..., 0, 0].clip(1e-30)
    estimate = np.full((*usable.shape, _UNKNOWNS), np.nan)
    covariance = np.full((*usable.shape, _UNKNOWNS, _UNKNOWNS), np.nan)
    estimate[enough, :kept] = solved[enough]
    covariance[..., :kept, :kept][enough] = spread[enough]
    return estimate, covariance, np.where(enough, explained, np.nan)


def _demeaned(fields: Array, local: Callable[[Array], Array]) -> Array:
    """Take off the window's mean: what is common to all pixels, such as a camera's offset, falls out."""
    return np.stack([field - local(field) for field in fields])


def _cross_moments(first: list[Array], second: list[Array], local: Callable[[Array], Array]) -> Array:
    """Symmetrised products between the halves, summed over the test functions: ``(ny, nx, 5, 5)``."""
    size = len(first[0])
    moments = np.zeros((*first[0][0].shape, size, size))
    for a, b in combinations_with_replacement(range(size), 2):
        product = sum(0.5 * (one[a] * two[b] + one[b] * two[a]) for one, two in zip(first, second, strict=True))
        moments[..., a, b] = moments[..., b, a] = local(np.asarray(product))
    return moments


def _score_spread(
    first: list[Array], second: list[Array], solved: Array, *, weight: Array, window: float, psi: float
) -> Array:
    """Covariance of the summed scores; residuals are alike within two ``psi`` and over all test functions."""
    kept = solved.shape[-1]
    coefficients = np.moveaxis(np.nan_to_num(solved), -1, 0)
    scores = np.zeros((kept, *weight.shape))
    for one, two in zip(first, second, strict=True):
        left = one[0] - np.einsum("iyx,iyx->yx", coefficients, one[1 : kept + 1])
        right = two[0] - np.einsum("iyx,iyx->yx", coefficients, two[1 : kept + 1])
        scores += 0.5 * (one[1 : kept + 1] * right + two[1 : kept + 1] * left) * weight
    reach = 2.0 * psi
    near = [gaussian_filter(score, reach, mode="constant") * (2.0 * np.pi * reach**2) for score in scores]
    narrow = window / np.sqrt(2.0)
    spread = np.zeros((*weight.shape, kept, kept))
    for a, b in combinations_with_replacement(range(kept), 2):
        product = 0.5 * (scores[a] * near[b] + scores[b] * near[a])
        summed = gaussian_filter(product, narrow, mode="constant") / (4.0 * np.pi * window**2)
        spread[..., a, b] = spread[..., b, a] = summed
    return spread


def _field(estimate: Array, covariance: Array, determination: Array, *, spacing: float) -> TransportField:
    """Turn regression coefficients per pixel into a field per length."""
    drift = np.moveaxis(estimate[..., :2], -1, 0) / spacing
    spread = np.moveaxis(covariance[..., :2, :2], (-2, -1), (0, 1)) / spacing**2
    size = np.hypot(*drift)
    across = np.stack([-drift[1], drift[0]])
    variance = np.einsum("iyx,ijyx,jyx->yx", across, spread, across) / np.where(size > 0.0, size, np.nan) ** 4
    peclet = size * spacing / np.sqrt(np.maximum(estimate[..., 2], 1e-6))
    floor = np.where(peclet > 3.0, 1.5 * _FLOOR, _FLOOR)
    uncertainty = np.hypot(np.degrees(np.sqrt(np.maximum(variance, 0.0))), floor)
    with np.errstate(invalid="ignore"):
        identifiable = (_wald(drift, spread) > _WALD) & (uncertainty < _WIDEST) & (peclet > _LEAST_PECLET)
    rate = estimate[..., 3]
    diffusivity = np.where(rate > 0.0, spacing**2 / np.where(rate > 0.0, rate, 1.0), np.nan)
    return TransportField(
        drift=drift,
        covariance=spread,
        diffusivity=diffusivity,
        direction=np.degrees(np.arctan2(drift[1], drift[0])),
        direction_uncertainty=uncertainty,
        peclet=peclet,
        determination=determination,
        identifiable=np.asarray(identifiable),
    )


def _wald(drift: Array, spread: Array) -> Array:
    """Squared distance of the drift from zero in units of its covariance."""
    determinant = spread[0, 0] * spread[1, 1] - spread[0, 1] ** 2
    numerator = spread[1, 1] * drift[0] ** 2 - 2.0 * spread[0, 1] * drift[0] * drift[1] + spread[0, 0] * drift[1] ** 2
    good = np.isfinite(determinant) & (determinant > 0.0)
    return np.where(good, numerator / np.where(good, determinant, 1.0), np.nan)
