"""A heated sheet in a known drift, by finite volumes on half-pixel cells, seen by a camera.

    T_t = div(a grad T) - div(u T) - b T + s

Lengths are camera pixels, times seconds. The sheet is solved on cells half a pixel wide (central differences,
diagonally implicit steps of second order), blurred and binned: neither grid nor time step is that of an estimate, and
no test function, Gaussian weight or regression occurs here. The drift comes from a stream function on the cells'
corners, so it has no divergence.
"""

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.ndimage import distance_transform_edt, gaussian_filter
from scipy.sparse import coo_array, eye_array
from scipy.sparse.linalg import splu

FINE = 2  # cells a pixel
BLUR = 0.6  # [px] of the optics
GAMMA = 1.0 - 1.0 / np.sqrt(2.0)  # of the two-stage, L-stable step (Alexander, SIAM J. Numer. Anal. 14, 1977, 1006)
RATE = 9.0  # [Hz]
BASELINE = 90  # frames before power-on


@dataclass(frozen=True)
class Sheet:
    """What is heated and what carries the heat.

    Attributes
    ----------
    psi : (2 ny + 1, 2 nx + 1) array
        Stream function on the cells' corners, row 0 at the top, x right, y up.
    sources : (n, 5) array
        Left, top, width, height [px] and the peak without drift [K].
    diffusivity : float or (2 ny, 2 nx) array
    loss : float
    """

    psi: np.ndarray
    sources: np.ndarray
    diffusivity: float | np.ndarray = 4.0
    loss: float = 0.01

    @property
    def cells(self):
        """Rows and columns of fine cells."""
        return self.psi.shape[0] - 1, self.psi.shape[1] - 1

    def at_peclet(self, peclet):
        """Return the sheet with its mean speed at the sources such that ``|u| sqrt(a/b) / a`` is ``peclet``."""
        speeds = [np.hypot(*velocity(self)[(slice(None), *place)]) for place in centres(self)]
        wanted = peclet * np.sqrt(4.0 * self.loss)
        return replace(self, psi=self.psi * wanted / np.mean(speeds))

    def reversed(self):
        """Return the sheet with its drift the other way."""
        return replace(self, psi=-self.psi)


def uniform(angle, *, shape=(120, 160)):
    """Return the stream function of a drift of speed 1 towards ``angle`` [degree]."""
    y, x = np.mgrid[: FINE * shape[0] + 1, : FINE * shape[1] + 1] / FINE
    return np.cos(np.radians(angle)) * (shape[0] - y) - np.sin(np.radians(angle)) * x


def vented(*, shape=(120, 160), vents=((0.15, 0.35), (0.65, 0.85)), shares=(0.5, 0.5), fan=(0.75, 0.95)):
    """Return the stream function of potential flow from vents on the left edge to a fan in the top edge.

    Vents are given from the top down, as shares of the height, the fan as shares of the width from the left.
    """
    rows, columns = FINE * shape[0] + 1, FINE * shape[1] + 1
    down, right = np.linspace(0.0, 1.0, rows), np.linspace(0.0, 1.0, columns)
    total = float(sum(shares))
    left = sum(share * np.clip((down - a) / (b - a), 0.0, 1.0) for (a, b), share in zip(vents, shares, strict=True))
    psi = np.zeros((rows, columns))
    # inflow through the left edge is d psi / dy upwards: psi falls from the top-left corner down
    psi[:, 0] = -left
    psi[-1] = psi[:, -1] = -total
    psi[0] = -total * np.clip((right - fan[0]) / (fan[1] - fan[0]), 0.0, 1.0)
    return _harmonic(psi)


def _harmonic(psi):
    """Fill the inside with the solution of Laplace's equation for the values along the rim."""
    rows, columns = psi.shape
    number = np.arange(psi.size).reshape(psi.shape)
    inner = number[1:-1, 1:-1].ravel()
    place = np.full(psi.size, -1)
    place[inner] = np.arange(inner.size)
    entries, right = [(np.arange(inner.size), np.arange(inner.size), np.full(inner.size, 4.0))], np.zeros(inner.size)
    for step in (1, -1, columns, -columns):
        to = place[inner + step]
        within = to >= 0
        entries.append((np.flatnonzero(within), to[within], np.full(within.sum(), -1.0)))
        right[~within] += psi.ravel()[(inner + step)[~within]]
    row, column, value = (np.concatenate(each) for each in zip(*entries, strict=True))
    solved = psi.copy()
    matrix = coo_array((value, (row, column)), shape=(inner.size,) * 2).tocsc()
    solved[1:-1, 1:-1] = splu(matrix, permc_spec="MMD_AT_PLUS_A").solve(right).reshape(rows - 2, columns - 2)
    return solved


def six_sources(shape=(120, 160)):
    """Return six rectangles, 5 to 14 px wide, that would rise by 5 to 20 K without a drift."""
    share = np.array([[0.2, 0.22], [0.5, 0.2], [0.8, 0.35], [0.3, 0.55], [0.62, 0.6], [0.35, 0.82]])
    size = np.array([[10, 8], [6, 6], [12, 9], [14, 10], [5, 7], [9, 13]])
    corner = np.round(share * shape[::-1] - 0.5 * size)
    return np.column_stack([corner, size, [12.0, 5.0, 15.0, 20.0, 8.0, 10.0]])


def centres(sheet):
    """Return row and column [px] of each source's middle."""
    return [(int(top + 0.5 * tall), int(left + 0.5 * wide)) for left, top, wide, tall, _ in sheet.sources]


def points(sheet, *, rim=10):
    """Return (row, column) places ``hot``, ``around`` (3 to 14 px outside a source) and ``far`` (over 20 px)."""
    shape = tuple(n // FINE for n in sheet.cells)
    apart = distance_transform_edt(~footprint(sheet))
    grid = [(r, c) for r in range(rim, shape[0] - rim, 6) for c in range(rim, shape[1] - rim, 6)]
    return {
        "hot": centres(sheet),
        "around": [place for place in grid if 3.0 <= apart[place] <= 14.0],
        "far": [place for place in grid if apart[place] > 20.0],
    }


def footprint(sheet):
    """Return which pixels lie on a source."""
    shape = tuple(n // FINE for n in sheet.cells)
    covered = np.zeros(shape, dtype=bool)
    for left, top, wide, tall, _ in sheet.sources.astype(int):
        covered[top : top + tall, left : left + wide] = True
    return covered


def velocity(sheet):
    """Return the drift ``(2, ny, nx)`` at pixel centres, x right and y up [px/s]."""
    middle = sheet.psi[::FINE, :], sheet.psi[:, ::FINE]
    east = (middle[0][:-1, 1::FINE] - middle[0][1:, 1::FINE]) * 1.0
    north = -(middle[1][1::FINE, 1:] - middle[1][1::FINE, :-1]) * 1.0
    return np.stack([east, north])


def operator(sheet):
    """Return the matrix of ``dT/dt = A T + s`` on the fine cells."""
    rows, columns = sheet.cells
    h = 1.0 / FINE
    number = np.arange(rows * columns).reshape(rows, columns)
    diffusivity = np.broadcast_to(np.asarray(sheet.diffusivity, dtype=float), sheet.cells)
    east = (sheet.psi[:-1] - sheet.psi[1:]) / h  # through vertical faces, (rows, columns + 1)
    south = (sheet.psi[:, 1:] - sheet.psi[:, :-1]) / h  # downwards through horizontal faces
    entries = []

    def face(one, other, speed, conductance):
        flux_one, flux_other = speed / (2 * h) + conductance / h**2, speed / (2 * h) - conductance / h**2
        for cell, sign in ((one, -1.0), (other, 1.0)):
            entries.append((cell.ravel(), one.ravel(), sign * flux_one.ravel()))
            entries.append((cell.ravel(), other.ravel(), sign * flux_other.ravel()))

    def between(a, b):
        return 2.0 * a * b / (a + b)

    face(number[:, :-1], number[:, 1:], east[:, 1:-1], between(diffusivity[:, :-1], diffusivity[:, 1:]))
    face(number[:-1], number[1:], south[1:-1], between(diffusivity[:-1], diffusivity[1:]))
    # through the rim air leaves with what it holds and comes in with nothing
    for cells, outward in (
        (number[:, 0], -east[:, 0]),
        (number[:, -1], east[:, -1]),
        (number[0], -south[0]),
        (number[-1], south[-1]),
    ):
        entries.append((cells, cells, -np.maximum(outward, 0.0) / h))
    entries.append((number.ravel(), number.ravel(), np.full(number.size, -sheet.loss)))
    row, column, value = (np.concatenate(each) for each in zip(*entries, strict=True))
    return coo_array((value, (row, column)), shape=(number.size,) * 2).tocsc()


def heating(sheet):
    """Return each source's heat ``(n, cells)`` [K/s], such that its peak without drift is as given."""
    still = splu(operator(replace(sheet, psi=0.0 * sheet.psi, diffusivity=4.0)), permc_spec="MMD_AT_PLUS_A")
    heats = []
    for left, top, wide, tall, peak in sheet.sources:
        heat = np.zeros(sheet.cells)
        box = [int(FINE * edge) for edge in (top, top + tall, left, left + wide)]
        heat[box[0] : box[1], box[2] : box[3]] = 1.0
        heats.append(heat.ravel() * peak / still.solve(-heat.ravel()).max())
    return np.array(heats).reshape(len(heats), sheet.cells[0] * sheet.cells[1])


def seen(sheet, fields):
    """Blur fine fields ``(n, cells)`` by the optics and bin them to pixels."""
    rows, columns = sheet.cells
    blurred = [gaussian_filter(one.reshape(rows, columns), BLUR * FINE) for one in fields]
    return np.array(blurred).reshape(-1, rows // FINE, FINE, columns // FINE, FINE).mean(axis=(2, 4))


def steady(sheet):
    """Return the settled rise ``(ny, nx)`` [K]."""
    solved = splu(operator(sheet), permc_spec="MMD_AT_PLUS_A").solve(-heating(sheet).sum(axis=0))
    return seen(sheet, [solved])[0]


@dataclass
class Warming:
    """The rise after power-on as a smooth function of time.

    Attributes
    ----------
    sheet : Sheet
    spline : CubicSpline
        Of the seen rise.
    """

    sheet: Sheet
    spline: CubicSpline = field(repr=False)


def warm_up(sheet, *, length=120.0, step=0.5, load=None, start=None):
    """Solve the warming-up.

    ``load(t)`` gives each source's share of its heat at a time, ones by default; ``start`` is the rise at first on the
    fine cells, zero by default.
    """
    matrix, heats = operator(sheet), heating(sheet)
    factor = splu(
        (eye_array(matrix.shape[0], format="csc") - GAMMA * step * matrix).tocsc(), permc_spec="MMD_AT_PLUS_A"
    )
    shares = load or (lambda time: np.ones(len(heats)))
    rise = np.zeros(matrix.shape[0]) if start is None else np.ravel(start).astype(float)
    times, fields = [0.0], [seen(sheet, [rise])[0]]
    for number in range(round(length / step)):
        time = number * step
        first = factor.solve(matrix @ rise + shares(time + GAMMA * step) @ heats)
        middle = rise + step * (1.0 - GAMMA) * first
        second = factor.solve(matrix @ middle + shares(time + step * 0.999) @ heats)
        rise = middle + step * GAMMA * second
        times.append(time + step)
        fields.append(seen(sheet, [rise])[0])
    return Warming(sheet, CubicSpline(times, np.array(fields, dtype=np.float32)))


@dataclass(frozen=True)
class Camera:
    """What the camera adds.

    Attributes
    ----------
    noise, pattern : float
        Standard deviations [K], of each frame's pixels and of what stays.
    step : float
        Of a stored value [K].
    film : float
        Transmittance; undone, as the correction would.
    offset : callable or None
        Of the times [s], common to all pixels [K].
    emissivity_error : (ny, nx) array or 0
        Relative error left by an emissivity map.
    """

    noise: float = 0.05
    pattern: float = 0.03
    step: float = 0.01
    film: float = 0.9
    offset: object = None
    emissivity_error: object = 0.0

    def record(self, rise, times, *, rng):
        """Return frames ``(time, ny, nx)`` less the mean of a baseline [K]; ``rise(times)`` gives the truth."""
        shape = rise(times[:1]).shape[1:]
        pattern = rng.normal(0.0, self.pattern, shape)
        drift = self.offset or np.zeros_like

        def stored(signal, at):
            level = self.film * signal * (1.0 + self.emissivity_error) + pattern + 24.0 + drift(at)[:, None, None]
            level = level + rng.normal(0.0, self.noise, level.shape)
            return np.round(level / self.step) * self.step if self.step else level

        cold = stored(np.zeros((BASELINE, *shape)), np.arange(-BASELINE, 0) / RATE).mean(axis=0)
        frames = np.empty((len(times), *shape), dtype=np.float32)
        for start in range(0, len(times), 90):
            part = slice(start, start + 90)
            frames[part] = (stored(rise(times[part]), times[part]) - cold) / self.film
        return frames


def frame_times(start, stop):
    """Return the times of the frames from ``start`` to ``stop`` [s after power-on]."""
    return np.arange(round(start * RATE), round(stop * RATE)) / RATE


def errors(direction, sheet, places):
    """Return how far directions [degree] at places are from the drift's, 0 to 180; NaN where none is given."""
    east, north = velocity(sheet)
    truth = np.degrees(np.arctan2(north, east))
    rows, columns = np.array(places).T
    apart = direction[rows, columns] - truth[rows, columns]
    return np.abs((apart + 180.0) % 360.0 - 180.0)
