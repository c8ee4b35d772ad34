"""Streaks of light that follow the direction of the heat, for the film."""

from typing import Final

import cv2
import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.report.flow_reading import arrow_field

Picture = npt.NDArray[np.uint8]
Array = npt.NDArray[np.float64]

_PER_PIXEL: Final = 1 / 1100  # streaks a pixel of the map
_STEP: Final = 2.6  # [px a frame] the same for all: a direction is shown, not a speed
_LIFE: Final = (14, 40)  # frames
_KEPT: Final = 0.84  # of a trail's light from frame to frame


class Streaks:
    """Particles that drift over the map where a direction is told, and the trails that they leave.

    Parameters
    ----------
    flow : Dataset or None
        Directions in a few windows.
    extent : tuple of float
        Left, right, bottom and top of the map on the board, in the unit of the flow's ``x``.
    shape : tuple of int
        Rows and columns of the map in the picture.
    """

    def __init__(
        self, flow: xr.Dataset | None, *, extent: tuple[float, float, float, float], shape: tuple[int, int]
    ) -> None:
        self._flow, self._extent, self._shape = flow, extent, shape
        self._generator = np.random.default_rng(20)
        self._trails = np.zeros(shape, dtype=np.uint8)
        number = round(shape[0] * shape[1] * _PER_PIXEL)
        self._place = np.zeros((number, 2))
        self._life = np.zeros(number)
        self._window: int | None = None
        self._east, self._north, self._light = (np.zeros(shape) for _ in range(3))

    def advance(self, window: int | None) -> Picture:
        """Move all streaks by a frame along a window's directions; return the trails' light, 0 to 255."""
        self._trails = (self._trails * _KEPT).astype(np.uint8)
        if window != self._window:
            self._window = window
            self._read(window)
        if window is not None and (self._light > 0).any():
            self._move()
        return self._trails.copy()

    def _read(self, window: int | None) -> None:
        self._light = np.zeros(self._shape)
        if window is None or self._flow is None:
            return
        degrees, confidence = arrow_field(self._flow, window)
        if not np.isfinite(degrees).any():
            return
        rows, columns = self._cells()
        angle = np.radians(degrees[np.ix_(rows, columns)])
        told = np.isfinite(angle)
        self._east, self._north = np.where(told, np.cos(angle), 0.0), np.where(told, np.sin(angle), 0.0)
        self._light = np.where(told, 60.0 + 160.0 * confidence[np.ix_(rows, columns)], 0.0)
        self._life[:] = 0

    def _cells(self) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
        """Return, for each row and column of the picture, the flow's row and column nearest to it."""
        left, right, bottom, top = self._extent
        flow = self._flow
        if flow is None:
            raise ValueError("no flow to read cells of")
        x = left + (np.arange(self._shape[1]) + 0.5) * (right - left) / self._shape[1]
        y = top - (np.arange(self._shape[0]) + 0.5) * (top - bottom) / self._shape[0]
        nearest_x = np.argmin(np.abs(flow["x"].to_numpy()[None, :] - x[:, None]), axis=1)
        nearest_y = np.argmin(np.abs(flow["y"].to_numpy()[None, :] - y[:, None]), axis=1)
        return nearest_y, nearest_x

    def _move(self) -> None:
        self._renew()
        rows, columns = self._place[:, 1].astype(int), self._place[:, 0].astype(int)
        step = np.stack([self._east[rows, columns], -self._north[rows, columns]], axis=1) * _STEP
        light = self._light[rows, columns]
        starts, stops = (np.round(ends * 8).astype(int).tolist() for ends in (self._place, self._place + step))
        for start, stop, bright in zip(starts, stops, light.tolist(), strict=True):
            if bright > 0:
                cv2.line(self._trails, start, stop, bright, 2, cv2.LINE_AA, 3)
        self._place += step
        self._life -= 1
        self._life[light <= 0] = 0

    def _renew(self) -> None:
        """Start streaks anew, anywhere on the map, whose life is over or that have left it."""
        size = np.array([self._shape[1], self._shape[0]])
        over = (self._life <= 0) | (self._place < 0).any(axis=1) | (self._place >= size).any(axis=1)
        number = int(over.sum())
        self._place[over] = self._generator.uniform(0, 1, (number, 2)) * (size - 1e-6)
        self._life[over] = self._generator.integers(*_LIFE, number)
