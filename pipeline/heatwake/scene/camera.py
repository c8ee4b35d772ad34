"""The thermal camera: where it stands, what it sees of the true surface, what it adds of its own."""

from dataclasses import dataclass

import cv2
import numpy as np
import xarray as xr
from scipy.ndimage import map_coordinates

from heatwake.scene.model import Array
from heatwake.scene.planck import Band, band

SURROUND = 40  # cells of bench around the board: more than any view shows


@dataclass(frozen=True)
class Camera:
    """A thermal camera looking at the board, and what it does to the picture.

    Parameters
    ----------
    columns, rows : int
        Picture size [px]; pixel centres at whole numbers, (0, 0) the top-left one.
    focal : float
        Focal length [px].
    distance : float
        From the board's centre [mm].
    tilt, swing, roll : float
        Turned off the square view about the board's x axis, y axis, and about the line of sight [deg].
    aim : (float, float)
        Where the board's centre lies in the picture, from the picture's centre [px].
    blur : float
        Standard deviation of the optics' point spread [px].
    noise, fixed_pattern : float
        White noise of each frame, and pattern that stays with the sensor, as temperature difference at 30 degC [K].
    offset : float
        Constant error of the written temperature [K].
    warmth : float
        The same as constant surplus of radiance, by what it brings at 30 degC [K].
    band_low, band_high : float
        [um].
    scale, zero : float
        Written temperature = stored number * scale + zero [degC].
    supersampling : int
        Rays across a pixel.
    pattern_seed : int
        Which sensor it is: decides the fixed pattern, the same in every recording with this camera.
    """

    columns: int = 160
    rows: int = 120
    focal: float = 350.0
    distance: float = 410.0
    tilt: float = 14.0
    swing: float = -6.0
    roll: float = 1.2
    aim: tuple[float, float] = (0.5, -0.8)
    blur: float = 0.7
    noise: float = 0.050
    fixed_pattern: float = 0.025
    offset: float = 0.3
    warmth: float = 0.0
    band_low: float = 7.5
    band_high: float = 14.0
    scale: float = 0.01
    zero: float = -100.0
    supersampling: int = 3
    pattern_seed: int = 5

    @property
    def band(self) -> Band:
        """The camera's band."""
        return band(self.band_low, self.band_high)

    def projection(self, width: float, height: float) -> Array:
        """Return the (3, 3) homography from board (x, y, 1) [mm] to picture (column, row, 1) [px] of a board's size.

        Pinhole camera without distortion; board x right and y up, picture rows down.
        """
        turn = _turn(self.tilt, axis=0) @ _turn(self.swing, axis=1)
        plane = np.array([[1, 0, -width / 2], [0, -1, height / 2], [0, 0, 0], [0, 0, 1.0]])
        placed = np.hstack([turn, np.array([[0], [0], [self.distance]])]) @ plane
        spin = _turn(-self.roll, axis=2)
        middle = np.array([(self.columns - 1) / 2 + self.aim[0], (self.rows - 1) / 2 + self.aim[1]])
        lens = np.array([[self.focal, 0, middle[0]], [0, self.focal, middle[1]], [0, 0, 1]])
        return np.asarray(lens @ spin @ placed)

    def moved(self, projection: Array, *, shift_x: float, shift_y: float, rotation: float) -> Array:
        """Return a homography after the picture turned about its centre [deg, counter-clockwise], then shifted [px]."""
        middle = np.array([(self.columns - 1) / 2, (self.rows - 1) / 2])
        turn = _turn(-rotation, axis=2)
        turn[:2, 2] = middle - turn[:2, :2] @ middle + (shift_x, shift_y)
        return np.asarray(turn @ projection)

    def see(self, board_radiance: Array, projection: Array, *, cell: float, height: float, bench: float) -> Array:
        """Return the (rows, columns) radiance that reaches the sensor [W m-2 sr-1].

        Parameters
        ----------
        board_radiance : (ny, nx) array
            What leaves the board towards the camera, row 0 at the top.
        projection : (3, 3) array
            Board [mm] to picture [px].
        cell, height : float
            Cell side and board height [mm].
        bench : float
            Radiance of whatever lies around the board.
        """
        fine = self.supersampling
        around = np.pad(board_radiance, SURROUND, constant_values=bench)
        column, row = _grid(_rays(self.columns, fine), _rays(self.rows, fine))
        x, y = project(np.asarray(np.linalg.inv(projection), dtype=np.float64), column, row)
        places = [(height - y) / cell - 0.5 + SURROUND, x / cell - 0.5 + SURROUND]
        sampled = map_coordinates(around, places, order=1, mode="nearest")
        if self.blur > 0:
            sampled = cv2.GaussianBlur(sampled, (0, 0), self.blur * fine, borderType=cv2.BORDER_REPLICATE)
        return np.asarray(sampled.reshape(self.rows, fine, self.columns, fine).mean(axis=(1, 3)))

    def pattern(self) -> Array:
        """Return the sensor's fixed pattern (rows, columns) [W m-2 sr-1]: mostly single pixels, some whole columns."""
        rng = np.random.default_rng(self.pattern_seed)
        single = rng.standard_normal((self.rows, self.columns))
        striped = rng.standard_normal((1, self.columns))
        scale = self.fixed_pattern * float(self.band.slope(30.0))
        return np.asarray(scale * (np.sqrt(0.8) * single + np.sqrt(0.2) * striped))

    def write(self, radiance: Array, *, step: float = 0.0) -> np.ndarray[tuple[int, ...], np.dtype[np.uint16]]:
        """Return stored numbers for a radiance [W m-2 sr-1]: black-body temperature plus offset and ``step`` [K]."""
        return self.store(self.indicated(radiance, step=step))

    def indicated(self, radiance: Array, *, step: float = 0.0) -> Array:
        """Return the temperature that is written for a radiance [degC]."""
        surplus = self.warmth * float(self.band.slope(30.0)) if self.warmth else 0.0
        return np.asarray(self.band.temperature(radiance + surplus) + self.offset + step)

    def store(self, celsius: Array) -> np.ndarray[tuple[int, ...], np.dtype[np.uint16]]:
        """Return stored numbers for written temperatures [degC]."""
        return np.clip(np.round((celsius - self.zero) / self.scale), 0, 65535).astype(np.uint16)


def project(homography: Array, first: Array, second: Array) -> tuple[Array, Array]:
    """Return points mapped by a homography."""
    mapped = np.tensordot(homography, np.stack([first, second, np.ones_like(first)]), axes=1)
    return mapped[0] / mapped[2], mapped[1] / mapped[2]


def leaving_radiance(truth: xr.Dataset, index: int, eye: Band) -> tuple[Array, float]:
    """Return what leaves the film towards the camera over the board (y, x) and over the bench [W m-2 sr-1].

    Surface emission and reflected surroundings, through the film; the film's own emission; the surroundings mirrored in
    the film (Minkina and Dudzik, Infrared Thermography, Wiley 2009, with a film as one more layer).
    """
    room = float(truth["ambient"].values[index])
    emissivity = truth["emissivity"].values
    clear, own, mirror = (float(truth[f"film_{share}"]) for share in ("transmittance", "absorptance", "reflectance"))
    around = float(eye.radiance(room + float(truth["mirrored_offset"])))
    surface = emissivity * eye.radiance(truth["temperature"].values[index]) + (1 - emissivity) * around
    seen = clear * surface + own * eye.radiance(truth["film_temperature"].values[index]) + mirror * around
    bench = clear * float(eye.radiance(room + float(truth["bench_offset"])))
    bench += own * float(eye.radiance(room)) + mirror * around
    return np.asarray(seen), bench


def _grid(columns: Array, rows: Array) -> tuple[Array, Array]:
    """Return column and row of every ray."""
    column, row = np.meshgrid(columns, rows)
    return np.asarray(column, dtype=np.float64), np.asarray(row, dtype=np.float64)


def _rays(count: int, fine: int) -> Array:
    """Return where the rays of a row of pixels start [px]."""
    return (np.arange(count * fine) + 0.5) / fine - 0.5


def _turn(degrees: float, *, axis: int) -> Array:
    """Return the rotation matrix about an axis."""
    cos, sin = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    matrix = np.eye(3)
    first, second = [(1, 2), (2, 0), (0, 1)][axis]
    matrix[first, first] = matrix[second, second] = cos
    matrix[first, second], matrix[second, first] = -sin, sin
    return matrix
