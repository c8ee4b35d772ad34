"""Radiances of a mottled board with warm parts, bare and through a film that is not even; made for tests of its map."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from heatwake.kernels.planck import BandTable

TABLE = BandTable.for_band(7.5, 14.0)
NOISE = 0.05 * 0.957 / np.sqrt(10)  # 50 mK at 30 degC, mean of 10 frames [W m-2 sr-1]
ROOM = 24.0
SHAPE = (96, 128)


@dataclass(frozen=True)
class Covered:
    """Bare and covered mean radiance at the camera, and what lies behind them."""

    bare: np.ndarray
    covered: np.ndarray
    transmittance: np.ndarray
    folded: np.ndarray
    lit: np.ndarray


def cover(seed, *, tau=0.889, sag=0.0, crease=0.0, double=False, lamp=0.0, changed=0.0, pattern=0.05):
    """Return a pair: ``sag`` is the slow variation of tau, ``crease`` the fall along a line, ``lamp`` [W m-2 sr-1]."""
    rng = np.random.default_rng(seed)
    row, column = np.mgrid[: SHAPE[0], : SHAPE[1]]
    before, after = _boards(rng, changed=changed)
    emissivity = 0.93 + 0.03 * np.sign(ndimage.gaussian_filter(rng.standard_normal(SHAPE), 5))
    bare, leaving = (
        emissivity * TABLE.radiance(board) + (1 - emissivity) * TABLE.radiance(ROOM) for board in (before, after)
    )
    local = tau + sag * np.cos(2 * np.pi * column / SHAPE[1]) * np.cos(np.pi * row / SHAPE[0])
    line = np.abs(row - 0.6 * column - 5) < 1.5
    corner = (column > 80) & (row < 50)
    folded = (line & (crease > 0)) | (corner & double)
    local = np.where(line, local - crease, local)
    local = ndimage.gaussian_filter(np.where(corner & double, 0.80, local), 0.6)
    glow = np.zeros(SHAPE)
    glow[60:70, 30:50] = lamp
    glow = ndimage.gaussian_filter(glow, 2)
    covered = local * leaving + (1 - local - 0.085) * TABLE.radiance(26.0) + 0.085 * TABLE.radiance(ROOM) + glow
    fixed = pattern * rng.standard_normal(SHAPE)
    noisy = [picture + fixed + NOISE * rng.standard_normal(SHAPE) for picture in (bare, covered)]
    return Covered(noisy[0], noisy[1], local, folded, glow > 0.3 * max(lamp, 1e-9))


def _boards(rng, *, changed):
    """Temperatures [degC] before and after each part's rise changed by a share."""
    boards = [np.full(SHAPE, ROOM) for _ in range(2)]
    for _ in range(14):
        row, column = (rng.uniform(0.15, 0.85, 2) * SHAPE).astype(int)
        part = np.zeros(SHAPE)
        part[row - 6 : row + 6, column - 8 : column + 8] = rng.uniform(10, 50)
        rise = 0.7 * ndimage.gaussian_filter(part, 1.0) + 0.6 * ndimage.gaussian_filter(part, 8.0)
        boards[0] += rise
        boards[1] += rise * (1 + changed * rng.standard_normal())
    return boards
