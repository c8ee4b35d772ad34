"""Regions' sizes, flags and budgets, from a board with parts of known temperature."""

import numpy as np
import pytest
import xarray as xr
from scipy.stats import norm

from heatwake.kernels.spot_size import mixed_temperature
from heatwake.schema.variables import REGION_SIZE, VARIABLES, require
from heatwake.stages.regions import STAGE, RegionsSettings, measure_regions
from heatwake.stages.small_parts import pixels_per_length
from heatwake.stages.temperature import measure_temperature
from heatwake.stages.uncertainty import TemperatureSettings
from stages.film_sessions import TABLE
from stages.test_temperature import mapped

SIDE, AMBIENT = 60, 24.0
# name, x, y, width, height [mm = px], emissivity
PARTS = (
    ("large", 15.0, 45.0, 16.0, 14.0, 0.95),
    ("small", 45.0, 45.0, 5.0, 7.0, 0.95),
    ("tiny", 15.0, 15.0, 2.0, 9.0, 0.95),
    ("metal", 45.0, 15.0, 12.0, 12.0, 0.4),
)


def board(parts=PARTS, *, level=80.0, around=40.0, cold=True, **scalars):
    """Return measured maps of parts at one temperature on a board at another; steady from the start."""
    centres = np.arange(SIDE) + 0.5
    truth, emissivity = np.full((5, SIDE, SIDE), around), np.full((SIDE, SIDE), 0.95)
    for _, x, y, width, height, eps in parts:
        window = np.ix_(np.abs(centres[::-1] - y) < height / 2, np.abs(centres - x) < width / 2)
        truth[(slice(None), *window)] = level
        emissivity[window] = eps
    session = mapped(truth, emissivity=emissivity, cold=cold, board_scale=1.0, power_on=np.nan, **scalars)
    columns = np.array([row[1:] for row in parts]).T
    keys = ("x", "y", "width", "height", "emissivity")
    session = session.assign({f"part_{key}": ("part", values) for key, values in zip(keys, columns, strict=True)})
    session = session.assign(part_limit=("part", np.full(len(parts), 100.0)))
    return session.assign_coords(part=[row[0] for row in parts], elapsed=("time", np.arange(5) * 10.0))


def seen_in(columns):
    """Return a board of 100 x 50 mm with corners in these columns, in rows 5 and 155."""
    corners = {"corner_column": ("corner", columns), "corner_row": ("corner", [5.0, 5.0, 155.0, 155.0])}
    return xr.Dataset({**corners, "board_width": ((), 100.0), "board_height": ((), 50.0)})


def measured(session, settings=None, **own):
    chosen = settings or RegionsSettings(**own)
    return measure_regions(measure_temperature(session, chosen.uncertainty).compute(), chosen)


@pytest.fixture(scope="module")
def regions():
    return measured(board())


def test_sizes_are_pixels_across_the_smaller_side(regions):
    assert regions["region_pixels"].to_numpy() == pytest.approx([14, 5, 2, 12])
    words = [REGION_SIZE[int(flag)] for flag in regions["region_size"].to_numpy()]
    assert words == ["measured", "small", "too small", "measured"]
    assert regions["region_emissivity_low"].to_numpy().tolist() == [0, 0, 0, 1]


def test_a_part_of_which_the_hottest_is_beyond_the_range_is_told():
    session = measure_temperature(board(), RegionsSettings().uncertainty).compute()
    for name in ("temperature", "temperature_rise"):
        session[name][:, SIDE - 48 : SIDE - 42, 12:18] = np.nan  # within "large"
    assert not measure_regions(session, RegionsSettings())["region_beyond_range"].any()  # masked for another reason
    found = measure_regions(session.assign(range_high=85.0), RegionsSettings())["region_beyond_range"]
    assert found.to_numpy().tolist() == [1, 0, 0, 0]


def test_pixels_are_the_recordings_and_not_the_maps():
    """A board of 100 x 50 mm in 200 x 150 px: 2 px/mm along x, 3 along y."""
    session = seen_in([10.0, 210.0, 210.0, 10.0])
    assert pixels_per_length(session, 30.0, 20.0) == pytest.approx((2.0, 3.0), rel=1e-5)


def test_pixels_shrink_with_distance_in_a_tilted_view():
    session = seen_in([60.0, 160.0, 210.0, 10.0])
    near, far = (pixels_per_length(session, 50.0, y)[0] for y in (0.0, 50.0))
    # along the board's edges: 200 and 100 px for 100 mm
    assert (near, far) == pytest.approx((2.0, 1.0), rel=1e-3)


def test_expected_bias_is_what_a_blurred_part_lacks():
    """The tile is read as the blur leaves it; the bias told brings it back to what it was."""
    share = 0.8
    read = float(mixed_temperature(80.0, 40.0, share=share, table=TABLE))
    part = ("tile", 30.5, 30.5, 5.0, 5.0, 0.95)
    made = measured(board((part,), level=read), spot_px=2.0)
    told = float(made["spot_bias"][0])
    # a 5 x 5 part through a normal spot, its middle 3 x 3: a mean of the normal distribution along each axis
    sigma = 2.0 / 2.354820
    line = np.mean([norm.cdf((2.5 - p) / sigma) - norm.cdf((-2.5 - p) / sigma) for p in (-1, 0, 1)])
    back = TABLE.temperature(TABLE.radiance(40.0) + (TABLE.radiance(read) - TABLE.radiance(40.0)) / line**2)
    assert told == pytest.approx(float(back) - read, rel=1e-3)
    assert 0 < told < 8


def test_bias_enters_the_budget_as_a_rectangle(regions):
    lines = regions["budget_contribution"].sel(budget_input="spot_size", budget_quantity="rise").to_numpy()
    assert lines == pytest.approx(regions["spot_bias"].to_numpy() / np.sqrt(3), rel=1e-6)
    assert lines[1] > 1
    assert lines[0] < 0.01
    without = measured(board(), spot_px=0.0)
    assert float(without["spot_bias"].max()) == pytest.approx(0, abs=1e-3)


def test_a_part_that_hardly_shows_has_no_uncertainty_to_tell():
    made = measured(board((("wire", 30.5, 30.5, 0.05, 9.0, 0.95),)))
    assert REGION_SIZE[int(made["region_size"][0])] == "too small"
    assert np.isnan(made["spot_bias"][0])
    assert np.isnan(made["steady_rise_max_uncertainty"][0])
    assert np.isfinite(made["steady_rise_own"][0])  # what two runs do not share is known all the same


def test_a_part_cooler_than_its_surroundings_reads_too_high():
    made = measured(board((("sink", 30.5, 30.5, 5.0, 5.0, 0.95),), level=35.0, around=60.0))
    assert float(made["spot_bias"][0]) < -0.5
    assert float(made["budget_contribution"].sel(budget_input="spot_size", budget_quantity="rise")[0]) > 0.3


def test_a_part_on_another_is_measured_against_what_it_lies_on():
    parts = (("sink", 30.0, 30.0, 30.0, 30.0, 0.95), ("chip", 30.0, 30.0, 5.0, 5.0, 0.95))
    session = board(parts, level=70.0)
    made = measured(session)
    # chip and sink are alike: nothing is mixed in but the same
    assert float(made["spot_bias"].sel(region="chip")) == pytest.approx(0, abs=1e-3)


def test_sums_are_those_of_the_lines(regions):
    lines = regions["budget_contribution"]
    square = np.square(lines).sum("budget_input")
    for quantity, name in (("rise", "steady_rise_max_uncertainty"), ("temperature", "steady_temperature_uncertainty")):
        assert regions[name].to_numpy() == pytest.approx(np.sqrt(square.sel(budget_quantity=quantity)).to_numpy())
    parts = np.hypot(regions["steady_rise_max_shared"], regions["steady_rise_max_own"]).to_numpy()
    assert parts == pytest.approx(regions["steady_rise_max_uncertainty"].to_numpy())
    assert (np.abs(regions["budget_sensitivity"]) * regions["budget_uncertainty"]).to_numpy() == pytest.approx(
        lines.transpose(*regions["budget_sensitivity"].dims).to_numpy()
    )


def test_only_own_terms_are_own(regions):
    own = ["ambient", "drift", "offset_steps", "noise", "settling"]
    square = np.square(regions["budget_contribution"].sel(budget_quantity="rise", budget_input=own)).sum("budget_input")
    assert regions["steady_rise_max_own"].to_numpy() == pytest.approx(np.sqrt(square).to_numpy())


def test_trials_bear_out_painted_parts_and_not_metal_of_poorly_known_emissivity():
    session = board().assign(part_emissivity_uncertainty=("part", [np.nan, np.nan, np.nan, 0.12]))
    made = measured(session)
    assert made["first_order_holds"].to_numpy()[[0, 3]].tolist() == [1, 0]
    assert float(made["trials_uncertainty"][0]) == pytest.approx(
        float(made["steady_rise_max_uncertainty"][0]), rel=0.02
    )
    low, high = float(made["trials_low"][3]), float(made["trials_high"][3])
    assert high > -1.3 * low > 0


def test_emissivity_of_a_part_brings_its_own_uncertainty():
    session = board().assign(part_emissivity_uncertainty=("part", [0.05, np.nan, np.nan, np.nan]))
    made = measured(session)
    spread = made["budget_uncertainty"].sel(budget_input="emissivity").to_numpy()
    assert spread == pytest.approx([0.05, 0.02, 0.02, 0.02])
    # first order: (L(T) - L(ambient)) / L'(T) per unit of emissivity, over the emissivity
    slope = float((TABLE.radiance(80.0) - TABLE.radiance(AMBIENT)) / (0.95 * TABLE.slope(80.0)))
    line = float(made["budget_contribution"].sel(budget_input="emissivity", budget_quantity="rise")[0])
    assert line == pytest.approx(0.05 * slope, rel=1e-3)


def test_an_estimated_film_temperature_brings_its_own_uncertainty():
    film = {"transmittance": 0.89, "film_absorptance": 0.03, "film_reflectance": 0.08, "film_present": 1}
    session = board(**film).assign(film_temperature=("time", np.full(5, 33.0)))
    known, estimated = session, session.assign(film_temperature_uncertainty=("time", np.full(5, 9.0)))
    spread = [measured(one)["budget_uncertainty"].sel(budget_input="film_temperature")[0] for one in (known, estimated)]
    assert [float(one) for one in spread] == pytest.approx([3.0, 9.0])


def test_without_a_cold_board_the_cameras_statement_counts_in_full():
    made = measured(board(cold=False))
    camera = made["budget_uncertainty"].sel(budget_input="camera").to_numpy()
    assert camera[0] == pytest.approx(2 / np.sqrt(3), rel=1e-3)
    ambient = made["budget_sensitivity"].sel(budget_input="ambient", budget_quantity="rise").to_numpy()
    assert ambient == pytest.approx(-1)


def test_more_frames_lessen_the_noise_and_nothing_else():
    one, many = (measured(board().assign(frames_used=("time", np.full(5, count)))) for count in (1, 400))
    first, second = (made["budget_contribution"].sel(budget_quantity="rise").isel(region=0) for made in (one, many))
    for name in first["budget_input"].to_numpy():
        ratio = float(first.sel(budget_input=name)) - float(second.sel(budget_input=name))
        assert (ratio > 1e-3) == (name == "noise")


def test_a_region_that_was_never_seen_has_no_budget():
    session = board()
    session["board_radiance"] = session["board_radiance"].where(session["x"] < 30)
    made = measured(session)
    assert np.isfinite(made["steady_rise_max_uncertainty"].to_numpy()).tolist() == [True, False, True, False]
    assert made["first_order_holds"].to_numpy()[1] == 0
    assert np.isnan(made["budget_contribution"].to_numpy()[1]).all()


def test_without_regions_there_is_none():
    made = measured(board(level=40.0).drop_dims("part"))
    assert made.sizes["region"] == 0
    assert made["budget_contribution"].shape[0] == 0


def test_what_it_makes_is_as_the_data_model_says(regions):
    require(regions, STAGE.makes)
    for name in ("budget_contribution", "spot_bias", "steady_rise_max_own", "trials_low", "region_size"):
        assert regions[name].attrs["units"] == VARIABLES[name].units
        assert set(regions[name].dims) == set(VARIABLES[name].dims)
    assert TemperatureSettings().air_transmittance_uncertainty == 0


def test_a_cold_part_and_a_stray_hot_spot_are_told_from_hot_parts():
    # hot where it is said to be; said to be where nothing is hot; hot where nothing is said to be
    session = board(PARTS[:2])
    session["part_x"][1], session["part_y"][1] = 20.0, 15.0
    regions = measured(session)
    assert regions["region"].to_numpy().tolist() == ["large", "small", "unassigned 1"]
    assert regions["region_found"].to_numpy().tolist() == [1, 0, 1]
    assert regions["region_known"].to_numpy().tolist() == [1, 1, 0]
    stray = regions.sel(region="unassigned 1")
    assert (float(stray["region_x"]), float(stray["region_y"])) == pytest.approx((45.0, 45.0), abs=1.0)


def test_a_hot_spot_midway_between_two_parts_is_ambiguous():
    hot = (("hot", 30.0, 30.0, 5.0, 5.0, 0.95),)
    places = {"part_x": [24.0, 36.0], "part_y": [30.0, 30.0], "part_width": [10.0, 10.0], "part_height": [4.0, 4.0]}
    known = {**places, "part_emissivity": [0.95, 0.95], "part_limit": [100.0, 100.0]}
    session = board(hot).drop_dims("part").assign({name: ("part", values) for name, values in known.items()})
    regions = measured(session.assign_coords(part=["left", "right"]))
    assert regions["region_ambiguous"].sel(region=["left", "right"]).to_numpy().tolist() == [1, 1]
