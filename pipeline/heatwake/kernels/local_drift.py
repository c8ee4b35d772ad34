"""One local drift of two forms of the estimate, and why there is none where there is none.

The form without mean over time holds everywhere while the board warms up; the form for pixels off the sources holds
at any time. The first is taken where it is identifiable, else the second: they are not averaged, for in a curved drift
both are off by more than their noise, and alike.
"""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
import numpy.typing as npt

from heatwake.kernels.transport import LEAST_PECLET, WALD, TransportField, distance, wald

Array = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int8]
Mask = npt.NDArray[np.bool_]

_EXPLAINED = 0.9  # of the response: where the conductivity varies, or sources switch, it is less
_FADED = 0.5  # correlation of the response between subsets below which it is mostly noise
_ONE_WAY = 0.02  # evenness of the gradients below which only the drift along them is told
_STILL_PECLET = 0.3  # an upper bound (95 %) below this says that next to nothing drifts


class Form(IntEnum):
    """What a drift comes from."""

    NONE = 0
    HEATING = 1
    OFF_SOURCE = 2


class Reason(IntEnum):
    """Why there is no direction."""

    TOLD = 0
    NOT_SEEN = 1
    TOO_SHORT = 2
    DECAYED = 3  # nothing changes any more, and on a source a steady map fits any drift
    NO_CONTRAST = 4
    ONE_WAY = 5  # all gradients point one way
    NO_DRIFT = 6
    UNCERTAIN = 7
    EQUATION = 8  # does not describe what is seen
    ONE_RECORDING = 9  # a change of the conductivity would look the same


@dataclass(frozen=True)
class LocalDrift:
    """Local drift of heat, ``(ny, nx)``; NaN where it is not identifiable, with the reason.

    Attributes
    ----------
    drift : (2, ny, nx) array
        Drift velocity over diffusivity, x and y up [1/length].
    covariance : (2, 2, ny, nx) array
    direction, direction_uncertainty : arrays
        [degree].
    peclet : array
    speed : array
        Drift velocity [length/s]; NaN where the diffusivity is not known.
    determination : array
        Share of the response explained.
    form : int8 array
        A `Form`.
    agreement : array
        Squared distance of the two forms, chi-squared of two degrees of freedom where they agree; NaN where one lacks.
    reason : int8 array
        A `Reason`.
    """

    drift: Array
    covariance: Array
    direction: Array
    direction_uncertainty: Array
    peclet: Array
    speed: Array
    determination: Array
    form: Codes
    agreement: Array
    reason: Codes

    @property
    def identifiable(self) -> Mask:
        """Where there is a direction."""
        return np.asarray(self.form != Form.NONE)


def choose_form(heating: TransportField | None, outside: TransportField | None, *, seen: Mask) -> LocalDrift:
    """Return the drift by the form that holds at each pixel.

    Parameters
    ----------
    heating, outside : TransportField or None
        The form of the warming-up and that of pixels off the sources; None where the maps do not last for one.
    seen : (ny, nx) array of bool
        Pixels that every map shows.
    """
    shape = seen.shape
    form = np.zeros(shape, dtype=np.int8)
    made = {name: np.full(shape, np.nan) for name in ("direction", "direction_uncertainty", "peclet", "determination")}
    drift, covariance, diffusivity = (
        np.full((2, *shape), np.nan),
        np.full((2, 2, *shape), np.nan),
        np.full(shape, np.nan),
    )
    for code, field in ((Form.OFF_SOURCE, outside), (Form.HEATING, heating)):
        if field is None:
            continue
        said = field.identifiable & (field.determination > _EXPLAINED)
        form[said] = code
        for name, values in made.items():
            values[said] = getattr(field, name)[said]
        drift[:, said], covariance[:, :, said] = field.drift[:, said], field.covariance[:, :, said]
        diffusivity[said] = field.diffusivity[said]
    agreement = distance(heating, outside) if heating is not None and outside is not None else np.full(shape, np.nan)
    reason = _reasons(heating, outside, seen=seen)
    reason[form != Form.NONE] = Reason.TOLD
    return LocalDrift(
        drift=drift,
        covariance=covariance,
        speed=np.hypot(*drift) * diffusivity,
        form=form,
        agreement=agreement,
        reason=reason,
        **made,
    )


def _reasons(heating: TransportField | None, outside: TransportField | None, *, seen: Mask) -> Codes:
    """Return why each pixel has no direction, as if none had one; the form that tells more is asked."""
    if heating is None and outside is None:
        return np.where(seen, Reason.TOO_SHORT, Reason.NOT_SEEN).astype(np.int8)
    reason = np.full(seen.shape, Reason.UNCERTAIN, dtype=np.int8)
    alive = np.zeros(seen.shape, dtype=bool)
    for field in (outside, heating):
        if field is not None:
            told = field.signal > _FADED
            reason[told] = _reason_of(field)[told]
            alive |= told
    blocked = np.ones_like(seen) if outside is None else np.isnan(outside.signal)
    reason[~alive] = np.where(blocked, Reason.DECAYED, Reason.NO_CONTRAST)[~alive]
    reason[~seen] = Reason.NOT_SEEN
    return reason


def _reason_of(field: TransportField) -> Codes:
    """Return why one form tells nothing, where there is signal."""
    major = np.sqrt(np.maximum(_largest_variance(field.covariance), 0.0))
    most = field.peclet + 1.96 * major * field.healing_length
    with np.errstate(invalid="ignore"):
        slight = (field.peclet < LEAST_PECLET) & (wald(field.drift, field.covariance) > WALD)
        reason = np.where(field.evenness < _ONE_WAY, Reason.ONE_WAY, Reason.UNCERTAIN)
        reason = np.where(field.identifiable, Reason.EQUATION, reason)
        reason = np.where(slight | (most < _STILL_PECLET), Reason.NO_DRIFT, reason)
    return reason.astype(np.int8)


def _largest_variance(covariance: Array) -> Array:
    """Return the larger principal variance of ``(2, 2, ny, nx)`` covariances."""
    middle = 0.5 * (covariance[0, 0] + covariance[1, 1])
    return np.asarray(middle + np.hypot(0.5 * (covariance[0, 0] - covariance[1, 1]), covariance[0, 1]))
