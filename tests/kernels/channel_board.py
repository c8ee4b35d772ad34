"""A board in a straight channel, solved by other means than the estimator's.

Cells half as wide, central differences for the air, an air layer that stores heat, small backward steps in time, copper
in one corner that the estimator does not know of. The wind blows along x between openings as high as the board, so the
true direction is known without solving for it.
"""

from functools import cache

import numpy as np
from scipy.sparse import bmat, csc_matrix, diags, identity, kron
from scipy.sparse.linalg import splu

WIDTH, HEIGHT, STEP = 0.128, 0.080, 2e-3
COLUMNS, ROWS = 64, 40
PARTS = np.array(  # centre x, centre y, width, height [m]
    [
        [0.022, 0.056, 0.012, 0.012],
        [0.034, 0.020, 0.016, 0.010],
        [0.064, 0.042, 0.010, 0.016],
        [0.092, 0.018, 0.012, 0.012],
        [0.104, 0.060, 0.014, 0.012],
    ]
)
POWERS = np.array([1.5, 2.0, 1.0, 1.2, 1.8])
TIMES = (10.0, 20.0, 40.0, 80.0, 400.0)
X = (np.arange(COLUMNS) + 0.5) * STEP
Y = (np.arange(ROWS) + 0.5) * STEP


def rises(flow, *, noise=0.02, seed=0):
    """Return rise maps ``(times, ROWS, COLUMNS)``, y upward, for a heat capacity flow [W/K] along +x (0: still air)."""
    return _exact(flow) + np.random.default_rng(seed).normal(0.0, noise, (len(TIMES), ROWS, COLUMNS))


@cache
def _exact(flow):
    inside = [(np.abs(X - x) < w / 2)[None, :] & (np.abs(Y - y) < h / 2)[:, None] for x, y, w, h in PARTS]
    heat = sum(power * mask / mask.sum() for power, mask in zip(POWERS, inside, strict=True))
    sheet = 0.012 * (1.0 + 0.8 * ((X > 0.08)[None, :] & (Y < 0.04)[:, None])) + 0.015 * sum(inside)
    return np.array(_march(_operator(sheet, flow), heat))


def _operator(sheet, flow):
    area = STEP**2
    exchange = (8.0 + 10.0 * np.sqrt(abs(flow))) * area * identity(sheet.size)
    board = _conduction(sheet) + exchange + 9.0 * area * identity(sheet.size)
    air = _wind(flow) + _conduction(np.full_like(sheet, 0.003)) + exchange + 5.0 * area * identity(sheet.size)
    return bmat([[board, -exchange], [-exchange, air]])


def _conduction(sheet):
    number = np.arange(sheet.size).reshape(sheet.shape)
    total = csc_matrix((sheet.size, sheet.size))
    for one, two in ((np.s_[:, :-1], np.s_[:, 1:]), (np.s_[:-1], np.s_[1:])):
        between = 2.0 / (1.0 / sheet[one] + 1.0 / sheet[two])
        gap = np.zeros((between.size, sheet.size))
        gap[np.arange(between.size), number[one].ravel()] = 1.0
        gap[np.arange(between.size), number[two].ravel()] = -1.0
        gap = csc_matrix(gap)
        total = total + gap.T @ diags(between.ravel()) @ gap
    return total


def _wind(flow):
    """Central differences; ambient air comes in, and what leaves has the last cell's temperature."""
    row = diags([-0.5, 0.5], [-1, 1], shape=(COLUMNS, COLUMNS)).tolil()
    row[0, 0], row[-1, -1] = 0.5, 0.5
    row = csc_matrix(row if flow > 0 else row[::-1, ::-1])
    return abs(flow) / ROWS * kron(identity(ROWS), row)


def _march(operator, heat):
    cells, now = heat.size, 0.0
    storage = np.concatenate([np.full(cells, 3300.0), np.full(cells, 20.0)]) * STEP**2
    load = np.concatenate([heat.ravel(), np.zeros(cells)])
    state, seen = np.zeros(2 * cells), []
    for step, end in ((1.0, 80.0), (5.0, 400.0)):
        left = splu(csc_matrix(diags(storage / step) + operator))
        while now < end:
            state, now = left.solve(load + storage / step * state), now + step
            if now in TIMES:
                seen.append(state[:cells].reshape(heat.shape))
    return seen
