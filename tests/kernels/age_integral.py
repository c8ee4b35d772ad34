"""Exact rise of Gaussian sources switched on in a uniform drift: the age integral, no grid of cells involved.

A pulse of heat q from a Gaussian source of width s spreads to variance s^2 + 2 a t, drifts by u t and decays as
exp(-b t) (Carslaw and Jaeger, Conduction of Heat in Solids, 1959, section 10.3); a source that stays on is the integral
over the age t.
"""

from itertools import pairwise

import numpy as np


def rise(times, *, sources, drift, diffusivity=4.0, loss=0.01, width=3.0, shape=(64, 90)):
    """Return ``(time, ny, nx)`` rise at 1 px spacing, y up; sources are (x, y, q)."""
    x, y = np.arange(shape[1]), np.arange(shape[0])[::-1]
    node, weight = np.polynomial.legendre.leggauss(6)
    total, last, frames = np.zeros(shape), 0.0, []

    def pulses(age):
        spread = 2.0 * (width**2 + 2.0 * diffusivity * age)
        field = np.zeros(shape)
        for at_x, at_y, power in sources:
            along = np.exp(-((x - at_x - drift[0] * age) ** 2) / spread)
            up = np.exp(-((y - at_y - drift[1] * age) ** 2) / spread)
            field += power * np.exp(-loss * age) / (np.pi * spread) * np.outer(up, along)
        return field

    for time in times:
        for low, high in _pieces(last, time):
            for age, share in zip(0.5 * (high - low) * node + 0.5 * (high + low), weight, strict=True):
                total = total + 0.5 * (high - low) * share * pulses(age)
        frames.append(total)
        last = time
    return np.array(frames)


def _pieces(low, high):
    edges = np.linspace(low, high, max(2, int(np.ceil((high - low) / 2.0)) + 1))
    return pairwise(edges)
