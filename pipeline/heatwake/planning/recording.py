"""How long, how often and how much to record."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from heatwake.kernels.recording_length import (
    FAST_THINGS,
    INSIDE,
    SHARES,
    SLOW_RATIO,
    fit_window,
    frame_rate,
    megabytes,
    two_term_bias,
    wait_for,
)
from heatwake.planning.parts import ExpectedPart
from heatwake.schema.plan import Plan

AROUND_EVENT_S: Final = 60.0  # on each side, at the full rate (common practice, no source)
SLOW_RATE_HZ: Final = 1.0
READING_NOISE_K: Final = 0.05  # of a second's mean over a part: mostly what drifts slower than frames (our own choice)
ROUND_S: Final = 30.0


@dataclass(frozen=True)
class PlannedLength:
    """The recording of one run.

    Attributes
    ----------
    slowest : str
        The part that decides.
    wait : float
        From power-on until no more than the remainder is to come in any part [s].
    warm : float
        Under power as planned [s]: the wait, where the plan states nothing else.
    fit, fit_two : float
        How long a fit of one exponential, and of two, needs for the final value to half the remainder [s].
    hidden : float
        What may be left of the slowest part's rise then if a second, slower time constant hides in it [K].
    one_fit_bias, reading_bias : float
        Of the final rise then, from a fit of one exponential and from the last reading [1].
    cold, total : float
        Before power-on, and in all [s], rounded up.
    rate, slow_rate : float
        Round events and otherwise [Hz].
    rate_wanted : float
        Five frames inside the shortest thing [Hz].
    full_megabytes, thinned_megabytes : float
        One run at the full rate throughout, and with the slow one between events.
    runs : int
    bench_hours : float
        All runs with cooling down between them.
    """

    slowest: str
    wait: float
    warm: float
    fit: float
    fit_two: float
    hidden: float
    one_fit_bias: float
    reading_bias: float
    cold: float
    total: float
    rate: float
    slow_rate: float
    rate_wanted: float
    full_megabytes: float
    thinned_megabytes: float
    runs: int
    bench_hours: float


def planned_length(plan: Plan, parts: Sequence[ExpectedPart], *, runs: int) -> PlannedLength:
    """Return how long and how often to record."""
    left, camera = plan.recording.remainder_K, plan.camera
    known = [part for part in parts if np.isfinite(part.rise)] or list(parts)
    waits = [
        wait_for(part.rise if np.isfinite(part.rise) else 50.0, constant=part.constant, remainder=left)
        for part in known
    ]
    slowest = known[int(np.argmax(waits))]
    wait, tau = max(waits), slowest.constant
    rise = slowest.rise if np.isfinite(slowest.rise) else 50.0
    windows = [
        fit_window(noise=READING_NOISE_K, wanted=left / 2, per_constant=tau * SLOW_RATE_HZ, two_terms=two)
        for two in (False, True)
    ]
    warm = plan.recording.warm_s or wait
    one_fit, reading = two_term_bias(max(warm / tau, 1.0))
    total = math.ceil((plan.recording.cold_s + warm) / ROUND_S) * ROUND_S
    rate = frame_rate(min(FAST_THINGS.values()), available=camera.frame_rate_Hz)
    events = min(2 * AROUND_EVENT_S, total)
    slow = min(SLOW_RATE_HZ, camera.frame_rate_Hz)
    size = {"columns": camera.pixels[0], "rows": camera.pixels[1]}
    return PlannedLength(
        slowest=slowest.name,
        wait=wait,
        warm=warm,
        fit=windows[0] * tau,
        fit_two=windows[1] * tau,
        hidden=rise * SHARES[1] * math.exp(-warm / (SLOW_RATIO * tau)),
        one_fit_bias=one_fit,
        reading_bias=reading,
        cold=plan.recording.cold_s,
        total=total,
        rate=rate,
        slow_rate=slow,
        rate_wanted=INSIDE / min(FAST_THINGS.values()),
        full_megabytes=megabytes(total, rate=camera.frame_rate_Hz, **size),
        thinned_megabytes=megabytes(events, rate=rate, **size) + megabytes(total - events, rate=slow, **size),
        runs=runs,
        bench_hours=(runs * total + max(runs - 1, 0) * wait) / 3600,
    )
