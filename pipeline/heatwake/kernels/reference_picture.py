"""The picture that frames are aligned to, and where on a frame it is found again."""

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from heatwake.kernels.alignment import compose, gradient_magnitude, invert, normalise_contrast, resample
from heatwake.kernels.moving import median_where_seen
from heatwake.kernels.pose_search import Alignment, Target, align

Array = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]

LEAST_CONTRAST: Final = 0.5  # of the highest spread of temperature that a picture for the reference needs
EDGE_PLACES: Final = 20_000  # many, for what changed its look is to be outvoted
FITTING: Final = 0.5  # of the median quality that a picture needs to go into the reference
FARTHEST: Final = 0.3  # of the picture's shorter side; a larger movement is a wrong match
STEEPEST: Final = 10.0  # [deg] likewise


@dataclass(frozen=True)
class Reference:
    """The board's print, by its contrast and by the size of its gradient, ready to be found.

    Attributes
    ----------
    contrast : Target
    edge_picture : (rows, columns) float32 array
        Contrast-normalised size of the gradient; NaN where masked.
    drawn : (3,) array
        Pose to which a picture that has not moved is drawn because it looks otherwise; taken off what is found.
    """

    contrast: Target
    edge_picture: Array
    drawn: Array = field(default_factory=lambda: np.zeros(3))

    @classmethod
    def of(cls, picture: Array) -> "Reference":
        """Return the reference that a picture (rows, columns) makes; masked pixels are NaN."""
        return cls.of_contrasts(contrast_of(picture), edges_of(picture))

    @classmethod
    def of_contrasts(cls, contrast: Array, edges: Array, drawn: Array | None = None) -> "Reference":
        """Return the reference that prepared pictures (rows, columns) make; NaN where masked."""
        prepared = Target.of(np.nan_to_num(contrast), np.isfinite(contrast))
        return cls(prepared, edges, np.zeros(3) if drawn is None else drawn)

    @cached_property
    def edges(self) -> Target:
        """The size of the gradient, prepared: seldom needed."""
        known = np.isfinite(self.edge_picture)
        return Target.of(np.nan_to_num(self.edge_picture), known, places=EDGE_PLACES)


def contrast_of(frame: Array) -> Array:
    """Return the contrast-normalised picture, NaN where the frame is."""
    seen = np.isfinite(frame)
    contrast = normalise_contrast(frame)
    return contrast if seen.all() else np.where(seen, contrast, np.float32(np.nan))


def edges_of(frame: Array) -> Array:
    """Return the contrast-normalised size of the gradient, NaN where the frame is: blind to the contrast's sign."""
    return contrast_of(gradient_magnitude(frame))


def build_reference(sample: list[Array]) -> Array:
    """Return the median of those pictures in which heat shows the board's print, aligned; built once more from itself.

    Parameters
    ----------
    sample : list of (rows, columns) arrays
        Pictures spread over the recording, one at least; masked pixels are NaN. A hand in a few of them is outvoted.
    """
    spread = np.array([np.nanstd(picture) for picture in sample])
    warm = [picture for picture, width in zip(sample, spread, strict=True) if width >= LEAST_CONTRAST * spread.max()]
    reference = Reference.of(warm[len(warm) // 2])
    contrasts = [contrast_of(one) for one in warm]
    guesses: list[Array | None] = [None] * len(warm)
    for _ in range(2):
        found = [align(one, reference.contrast, guess=guess) for one, guess in zip(contrasts, guesses, strict=True)]
        guesses = [one.pose for one in found]
        best = float(np.median([one.quality for one in found]))
        aligned = [
            resample(levelled(picture), one.pose)
            for picture, one in zip(warm, found, strict=True)
            if one.quality >= FITTING * best
        ]
        picture = median_where_seen(np.stack(aligned))
        reference = Reference.of(picture)
    return picture


def levelled(picture: Array) -> Array:
    """Return a picture about its median; masked pixels are NaN."""
    seen = np.isfinite(picture)
    return picture - np.float32(np.median(picture if seen.all() else picture[seen]))


def locate(frame: Array, reference: Reference, *, guess: Array, good: float) -> Alignment:
    """Return where a frame shows the reference's content.

    Sought from the guess; where that's poor from anywhere; where that's poor too by the size of the gradient.

    Parameters
    ----------
    frame : (rows, columns) array
        Masked pixels are NaN.
    reference : Reference
    guess : (3,) array
        Pose to start from; it's held, with quality 0, where nothing plausible is found.
    good : float
        Quality from which a pose isn't poor.
    """
    contrast = contrast_of(frame)
    best = align(contrast, reference.contrast, guess=guess)
    if best.quality < good:
        best = max(best, align(contrast, reference.contrast), key=_plausible_quality)
    best = _put_right(best, reference.drawn)
    if best.quality < good:
        best = max(best, align(edges_of(frame), reference.edges, guess=best.pose), key=_plausible_quality)
    if not _is_plausible(best, frame.shape):
        return Alignment.of(guess, quality=0.0, share=0.0)
    return best


def _put_right(one: Alignment, drawn: Array) -> Alignment:
    if not drawn.any() or one.quality == 0:
        return one
    shift_x, shift_y, rotation = compose(one.pose, invert(drawn)).tolist()
    return replace(one, shift_x=shift_x, shift_y=shift_y, rotation=rotation)


def _plausible_quality(one: Alignment) -> float:
    return one.quality if abs(one.rotation) < STEEPEST else -1.0


def _is_plausible(one: Alignment, shape: tuple[int, ...]) -> bool:
    return abs(one.rotation) < STEEPEST and float(np.hypot(one.shift_x, one.shift_y)) < FARTHEST * min(shape)
