"""What a camera will see of a board: pixels on a part, field, depth of field, and the tilt that hides its own image.

Thin-lens optics (Hecht, Optics, chapter 5: from memory). Lengths are in mm, pixel pitch in um, angles in degrees.
"""

from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.floating[Any]]
Resolved = Literal["measured", "indicative", "not resolved"]

WANTED_PX: Final = 10.0  # across a target for accuracy (Pusnik and Gersak, Sensors 21, 2021, 607)
LEAST_PX: Final = 4.0  # below 4 x 4 readings are much too low (Budzier and Gerlach, J. Sens. Sens. Syst. 10, 2021, 179)
MOST_TILT: Final = 30.0  # [deg] up to which a thin film's transmittance hardly falls (Fresnel: 0.918 to 0.916, n 1.52)


def millimetres_per_pixel(distance: npt.ArrayLike, *, pitch: float, focal: float) -> Array:
    """Return how much of an object a pixel sees: ``p (d - f) / f``.

    Parameters
    ----------
    distance : array
        Lens to object, along the line of sight [mm].
    pitch : float
        Of the pixels [um].
    focal : float
        Focal length [mm].

    Returns
    -------
    array
        [mm]

    Examples
    --------
    >>> float(millimetres_per_pixel(300.0, pitch=12.0, focal=13.0).round(3))
    0.265
    """
    return np.asarray(pitch * 1e-3 * (np.asarray(distance, dtype=float) - focal) / focal)


def resolved(pixels: float) -> Resolved:
    """Return what a part of so many pixels across its smaller side can give.

    >>> resolved(10.0), resolved(4.0), resolved(3.9)
    ('measured', 'indicative', 'not resolved')
    """
    if pixels >= WANTED_PX:
        return "measured"
    return "indicative" if pixels >= LEAST_PX else "not resolved"


def depth_of_field(distance: float, *, f_number: float, pitch: float, focal: float) -> float:
    """Return the whole depth over which a point stays within one pixel: ``2 N p d^2 / f^2`` [mm].

    Thin lens, object far beyond the focal length, circle of confusion of one pixel.

    >>> round(depth_of_field(300.0, f_number=1.0, pitch=12.0, focal=13.0), 1)
    12.8
    """
    return 2 * f_number * pitch * 1e-3 * (distance / focal) ** 2


def half_field(pixels: int, *, pitch: float, focal: float, distance: float) -> float:
    """Return half the field's angle along a side of the picture [deg], for a lens focused at a distance.

    >>> round(half_field(640, pitch=12.0, focal=13.0, distance=300.0), 1)
    15.8
    """
    return float(np.degrees(np.arctan(pixels / 2 / focal_pixels(distance, pitch=pitch, focal=focal))))


def focal_pixels(distance: float, *, pitch: float, focal: float) -> float:
    """Return the distance from lens to sensor when focused at a distance [px]: ``f d / (d - f)`` over the pitch."""
    return focal * distance / (distance - focal) / (pitch * 1e-3)


def least_tilt(half_angle: float, *, body: float, distance: float) -> float:
    """Return the tilt beyond which a flat film shows no part of the camera in the field: ``H + atan(D / 4 d)`` [deg].

    The image of a body of diameter D at a distance d before a mirror stands along the mirror's normal at 2 d, where its
    radius is D / 4 d; it must lie beyond the half angle H that is looked at (plane mirror, by geometry).

    Parameters
    ----------
    half_angle : float
        Of what must be free of the image, in the plane of the tilt [deg]: half the field, or half the board.
    body : float
        Diameter of what is warmer than the room at the camera [mm].
    distance : float
        Lens to film [mm].

    Examples
    --------
    >>> round(least_tilt(9.5, body=80.0, distance=300.0), 1)
    13.3
    """
    return half_angle + float(np.degrees(np.arctan(body / (4 * distance))))


@dataclass(frozen=True)
class Sight:
    """A camera tilted about the board's x axis, looking at its middle.

    Attributes
    ----------
    columns, rows : int
    pitch : float
        [um]
    focal, distance : float
        [mm]
    tilt : float
        Off the square view [deg]; the board's upper edge is then the farther one.
    width, height : float
        Of the board [mm].
    """

    columns: int
    rows: int
    pitch: float
    focal: float
    distance: float
    tilt: float
    width: float
    height: float

    def depth(self, y: npt.ArrayLike, *, above: npt.ArrayLike = 0.0) -> Array:
        """Return the distance along the line of sight [mm] of what lies at ``y`` [mm], ``above`` the board [mm]."""
        up = np.asarray(y, dtype=float) - self.height / 2
        turn = np.radians(self.tilt)
        return np.asarray(self.distance + up * np.sin(turn) - np.asarray(above) * np.cos(turn))

    def pixels(self, x: npt.ArrayLike, y: npt.ArrayLike, *, above: npt.ArrayLike = 0.0) -> tuple[Array, Array]:
        """Return column and row [px], from the picture's middle, row down, of places on the board [mm]."""
        depth, focal = self.depth(y, above=above), focal_pixels(self.distance, pitch=self.pitch, focal=self.focal)
        turn = np.radians(self.tilt)
        across = np.asarray(x, dtype=float) - self.width / 2
        up = (np.asarray(y, dtype=float) - self.height / 2) * np.cos(turn) + np.asarray(above) * np.sin(turn)
        return np.asarray(focal * across / depth), np.asarray(-focal * up / depth)

    def across(self, x: float, y: float, *, width: float, height: float, above: float = 0.0) -> float:
        """Return how many pixels a flat rectangle takes across its smaller side as seen."""
        columns, rows = self.pixels(
            np.array([x - width / 2, x + width / 2, x, x]),
            np.array([y, y, y - height / 2, y + height / 2]),
            above=above,
        )
        return float(min(np.hypot(np.diff(columns[:2]), np.diff(rows[:2]))[0], abs(rows[3] - rows[2])))

    @property
    def corners(self) -> Array:
        """The board's corners (4, 2) of column and row from the picture's middle [px], top-left first, clockwise."""
        x, y = np.array([0, self.width, self.width, 0.0]), np.array([self.height, self.height, 0, 0.0])
        return np.stack(self.pixels(x, y), axis=1)

    @property
    def filled(self) -> float:
        """The share of half the picture that the board takes, along the tighter side: 1 just fits."""
        limits = np.array([(self.columns - 1) / 2, (self.rows - 1) / 2])
        return float((np.abs(self.corners) / limits).max())
