"""Where the content of a prepared picture is found again on another: rigid, to a hundredth of a pixel.

Gauss-Newton steps in the frame of the prepared picture, whose gradients are therefore taken only once (S. Baker and I.
Matthews, Lucas-Kanade 20 years on, IJCV 56 (2004) 221: the inverse compositional algorithm), with gain and level fitted
along, as the enhanced correlation coefficient implies (G. Evangelidis and E. Psarakis, IEEE PAMI 30 (2008) 1858). Only
the places with the steepest gradients take part: they hold nearly all that is to be known of a movement.
"""

from dataclasses import dataclass
from functools import cached_property
from math import cos, hypot, inf, radians, sin, sqrt
from typing import Any, Final

import cv2
import numba
import numpy as np
import numpy.typing as npt

from heatwake.kernels.alignment import pose_matrix
from heatwake.kernels.compiled import compiled
from heatwake.kernels.interpolation import sample

Array = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]

PLACES: Final = 5_000  # with the steepest gradients
EVEN_PLACES: Final = 5_000  # spread over the picture, to judge how well all of it fits
RIM: Final = 3  # [px] left out at the rim, where filters saw nothing beyond
STEPS: Final = 15
LONGEST_STEP: Final = 2.0  # [px, likewise]
STOP: Final = 2e-3  # [px, and degrees times the picture's size] a smaller step ends the search
ROUGH: Final = 0.1  # [px, likewise] before it is known which places disagree
LEAST_PLACES: Final = 50
SMALLEST: Final = 16  # [px] a smaller picture holds too little to align
LEAST_SHARE: Final = 0.05  # of the pixels that must be seen
CELL: Final = 8  # [px] side of the cells whose misfit is judged
BLUR: Final = 3.0  # [px] of the blurred picture
NOISE_REACH: Final = 2.0  # [px] over which the contrast's noise goes together
ROBUST_ROUNDS: Final = 20
CAUCHY_SCALE: Final = 0.7  # of the misfits' standard deviation at which a place counts half
MISFIT_LIMIT: Final = 2.2  # a cell with more than this many times the median misfit is left out


@dataclass(frozen=True)
class Alignment:
    """A pose and how well it is founded.

    Attributes
    ----------
    shift_x, shift_y : float
        Movement of the content from reference to image [px], right and down.
    rotation : float
        Turn about the picture's centre [deg], counter-clockwise as seen.
    quality : float
        Correlation of the two pictures over the pixels used, 0 to 1; 0 where nothing could be aligned.
    share : float
        Share of the seen pixels that agree with the reference, 0 to 1.
    uncertainty : float
        Standard uncertainty [px rms over the picture] that noise gives the pose; infinite where nothing was aligned.
    """

    shift_x: float
    shift_y: float
    rotation: float
    quality: float
    share: float = 1.0
    uncertainty: float = inf

    @classmethod
    def of(cls, pose: Array, *, quality: float, share: float, uncertainty: float = inf) -> "Alignment":
        """Return the alignment of a pose given as an array (3,)."""
        return cls(float(pose[0]), float(pose[1]), float(pose[2]), quality, share, uncertainty)

    @property
    def pose(self) -> Array:
        """The three numbers of the pose as an array."""
        return np.array([self.shift_x, self.shift_y, self.rotation])


@dataclass(frozen=True)
class Target:
    """A picture prepared to be found on others.

    Attributes
    ----------
    picture : (rows, columns) float32 array
        Contrast-normalised.
    known : (rows, columns) array of bool
    columns, rows : (n,) float64 arrays
        Places that take part [px].
    values : (n,) float64 array
        The picture's values there.
    slopes : (n, 3) float64 array
        Their change with a shift right and down [1/px] and with a turn [1/deg].
    cells : (n,) array of int
        Cell that each place lies in.
    even : tuple of (m,) arrays
        Columns, rows and values of places spread evenly.
    even_cells : (m,) array of int
        Cell that each of these lies in.
    """

    picture: Array
    known: Mask
    columns: Array
    rows: Array
    values: Array
    slopes: Array
    cells: npt.NDArray[np.intp]
    even: tuple[Array, Array, Array]
    even_cells: npt.NDArray[np.intp]

    @classmethod
    def of(cls, picture: Array, known: Mask | None = None, *, places: int = PLACES) -> "Target":
        """Prepare a contrast-normalised picture (rows, columns); ``known`` marks what of it is to be used.

        At most so many ``places`` with the steepest gradients take part.
        """
        values = np.ascontiguousarray(picture, dtype=np.float32)
        seen = np.ones(values.shape, dtype=np.bool_) if known is None else known
        inner = np.zeros(values.shape, dtype=np.bool_)
        inner[RIM:-RIM, RIM:-RIM] = seen[RIM:-RIM, RIM:-RIM]
        down: Array = np.zeros(values.shape)
        right: Array = np.zeros(values.shape)
        if min(values.shape) > 1:
            down, right = (np.asarray(one, dtype=np.float64) for one in np.gradient(values))
        steep = np.where(inner, np.sqrt(down * down + right * right), 0.0)
        chosen = _steepest(steep, places)
        rows, columns = (index.astype(np.float64) for index in np.nonzero(chosen))
        centre_row, centre_column = (np.array(values.shape) - 1) / 2
        turning = (rows - centre_row) * right[chosen] - (columns - centre_column) * down[chosen]
        slopes = np.stack([right[chosen], down[chosen], np.radians(turning)], axis=1)
        even = _evenly(values, inner)
        return cls(
            picture=values,
            known=seen,
            columns=columns,
            rows=rows,
            values=values[chosen].astype(np.float64),
            slopes=np.ascontiguousarray(slopes),
            cells=_cells(columns, rows, values.shape),
            even=even,
            even_cells=_cells(even[0], even[1], values.shape),
        )

    def find(self, image: Array, *, start: Array) -> tuple[Array, float, float] | None:
        """Return the pose on an image, the correlation over the whole picture, and the share of places that agree.

        Parameters
        ----------
        image : (rows, columns) float32 array
            Contrast-normalised like the picture; NaN where it must not be used.
        start : (3,) array
            Pose to search from, some pixels near the true one.

        Returns
        -------
        tuple or None
            None where the search runs off or too little is seen.
        """
        everywhere = np.ones(len(self.values))
        found = self._search(image, start, everywhere, stop=ROUGH)
        if found is None:
            return None
        agrees = self._cells_that_agree(image, found)
        agreeing = agrees[self.cells]
        share = float(agreeing.mean())
        again = self._search(image, found, agreeing.astype(np.float64))
        found = found if again is None else again
        return found, self._correlation(image, found, agrees), share

    def drawn_to(self, image: Array) -> Array:
        """Return where plain least squares puts an image that has not moved (3,); zeros where they run off."""
        found = self._search(image, np.zeros(3), np.ones(len(self.values)))
        return np.zeros(3) if found is None else found

    def find_robustly(self, image: Array, *, start: Array) -> tuple[Array, float] | None:
        """Return the pose on an image that may have changed in places, and the correlation over the whole picture.

        Each place counts the less the worse it fits (Cauchy's weights: P. J. Huber and E. M. Ronchetti, Robust
        Statistics, 2nd ed., Wiley 2009), so that what moved or changed its look hardly steers what stands. Fit for
        pictures with little noise: on noisy ones a misfit does not tell what changed.

        Parameters
        ----------
        image, start
            As for :meth:`find`.
        """
        weights: Array = np.ones(len(self.values))
        pose: Array = np.array(start, dtype=np.float64)
        for _ in range(ROBUST_ROUNDS):
            found = self._search(image, pose, weights)
            if found is None:
                return None
            moved = float(np.abs(found - pose).max())
            pose = found
            weights = self._cauchy_weights(image, pose, weights)
            if moved < STOP:
                break
        agrees = np.ones(_cell_count(self.picture.shape), dtype=np.bool_)
        return pose, self._correlation(image, pose, agrees)

    def _cauchy_weights(self, image: Array, pose: Array, weights: Array) -> Array:
        seen = np.empty(len(self.values))
        set_values(image, self._matrix(pose), self.columns, self.rows, seen)
        known = np.isfinite(seen)
        made = np.zeros(len(seen))
        gain, level = np.polyfit(self.values[known], seen[known], 1, w=np.sqrt(weights[known]))
        misfit = seen[known] - gain * self.values[known] - level
        scale = CAUCHY_SCALE * 1.4826 * float(np.median(np.abs(misfit)))
        made[known] = 1 / (1 + (misfit / max(scale, 1e-9)) ** 2)
        return made

    def uncertainty(self, quality: float) -> float:
        """Return what noise of such a correlation gives a pose [px rms over the picture].

        Least squares' covariance, with noise as much as the correlation tells and correlated from pixel to pixel as the
        contrast's filter leaves it.
        """
        return inf if quality <= 0 else self._softness * sqrt(max(0.0, 1 / quality**2 - 1))

    @cached_property
    def _softness(self) -> float:
        if len(self.values) < LEAST_PLACES:
            return inf
        normal = self.slopes.T @ self.slopes
        if not np.linalg.cond(normal) < 1 / np.finfo(np.float64).eps:
            return inf
        gyration = radians(hypot(*self.picture.shape) / sqrt(12))  # [px a degree]
        variance = np.diag(np.linalg.inv(normal)) @ (1.0, 1.0, gyration**2)
        return float(NOISE_REACH * np.std(self.even[2]) * np.sqrt(variance))

    def _search(self, image: Array, start: Array, weights: Array, *, stop: float = STOP) -> Array | None:
        pose = np.array(start, dtype=np.float64)
        found = search(image, pose, self.columns, self.rows, self.values, self.slopes, weights, stop)
        return pose if found else None

    def _matrix(self, pose: Array) -> Array:
        shape = (self.picture.shape[0], self.picture.shape[1])
        return np.ascontiguousarray(pose_matrix(*pose.tolist(), shape=shape))

    def _cells_that_agree(self, image: Array, pose: Array) -> Mask:
        """All cells but those whose misfit stands out: a hand, a reflection that moves otherwise."""
        count, misfit = np.zeros((2, _cell_count(self.picture.shape)))
        matrix = self._matrix(pose)
        add_misfits(image, matrix, self.columns, self.rows, self.values, self.cells, count, misfit)
        mean = misfit / np.maximum(count, 1)
        return np.asarray(mean <= MISFIT_LIMIT * np.median(mean[count > 0]))

    def _correlation(self, image: Array, pose: Array, agrees: Mask) -> float:
        columns, rows, values = self.even
        found = correlation(image, self._matrix(pose), columns, rows, values, agrees[self.even_cells])
        return max(0.0, float(found))

    @cached_property
    def blurred(self) -> "Target":
        """The same picture without its finest structure, to be found from farther away."""
        return Target.of(_blur(self.picture), self.known)


def _cells(columns: Array, rows: Array, shape: tuple[int, ...]) -> npt.NDArray[np.intp]:
    across = shape[1] // CELL + 1
    return np.asarray((rows // CELL) * across + columns // CELL, dtype=np.intp)


def _cell_count(shape: tuple[int, ...]) -> int:
    return (shape[0] // CELL + 1) * (shape[1] // CELL + 1)


def _blur(picture: Array) -> Array:
    return np.asarray(cv2.GaussianBlur(np.nan_to_num(picture), (0, 0), BLUR), dtype=np.float32)


def align(image: Array, target: Target | Array, *, guess: npt.ArrayLike | None = None) -> Alignment:
    """Return where the content of the target is on the image.

    Phase correlation where there is no guess (Guizar-Sicairos, Thurman and Fienup, Opt. Lett. 33 (2008) 156, without
    their refinement), then the search, then once more without the places that disagree (a hand).

    Parameters
    ----------
    image : (rows, columns) array
        Contrast-normalised (see :func:`normalise_contrast`); NaN where it must not be used.
    target : Target or array
        What to find: a prepared picture, or one like ``image`` that is used once.
    guess : (3,) array, optional
        A pose to start from.

    Returns
    -------
    Alignment
        With quality 0 and the guess (or no movement) as the pose where the pictures can't be aligned.
    """
    if not isinstance(target, Target):
        target = Target.of(np.nan_to_num(target), np.isfinite(target))
    values = np.ascontiguousarray(image, dtype=np.float32)
    start: Array = np.zeros(3) if guess is None else np.asarray(guess, dtype=np.float64)
    nothing = Alignment.of(start, quality=0.0, share=0.0)
    enough = min(values.shape) >= SMALLEST and np.isfinite(values).mean() >= LEAST_SHARE
    if not (enough and len(target.values) >= LEAST_PLACES and np.nanmax(np.abs(values)) > 0):
        return nothing
    if guess is None:
        start = np.array([*_coarse_shift(np.nan_to_num(values), target.picture), 0.0])
        rough = target.blurred.find(_blur(values), start=start)
        start = start if rough is None else rough[0]
    found = target.find(values, start=start)
    if found is None:
        return nothing
    pose, quality, share = found
    noise = target.uncertainty(quality) / sqrt(share)
    return Alignment.of(pose, quality=quality, share=share, uncertainty=noise)


def _coarse_shift(image: Array, reference: Array) -> tuple[float, float]:
    window = cv2.createHanningWindow(image.shape[::-1], cv2.CV_32F)
    (right, down), _ = cv2.phaseCorrelate(reference.astype(np.float32), image.astype(np.float32), window)
    return float(right), float(down)


def _steepest(steep: Array, places: int) -> Mask:
    """Mark at most so many places, the steepest; none where the picture is level."""
    wanted = min(places, int(np.count_nonzero(steep)))
    if wanted == 0:
        return np.zeros(steep.shape, dtype=np.bool_)
    least = np.partition(steep.ravel(), -wanted)[-wanted]
    return np.asarray(steep >= max(float(least), np.finfo(np.float64).tiny))


def _evenly(picture: Array, inner: Mask) -> tuple[Array, Array, Array]:
    rows, columns = np.nonzero(inner)
    stride = max(1, len(rows) // EVEN_PLACES)
    rows, columns = rows[::stride], columns[::stride]
    return columns.astype(np.float64), rows.astype(np.float64), picture[rows, columns].astype(np.float64)


@numba.njit(inline="always")
def value_at(image, matrix, column, row):  # type: ignore[no-untyped-def]
    """Return the image's value at a moved place, NaN where there is none."""
    moved_column = matrix[0, 0] * column + matrix[0, 1] * row + matrix[0, 2]
    return sample(image, moved_column, matrix[1, 0] * column + matrix[1, 1] * row + matrix[1, 2])


@compiled("void(float32[:, ::1], float64[:, ::1], float64[::1], float64[::1], float64[::1])")
def set_values(image, matrix, columns, rows, seen):  # type: ignore[no-untyped-def]
    """Set the image's value at each moved place, NaN where there is none."""
    for k in range(len(columns)):
        seen[k] = value_at(image, matrix, columns[k], rows[k])


@compiled(
    "void(float32[:, ::1], float64[:, ::1], float64[::1], float64[::1], float64[::1], intp[::1], float64[::1],"
    " float64[::1])"
)
def add_misfits(image, matrix, columns, rows, values, cells, count, misfit):  # type: ignore[no-untyped-def]
    """Add, by cell, how many places the image shows and by how much it differs there."""
    for k in range(len(columns)):
        seen = value_at(image, matrix, columns[k], rows[k])
        if seen == seen:
            count[cells[k]] += 1
            misfit[cells[k]] += abs(seen - values[k])


@compiled(
    "float64(float32[:, ::1], float64[:, ::1], float64[::1], float64[::1], float64[::1], boolean[::1])",
)
def correlation(image, matrix, columns, rows, values, counts):  # type: ignore[no-untyped-def]
    """Return how well the image's values at moved places go with those wanted, over places that count: -1 to 1.

    0 where too few are seen or one of the two is level.
    """
    number, sums, squares, product = 0, np.zeros(2), np.zeros(2), 0.0
    for k in range(len(columns)):
        if not counts[k]:
            continue
        seen, wanted = float(value_at(image, matrix, columns[k], rows[k])), values[k]
        if seen == seen:
            number += 1
            sums[0] += seen
            sums[1] += wanted
            squares[0] += seen * seen
            squares[1] += wanted * wanted
            product += seen * wanted
    if number < LEAST_PLACES:
        return 0.0
    squares -= sums * sums / number
    if not (squares[0] > 0 and squares[1] > 0):
        return 0.0
    return min(1.0, (product - sums[0] * sums[1] / number) / sqrt(squares[0] * squares[1]))


@compiled("boolean(float64[:, ::1], float64[::1])")
def solve_in_place(matrix, right_side):  # type: ignore[no-untyped-def]
    """Solve a symmetric positive definite system, the solution in ``right_side``; False where it is singular."""
    count = len(right_side)
    for i in range(count):
        whole = matrix[i, i]
        for k in range(i):
            matrix[i, i] -= matrix[i, k] * matrix[i, k]
        if not matrix[i, i] > 1e-12 * whole:
            return False
        matrix[i, i] = sqrt(matrix[i, i])
        for j in range(i + 1, count):
            for k in range(i):
                matrix[j, i] -= matrix[j, k] * matrix[i, k]
            matrix[j, i] /= matrix[i, i]
    for i in range(count):
        for k in range(i):
            right_side[i] -= matrix[i, k] * right_side[k]
        right_side[i] /= matrix[i, i]
    for i in range(count - 1, -1, -1):
        for k in range(i + 1, count):
            right_side[i] -= matrix[k, i] * right_side[k]
        right_side[i] /= matrix[i, i]
    return True


@compiled(
    "boolean(float32[:, ::1], float64[::1], float64[::1], float64[::1], float64[::1], float64[:, ::1], float64[::1],"
    " float64)"
)
def search(image, pose, columns, rows, values, slopes, weights, stop):  # type: ignore[no-untyped-def]
    """Move a pose (3,) in place to where ``image = gain value + level`` fits best; tell whether it came to rest.

    It rests after a step of less than ``stop`` [px].

    Places of weight 0, and those that fall on NaN or beside the image, take no part.
    """
    centre_row, centre_column = (image.shape[0] - 1) / 2, (image.shape[1] - 1) / 2
    reach = radians(0.5 * hypot(image.shape[0], image.shape[1]))
    farthest = 0.5 * min(image.shape[0], image.shape[1])
    basis = np.empty(5)
    for _ in range(STEPS):
        cosine, sine = cos(radians(pose[2])), sin(radians(pose[2]))
        normal, right_side, count = np.zeros((5, 5)), np.zeros(5), 0
        for k in range(len(columns)):
            if weights[k] == 0:
                continue
            right, down = columns[k] - centre_column, rows[k] - centre_row
            column = centre_column + cosine * right + sine * down + pose[0]
            row = centre_row - sine * right + cosine * down + pose[1]
            value = sample(image, column, row)
            if value != value:
                continue
            count += 1
            basis[0], basis[1] = values[k], 1.0
            basis[2], basis[3], basis[4] = slopes[k, 0], slopes[k, 1], slopes[k, 2]
            for i in range(5):
                weighed = weights[k] * basis[i]
                right_side[i] += weighed * value
                for j in range(i, 5):
                    normal[i, j] += weighed * basis[j]
        if count < LEAST_PLACES:
            return False
        for i in range(5):
            for j in range(i):
                normal[i, j] = normal[j, i]
        if not solve_in_place(normal, right_side) or not right_side[0] > 0:
            return False
        # the step moves the target; undo it before the pose
        right, down, turn = right_side[2] / right_side[0], right_side[3] / right_side[0], right_side[4] / right_side[0]
        length = hypot(right, down) + abs(turn) * reach
        if length > LONGEST_STEP:  # the gradients tell no farther
            shorter = LONGEST_STEP / length
            right, down, turn = right * shorter, down * shorter, turn * shorter
        back_cosine, back_sine = cos(radians(turn)), sin(radians(turn))
        back_right = -(back_cosine * right - back_sine * down)
        back_down = -(back_sine * right + back_cosine * down)
        pose[0] += cosine * back_right + sine * back_down
        pose[1] += -sine * back_right + cosine * back_down
        pose[2] -= turn
        if not hypot(pose[0], pose[1]) < farthest:
            return False
        if length < stop:
            return True
    return True
