"""The level beside the board: made-up readings whose drift is known."""

import numpy as np
import pytest

from heatwake.kernels.surroundings import SECTORS, beside_board, level_drift, sector_of

COUNT, EACH = 32, 40
SECTOR = np.repeat(np.arange(SECTORS), EACH)
AMBIENT = 23.0 + 0.4 * np.sin(np.arange(COUNT) / 10)


def readings(drift, *, seed=1, warming=0.0):
    """Pixels that follow ambient and the camera; the first sector's warm, all have a pattern and 50 mK of noise."""
    rng = np.random.default_rng(seed)
    pattern = 0.3 * rng.standard_normal(len(SECTOR))
    noise = 0.05 * rng.standard_normal((COUNT, len(SECTOR)))
    rise = warming * np.arange(COUNT)[:, None] / COUNT * (SECTOR == 0)
    return (AMBIENT + drift)[:, None] + pattern + noise + rise


def test_a_drift_is_found_and_a_warm_corner_does_not_make_one():
    drift = 0.8 * np.arange(COUNT) / (COUNT - 1)
    found, spread = level_drift(readings(drift, warming=5.0), AMBIENT, sectors=SECTOR)
    # the start is the mean of three pictures, the ends of a moving median lag by a picture: 0.026 K each
    np.testing.assert_allclose(found, drift, atol=0.06)
    assert (spread < 0.06).all()
    still, _ = level_drift(readings(np.zeros(COUNT), warming=5.0), AMBIENT, sectors=SECTOR)
    assert np.abs(still).max() < 0.03  # 5 mK each, of 32; a sector of eight that is out moves a median by 2 mK


def test_a_hand_in_one_picture_is_no_drift():
    seen = readings(np.zeros(COUNT))
    seen[12, SECTOR < 5] += 9.0
    assert np.abs(level_drift(seen, AMBIENT, sectors=SECTOR)[0]).max() < 0.02


def test_errors_scatter_as_the_uncertainty_says():
    # surroundings whose sectors wander apart by 0.1 K: the mean of eight is known to 0.04 K
    rng = np.random.default_rng(2)
    errors = []
    for seed in range(150):
        wander = 0.1 * rng.standard_normal(SECTORS)[SECTOR] * np.linspace(0, 1, COUNT)[:, None]
        found, spread = level_drift(readings(np.zeros(COUNT), seed=seed) + wander, AMBIENT, sectors=SECTOR)
        errors.append(found[-1] / spread[-1])
    assert np.std(errors) == pytest.approx(1.0, abs=0.3)  # sectors are few: a Student's t of seven has 1.18


@pytest.mark.parametrize("kept", [SECTOR < 2, np.arange(len(SECTOR)) % EACH < 3])
def test_too_little_in_view_tells_nothing(kept):
    found, spread = level_drift(readings(np.zeros(COUNT))[:, kept], AMBIENT, sectors=SECTOR[kept])
    assert np.isnan(found).all()
    assert np.isnan(spread).all()
    assert np.isnan(level_drift(readings(np.zeros(COUNT))[:5], AMBIENT[:5], sectors=SECTOR)[0]).all()


def test_sectors_go_round_and_the_board_is_left_out():
    places = np.array([[0, 9], [9, 9], [9, 0], [0, 0]])
    assert len(set(sector_of(places, centre=(4.5, 4.5)).tolist())) == 4
    corners = np.array([[20, 10], [59, 10], [59, 39], [20, 39.0]])
    outside = beside_board(corners, shape=(50, 80), margin=5.0)
    assert not outside[5:45, 20:60].any()
    assert outside[:4].all()
    assert outside[:, :14].all()
