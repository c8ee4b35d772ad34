"""A lens that bends straight lines: pixels as the camera gives them, and as an ideal lens would.

The model of OpenCV's calibration (Brown's radial and tangential terms, the radial one as a ratio of polynomials):
https://docs.opencv.org/4.x/d9/d0c/group__calib3d.html.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]

COUNTS: Final = (4, 5, 8)
"""Numbers of coefficients that the model takes: k1, k2, p1, p2, then k3, then k4, k5, k6."""
STEPS: Final = 30  # of Newton's method, at most
SETTLED: Final = 1e-12  # of its steps, in units of the focal length
RAY: Final = 8  # places between the optical centre and a place that must not be folded
GRID: Final = 33  # places a side of a picture, to look for folds


@dataclass(frozen=True)
class Lens:
    """Focal lengths and optical centre [px], and coefficients k1, k2, p1, p2, k3, k4, k5, k6 (0 where none)."""

    focal: tuple[float, float]
    centre: tuple[float, float]
    coefficients: tuple[float, ...]

    def distort(self, ideal: npt.ArrayLike) -> Array:
        """Return where the camera's picture shows what an ideal lens would show at some pixels.

        Parameters
        ----------
        ideal : (..., 2) array
            Column and row [px].

        Returns
        -------
        (..., 2) array
            NaN beyond where the mapping folds: there the coefficients mean nothing.
        """
        x, y = self._to_unit(ideal)
        return self._to_pixels(*_bent(x, y, self._all), known=self._is_unfolded(x, y))

    def undistort(self, seen: npt.ArrayLike) -> Array:
        """Return where an ideal lens would show what the camera's picture shows at some pixels; NaN where none would.

        Newton's method from the pixel itself.
        """
        wanted = self._to_unit(seen)
        x, y = wanted[0].copy(), wanted[1].copy()
        for _ in range(STEPS):
            with np.errstate(all="ignore"):
                bent = _bent(x, y, self._all)
                xx, xy, yy = _slopes(x, y, self._all)
                across, down = bent[0] - wanted[0], bent[1] - wanted[1]
                size = xx * yy - xy * xy
                step_x, step_y = (yy * across - xy * down) / size, (xx * down - xy * across) / size
            limit = 0.3 / np.maximum(np.hypot(step_x, step_y), 0.3)  # far steps jump over a fold
            x, y = x - limit * step_x, y - limit * step_y
            if np.nanmax(np.hypot(step_x, step_y), initial=0.0) < SETTLED:
                break
        bent = _bent(x, y, self._all)
        found = np.hypot(bent[0] - wanted[0], bent[1] - wanted[1]) < 1e-9
        return self._to_pixels(x, y, known=found & self._is_unfolded(x, y))

    def slopes(self, ideal: npt.ArrayLike) -> Array:
        """Return how a pixel of the picture moves with one of the ideal picture: (..., 2, 2) at (..., 2) places."""
        xx, xy, yy = _slopes(*self._to_unit(ideal), self._all)
        ratio = self.focal[0] / self.focal[1]
        return np.stack([np.stack([xx, xy * ratio], axis=-1), np.stack([xy / ratio, yy], axis=-1)], axis=-2)

    def folds_within(self, shape: tuple[int, int]) -> bool:
        """Tell whether some pixel of a picture of (rows, columns) shows nothing, or two things at once."""
        rows, columns = np.linspace(0, shape[0] - 1, GRID), np.linspace(0, shape[1] - 1, GRID)
        places = np.stack(np.meshgrid(columns, rows), axis=-1)
        return bool(np.isnan(self.undistort(places)).any())

    @property
    def _all(self) -> Array:
        return np.concatenate([self.coefficients, np.zeros(8 - len(self.coefficients))])

    def _to_unit(self, pixels: npt.ArrayLike) -> tuple[Array, Array]:
        places = np.asarray(pixels, dtype=np.float64)
        unit = (places - self.centre) / self.focal
        return unit[..., 0], unit[..., 1]

    def _to_pixels(self, x: Array, y: Array, *, known: Array) -> Array:
        places = np.stack([x, y], axis=-1) * self.focal + np.asarray(self.centre)
        return np.where(known[..., None], places, np.nan)

    def _is_unfolded(self, x: Array, y: Array) -> Array:
        """Tell whether the mapping is one-to-one all the way from the optical centre."""
        sound = np.isfinite(x) & np.isfinite(y)
        for share in np.arange(1, RAY + 1) / RAY:
            with np.errstate(all="ignore"):
                xx, xy, yy = _slopes(share * x, share * y, self._all)
                sound &= (xx * yy - xy * xy > 0) & (xx + yy > 0)
                sound &= _ratio(share**2 * (x * x + y * y), self._all)[1] > 0
        return np.asarray(sound)


def _ratio(square: Array, k: Array) -> tuple[Array, Array, Array]:
    """Radial ratio at a squared radius, its denominator, and its slope by the squared radius."""
    above = 1 + square * (k[0] + square * (k[1] + square * k[4]))
    below = 1 + square * (k[5] + square * (k[6] + square * k[7]))
    above_slope = k[0] + square * (2 * k[1] + square * 3 * k[4])
    below_slope = k[5] + square * (2 * k[6] + square * 3 * k[7])
    return above / below, below, (above_slope * below - above * below_slope) / below**2


def _bent(x: Array, y: Array, k: Array) -> tuple[Array, Array]:
    square = x * x + y * y
    ratio = _ratio(square, k)[0]
    across = x * ratio + 2 * k[2] * x * y + k[3] * (square + 2 * x * x)
    down = y * ratio + k[2] * (square + 2 * y * y) + 2 * k[3] * x * y
    return across, down


def _slopes(x: Array, y: Array, k: Array) -> tuple[Array, Array, Array]:
    """Slopes of :func:`_bent`: across by x, across by y (which is down by x), down by y."""
    ratio, _, slope = _ratio(x * x + y * y, k)
    xx = ratio + 2 * x * x * slope + 2 * k[2] * y + 6 * k[3] * x
    yy = ratio + 2 * y * y * slope + 6 * k[2] * y + 2 * k[3] * x
    return xx, 2 * x * y * slope + 2 * k[2] * x + 2 * k[3] * y, yy
