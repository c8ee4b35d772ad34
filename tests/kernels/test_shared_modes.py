"""Time constants that parts share, against networks by their eigenvalues, which the estimator does not know."""

import numpy as np
import pytest

from heatwake.kernels.settling import as_on_a_board
from heatwake.kernels.shared_modes import fit_together
from heatwake.kernels.transient import fit_settling

SIGMA = 0.03
PARTS = 5


def network(seed):
    """Return eigenvalues' time constants and, for each, the amplitudes of the parts of a random board of 3 x 3 cells.

    Cells are coupled to their neighbours and to the air, parts to a cell each and a little to the air.
    """
    random = np.random.default_rng(seed)
    cells = [(row, column) for row in range(3) for column in range(3)]
    count = len(cells) + PARTS
    flows = np.zeros((count, count))
    for one, here in enumerate(cells):
        for other, there in enumerate(cells[:one]):
            if abs(here[0] - there[0]) + abs(here[1] - there[1]) == 1:
                flows[one, other] = flows[other, one] = random.uniform(0.5, 1.5)
    for part, cell in enumerate(random.choice(9, PARTS, replace=False)):
        flows[9 + part, cell] = flows[cell, 9 + part] = random.uniform(0.3, 1.0)
    air = np.concatenate([random.uniform(0.05, 0.3, 9), random.uniform(0, 0.03, PARTS)])
    heat = np.concatenate([random.uniform(10, 30, 9), random.uniform(1, 12, PARTS)])
    power = np.concatenate([np.zeros(9), random.uniform(2, 8, PARTS)])
    conductance = np.diag(flows.sum(axis=1) + air) - flows
    root = np.sqrt(heat)
    values, vectors = np.linalg.eigh(conductance / np.outer(root, root))
    amplitudes = vectors * (vectors.T @ (power / root)) / values / root[:, None]
    return 1 / values, amplitudes[9:].T


def record(seed, *, windows, readings=150):
    """Return time, rises of the parts (part, time), their ends and the slowest time constant."""
    constants, amplitudes = network(seed)
    time = np.linspace(0, windows * constants.max(), readings + 1)[1:]
    rises = amplitudes.T @ -np.expm1(-time / constants[:, None])
    noise = np.random.default_rng(seed + 1000).normal(0, SIGMA, rises.shape)
    return time, rises + noise, amplitudes.sum(axis=0), constants.max()


@pytest.fixture(scope="module")
def boards():
    """Return of each part of 6 boards seen for 1.5 of their slowest time constants: together, alone, end, slowest."""
    rows = []
    for seed in range(6):
        time, rises, ends, slowest = record(seed, windows=1.5)
        together = fit_together(rises, elapsed=time, onset=0.0)
        alone = [fit_settling(row, elapsed=time, onset=0.0) for row in rises]
        rows += [(one or own, own, end, slowest) for one, own, end in zip(together, alone, ends, strict=True)]
    return rows


def test_parts_together_know_their_ends_better_than_each_alone(boards):
    # Measured: 0.5 % of the rise in the median against 2.2 %. Alone, two exponentials stand for the dozen of a board.
    errors = np.array([[abs(one.final / end - 1) for one in (shared, own)] for shared, own, end, _ in boards])
    together, alone = np.nanmedian(errors, axis=0)
    assert together < 0.01
    assert together < 0.5 * alone
    assert np.nanmean(errors[:, 0] < 0.02) > 0.8


def test_their_intervals_hold(boards):
    # Measured: 90 % of all, every one of those that shared time constants were taken for; alone a quarter holds.
    known = [(shared, end, shared is own) for shared, own, end, _ in boards if np.isfinite(shared.final)]
    held = np.array([abs(shared.final - end) < 1.96 * shared.uncertainty for shared, end, _ in known])
    kept = np.array([left for *_, left in known])
    assert held[~kept].mean() >= 0.95
    assert held.mean() > 0.8
    assert kept.mean() < 0.25


@pytest.mark.parametrize("windows", [1.5, 2.0])
def test_alone_their_intervals_hold_with_what_a_fit_cannot_know_of_a_board(windows):
    # Other boards than those that told how much: 20 % of intervals hold as the fit alone has them.
    held, before = [], []
    for seed in range(200, 206):
        time, rises, ends, _ = record(seed, windows=windows)
        for row, end in zip(rises, ends, strict=True):
            own = fit_settling(row, elapsed=time, onset=0.0)
            error = abs(own.final - end)
            before.append(error < 1.96 * own.uncertainty)
            held.append(error < 1.96 * as_on_a_board(own).uncertainty)
    assert np.mean(before) < 0.6
    assert np.mean(held) > 0.85


def test_the_slowest_time_constant_is_nearer_the_boards(boards):
    # Measured: 5.8 % off in the median, against 9 % alone, from 1.5 of them.
    errors = np.array([[abs(one.time_constant / slow - 1) for one in (shared, own)] for shared, own, _, slow in boards])
    together, alone = np.nanmedian(errors, axis=0)
    assert together < 0.07
    assert together < 0.75 * alone


def test_parts_of_no_common_board_are_left_alone():
    time = np.linspace(0, 400, 150)[1:]
    rises = np.array([30 * -np.expm1(-time / tau) for tau in (30.0, 70.0, 160.0)])
    noisy = rises + np.random.default_rng(1).normal(0, SIGMA, rises.shape)
    assert fit_together(noisy, elapsed=time, onset=0.0) == [None] * 3


def test_few_parts_or_readings_tell_nothing_together():
    time, rises, *_ = record(1, windows=3.0)
    assert fit_together(rises[:2], elapsed=time, onset=0.0) == [None] * 2
    assert fit_together(rises, elapsed=time, onset=time[-20]) == [None] * PARTS
    gone = rises.copy()
    gone[0] = np.nan
    found = fit_together(gone, elapsed=time, onset=0.0)
    assert found[0] is None
    assert any(one is not None for one in found[1:])


def test_a_board_seen_for_less_than_its_slowest_time_constant_is_refused():
    time, rises, *_ = record(3, windows=0.6)
    found = fit_together(rises, elapsed=time, onset=0.0)
    assert {one.status for one in found if one is not None} <= {"window too short", "forecast"}
    assert any(one is not None and one.status == "window too short" for one in found)
