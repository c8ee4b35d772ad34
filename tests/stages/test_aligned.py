"""Sessions laid on one another: clicked corners, emissivities that change at an edge, a camera of another level."""

import numpy as np
import pytest
import xarray as xr
from scipy.ndimage import gaussian_filter

from board_pictures import CAMERA, corners, hot, picture
from heatwake.kernels.planck import BandTable
from heatwake.scene import charger
from heatwake.stages.aligned import align, regions_of
from heatwake.stages.comparison import ComparisonSettings, compare
from heatwake.stages.pair import pair_of
from stages.paired_sessions import AMBIENT, PARTS, SHAPE, X, Y, session

SETTINGS = ComparisonSettings()
TABLE = BandTable.for_band(7.5, 14.0)
METAL = 0.45
Q2 = PARTS[1]


def seen_from(shift: float, *, rng: np.random.Generator) -> xr.Dataset:
    """A session whose part Q2 is bare metal, and whose map lies ``shift`` cells to the right of the truth."""
    made = session(rng, ambient_error=0.0, noise=0.0)
    metal = _inside(made, grow=0.0)
    true = np.where(metal, METAL, 0.94)
    warm = TABLE.radiance(AMBIENT + made["temperature_rise"].to_numpy()) - TABLE.radiance(AMBIENT)
    leaving = np.stack([_shifted(one, shift) for one in gaussian_filter(true * warm, (0, 0.7, 0.7))])  # by the optics
    rise = TABLE.temperature(leaving / true + TABLE.radiance(AMBIENT)) - AMBIENT  # parts are where the file has them
    return made.assign(
        emissivity=(("y", "x"), true),
        temperature_rise=(("time", "y", "x"), rise),
        temperature=(("time", "y", "x"), rise + AMBIENT),
    )


def _inside(made: xr.Dataset, *, grow: float) -> np.ndarray:
    half = Q2[3] / 2 + grow
    return (np.abs(Y[:, None] - Q2[2]) <= half) & (np.abs(X[None, :] - Q2[1]) <= half)


def _shifted(picture_of: np.ndarray, cells: float) -> np.ndarray:
    """Moved by a shift in the Fourier domain, which is none of the estimator's ways to interpolate."""
    phase = np.exp(-2j * np.pi * np.fft.fftfreq(SHAPE[1]) * cells)
    return np.fft.ifft(np.fft.fft(picture_of, axis=1) * phase, axis=1).real


def test_edges_of_metal_are_where_the_file_has_them_in_both():
    rng = np.random.default_rng(41)
    base, other = seen_from(0.0, rng=rng), seen_from(0.4, rng=rng)
    pair = pair_of(other, base, SETTINGS, None)
    plain = align(pair, regions_of(pair), SETTINGS)
    matrix = np.array([[1, 0, 0.4], [0, 1, 0], [0, 0, 1]])
    laid = plain.here.laid_on(plain.there.rise, matrix).rise - plain.there.rise
    moved = plain.here.rise.copy(data=_shifted(plain.here.rise.to_numpy(), -0.4)) - plain.there.rise
    ring = _inside(base, grow=1.5) & ~_inside(base, grow=-1.5)
    before, after = (float(np.sqrt((one.to_numpy()[ring] ** 2).mean())) for one in (moved, laid))
    # the temperature map itself, moved: what was divided by the wrong emissivity stays wrong, some kelvin
    assert before > 1.5
    assert after < 0.25 * before


@pytest.fixture(scope="module")
def placed() -> tuple[xr.Dataset, xr.Dataset]:
    """The same board twice: pictures by the scene's camera, one with its corners clicked a pixel off."""
    truth = hot(charger(fan="out"))
    error = np.array([[0.9, 0.4], [0.9, -0.5], [1.0, 0.3], [0.8, 0.2]])
    return tuple(_with_picture(picture(truth, camera, seed=seed), corners(camera) + off)
                 for camera, seed, off in ((CAMERA, 1, 0.0), (CAMERA, 2, error)))  # fmt: skip


def _with_picture(still: np.ndarray, where: np.ndarray) -> xr.Dataset:
    """A session whose late maps are the scene's picture laid on the board by its corners."""
    from heatwake.stages.board_match import _board_picture

    x, y = np.arange(0.5, 160), np.arange(99.5, 0, -1)
    about = xr.Dataset(
        {
            "still_picture": (("picture_row", "picture_column"), still),
            "corner_column": ("corner", where[:, 0]),
            "corner_row": ("corner", where[:, 1]),
            "board_width": ((), 160.0),
            "board_height": ((), 100.0),
        },
        coords={"row": np.arange(120), "column": np.arange(160), "x": x, "y": y},
    )
    warm = _board_picture(about, x, y).astype(np.float64) - AMBIENT
    made = (
        session(np.random.default_rng(5))
        .drop_dims(["x", "y", "region", "event"], errors="ignore")
        .drop_vars(["x", "y"], errors="ignore")
    )
    maps = np.broadcast_to(warm, (made.sizes["time"], *warm.shape))
    flat = np.full(warm.shape, 0.94)
    parts = [(one.name, one.x, one.y, one.width, one.depth) for one in charger().parts]
    columns = {
        key: ("region", [row[number] for row in parts])
        for number, key in enumerate(("region_x", "region_y", "region_width", "region_height"), 1)
    }
    made = made.merge(about).assign(
        temperature_rise=(("time", "y", "x"), maps), temperature=(("time", "y", "x"), maps + AMBIENT),
        emissivity=(("y", "x"), flat), emissivity_uncertainty=(("y", "x"), 0.02 * flat),
        cold_radiance=(("y", "x"), np.full(warm.shape, float(TABLE.radiance(AMBIENT)))), **columns,
    )  # fmt: skip
    return made.assign_coords(region=np.array([row[0] for row in parts], dtype=object))


def test_regions_are_measured_where_the_reference_has_them(placed):
    base, clicked = placed
    pair = pair_of(clicked, base, SETTINGS, None)
    laid = align(pair, regions_of(pair), SETTINGS)
    assert laid.is_moved
    means = [
        np.array([np.nanmean(one.to_numpy()[at]) for at in laid.windows]) for one in (laid.here.rise, laid.there.rise)
    ]
    apart = means[0] - means[1]
    off = apart - laid.region_moved  # as they were
    # medians: the pictures have a crease of the film each, which goes over one part or another
    spread = [float(np.median(np.abs(one - np.median(one)))) for one in (off, apart)]
    assert spread[0] > 0.08
    assert spread[1] < 0.25 * spread[0]


@pytest.mark.parametrize("wrong", ["in degrees", "in radiance"])
def test_a_camera_of_another_level_is_no_change(wrong):
    rng = np.random.default_rng(43)
    base = session(rng, ambient_error=0.0)
    made = compare({"a": base, "b": too_warm(base, by=1.2, wrong=wrong)}, "a", settings=SETTINGS).isel(session=0)
    assert float(made["camera_level_difference"]) == pytest.approx(1.2, rel=0.02)
    assert not made["region_significant"].any()
    ends = [made[f"steady_rise_difference_{end}"] for end in ("low", "high")]
    assert ((ends[0] <= 0) & (ends[1] >= 0)).all()
    # 45 K: a kelvin in degrees leaves 0.33 K (tests of level_left); half is taken off whichever it is
    half = 0.5 * 1.2 * 0.33 * (1 if wrong == "in degrees" else -1)
    assert float(made["steady_rise_difference"].sel(region="Q2")) == pytest.approx(half, abs=0.08)


def too_warm(base: xr.Dataset, *, by: float, wrong: str) -> xr.Dataset:
    """The same with a camera that reads too high by a constant: what the pipeline makes of it, by its own equation."""
    clear, emissivity = 0.89, 0.94
    table = TABLE
    cold, extra = float(table.radiance(AMBIENT)), 0.0
    if wrong == "in degrees":

        def read(radiance):
            return table.radiance(table.temperature(radiance) + by)
    else:
        extra = by * float(table.slope(AMBIENT))

        def read(radiance):
            return radiance + extra

    surplus = float(read(cold)) - cold

    def through(rise):
        surface = emissivity * table.radiance(AMBIENT + rise) + (1 - emissivity) * cold
        written = read(clear * surface + (1 - clear) * cold) - surplus
        left = (written - (1 - clear) * cold) / clear
        return table.temperature((left - (1 - emissivity) * cold) / emissivity) - AMBIENT

    changed = base.assign(
        {
            name: (base[name].dims, through(base[name].to_numpy()))
            for name in ("temperature_rise", "steady_rise", "rise_mean")
        }
    )
    changed = changed.assign(temperature=changed["temperature_rise"] + AMBIENT)
    return changed.assign(cold_radiance=base["cold_radiance"] * 0 + cold + surplus / clear)
