"""Camera and thermocouples compared, and what they say of film and camera."""

import dask.array as da
import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from heatwake.errors import InputError
from heatwake.kernels.radiometry import Film, Lid, camera_radiance, leaving_radiance
from heatwake.schema.variables import VARIABLES, label, require
from heatwake.stages.temperature import measure_temperature
from heatwake.stages.thermocouples import STAGE, ThermocoupleSettings, compare_thermocouples
from heatwake.stages.uncertainty import TemperatureSettings
from stages.film_sessions import SCALARS, TABLE

AMBIENT, EMISSIVITY = 24.0, 0.95
PLACES = {"A": (4.5, 9.5, 60.0), "B": (10.5, 9.5, 35.0), "C": (4.5, 3.5, 20.0), "D": (10.2, 3.3, 4.0)}
TIMES = np.arange(60) * 2.0
ONSET = 20.0


def truth(times):
    """Surface temperatures (time, y, x) [degC]: four plateaus that warm from the onset on."""
    y, x = np.meshgrid(np.arange(12)[::-1] + 0.5, np.arange(15) + 0.5, indexing="ij")
    rises = np.zeros(x.shape)
    for at_x, at_y, rise in PLACES.values():
        rises[(abs(x - at_x) <= 3) & (abs(y - at_y) <= 3)] = rise
    return AMBIENT + (1 - np.exp(-np.maximum(times - ONSET, 0) / 30))[:, None, None] * rises


def session(
    *,
    film=None,
    says=None,
    bare_metal=False,
    warming=0.0,
    offset=0.0,
    hot_offset=0.0,
    clock=0.0,
    errors=0.0,
    chunk=7,
    cold=True,
    times=TIMES,
):
    """Return a session as it comes to the stage.

    The camera sees through ``film``, which warms by ``warming`` [K] as the board does, and reads too high by ``offset``
    always and ``hot_offset`` from the onset on [W m-2 sr-1]; the session file says a transmittance of ``says``; the
    log's clock is ``clock`` behind. Bare metal has an emissivity of 0.4 and sees itself in the film.
    """
    emissivity = 0.4 if bare_metal else EMISSIVITY
    film = Film(0.89, 0.08) if film is None else film
    taken = film if says is None else Film(says, film.reflectance)
    truly = truth(times)
    warm = AMBIENT + warming * (1 - np.exp(-np.maximum(times - ONSET, 0) / 30))[:, None, None]
    lid = Lid(film, warm) if bare_metal else None
    leaving = leaving_radiance(truly, table=TABLE, emissivity=emissivity, reflected=AMBIENT, lid=lid)
    seen = camera_radiance(leaving, table=TABLE, film=film, film_temperature=warm, camera_side=AMBIENT)
    seen = seen + offset + np.where(times > ONSET, hot_offset, 0.0)[:, None, None]
    added = taken.added_radiance(TABLE, film_temperature=warm, camera_side=AMBIENT)
    board = ((seen - added) / taken.transmittance).astype(np.float32)
    values = SCALARS | {"transmittance": taken.transmittance, "transmittance_uncertainty": 0.01}
    values |= {"film_absorptance": taken.absorptance, "film_reflectance": taken.reflectance, "power_on": ONSET}
    values |= {"cold_ambient": AMBIENT if cold else np.nan, "surface_emissivity": emissivity}
    values |= {"mirrors_board": int(bare_metal)}
    made = xr.Dataset({name: ((), value) for name, value in values.items()})
    made["board_radiance"] = (("time", "y", "x"), board if chunk is None else da.from_array(board, (chunk, -1, -1)))
    picture = board[0] if cold else np.full_like(board[0], np.nan)
    made["cold_radiance"] = (("y", "x"), picture, {"frames": 80})
    made["film_temperature"] = ("time", warm[:, 0, 0])
    made["frames_used"], made["ambient"] = ("time", np.full(len(times), 1)), ("time", np.full(len(times), AMBIENT))
    made = made.assign_coords(y=np.arange(12)[::-1] + 0.5, x=np.arange(15) + 0.5, elapsed=("time", times))
    return label(with_probes(made, clock=clock, errors=errors))


def with_probes(made, *, clock=0.0, errors=0.0):
    logged = np.arange(-20.0, 160.0, 1.0)
    truly = truth(logged)
    places = [(11 - int(y), int(x)) for x, y, _ in PLACES.values()]
    log = np.array([truly[:, row, column] for row, column in places]) + np.reshape(errors, (-1, 1))
    made = made.assign(
        probe_x=("probe", [place[0] for place in PLACES.values()]),
        probe_y=("probe", [place[1] for place in PLACES.values()]),
        probe_accuracy=("probe", np.full(4, 0.5)),
        probe_log=(("probe", "probe_time"), log),
        probe_elapsed=("probe_time", logged - clock),
    )
    return made.assign_coords(probe=list(PLACES))


def run(read, **chosen):
    return compare_thermocouples(read, ThermocoupleSettings(**{"largest_clock_offset_s": 30.0} | chosen))


def test_what_agrees_is_said_to_agree():
    made = run(session(clock=11.4))
    assert made["probe_residual_final"].to_numpy() == pytest.approx(0, abs=0.02)
    assert (made["probe_agreement"] == 1).all()
    assert float(made["clock_offset"]) == pytest.approx(11.4, abs=0.1)
    assert float(made["clock_offset_uncertainty"]) < 0.3
    assert int(made["clock_offset_found"]) == 1


def test_residuals_are_the_thermocouples_errors():
    made = run(session(errors=[0.6, -0.6, 4.0, 0.0]))
    # to the millikelvins of tables and of the log's chords
    assert made["probe_residual_final"].to_numpy() == pytest.approx([-0.6, 0.6, -4.0, 0.0], abs=0.02)
    assert made["probe_residual_mean"].to_numpy() == pytest.approx([-0.6, 0.6, -4.0, 0.0], abs=0.05)
    assert made["probe_agreement"].to_numpy().tolist() == [1, 1, 0, 1]


def test_expected_uncertainty_is_the_budget_by_hand():
    read = session(times=TIMES[:40])
    made = run(read, placement_uncertainty_mm=0.0)
    # rectangular half-width over the root of three (JCGM 100, 4.3.7), with the camera's own at those pixels
    camera = measure_temperature(read, TemperatureSettings())["temperature_uncertainty"].compute()
    own = [float(camera[-15:, 11 - int(y), int(x)].mean()) for x, y, _ in PLACES.values()]
    by_hand = np.hypot(0.5 / np.sqrt(3), own)
    assert made["probe_residual_uncertainty"].to_numpy() == pytest.approx(by_hand, rel=0.02)
    error = np.abs(made["probe_residual_final"]) / (2 * made["probe_residual_uncertainty"])
    assert made["probe_normalised_error"].to_numpy() == pytest.approx(error.to_numpy())


def test_a_slope_makes_a_misplaced_bead_uncertain():
    read = session(chunk=None)
    ramp = read["board_radiance"].copy()
    tilt = 0.4 * (read["x"] - 4.5) * float(TABLE.slope(AMBIENT)) * EMISSIVITY
    read = read.assign(board_radiance=(ramp + tilt).transpose(*ramp.dims).astype(np.float32))
    without, with_slope = (run(read, placement_uncertainty_mm=u)["probe_residual_uncertainty"] for u in (0.0, 1.0))
    # at D, 4 K warm, 0.4 K/mm of ambient radiance are 0.4 L'(24)/L'(28) = 0.385 K/mm
    added = np.sqrt(float(with_slope[3]) ** 2 - float(without[3]) ** 2)
    assert added == pytest.approx(0.385, rel=0.03)


@given(true=st.floats(0.75, 0.92), says=st.floats(0.75, 0.92))
@settings(max_examples=6, deadline=None)
def test_a_transmittance_is_solved_for_from_whatever_was_said(true, says):
    made = run(session(film=Film(true, 0.08), says=says), solve="transmittance")
    # the clock is found to some hundredths of a second, at rates of up to 2 K/s in 60 K
    assert float(made["transmittance"]) == pytest.approx(true, abs=1e-3)
    assert float(made["film_absorptance"]) == pytest.approx(1 - true - 0.08, abs=1e-3)
    assert float(made["transmittance_uncertainty"]) > 0.005
    assert "from 4 thermocouples" in made["transmittance"].attrs["comment"]


@pytest.mark.parametrize(("cold", "warming"), [(True, 0.0), (False, 0.0), (True, 12.0)])
def test_maps_are_those_that_the_right_transmittance_would_have_made(cold, warming):
    right = session(cold=cold, warming=warming)
    made = run(session(says=0.80, cold=cold, warming=warming), solve="transmittance")
    for name in ("board_radiance", "cold_radiance"):
        # tau to 5e-4 of what is 50 W m-2 sr-1 above the film's own
        assert made[name].to_numpy() == pytest.approx(right[name].to_numpy(), abs=0.03, nan_ok=True)
    after = measure_temperature(made, TemperatureSettings())["temperature"].to_numpy()
    assert after == pytest.approx(truth(TIMES), abs=0.05)
    assert np.abs(made["probe_residual_final"]).max() < 0.05


def test_bare_metal_that_sees_itself_in_the_film_is_solved_for_as_well():
    made = run(session(says=0.80, bare_metal=True), solve="transmittance")
    assert float(made["transmittance"]) == pytest.approx(0.89, abs=1e-3)
    after = measure_temperature(made, TemperatureSettings())["temperature"].to_numpy()
    assert after == pytest.approx(truth(TIMES), abs=0.06)  # as the transmittance, at 0.4 of the signal
    # without that, what the metal mirrors of itself would count as transmittance: 1/(1 - 0.6 x 0.08) = 1.05
    plain = session(says=0.80, bare_metal=True).assign(mirrors_board=((), 0))
    assert float(run(plain, solve="transmittance")["transmittance"]) > 0.92


def test_an_offset_of_the_camera_is_taken_off_a_recording_without_a_cold_board():
    made = run(session(offset=1.3, cold=False), solve="offset")
    assert float(made["camera_offset"]) == pytest.approx(1.3, abs=0.02)
    # 0.5 K/root 3 on four places: some 0.15 K, and what tau and emissivity leave
    assert 0.1 < float(made["camera_offset_uncertainty"]) < 1.5
    after = measure_temperature(made, TemperatureSettings())["temperature"].to_numpy()
    assert after == pytest.approx(truth(TIMES), abs=0.05)


def test_on_a_zeroed_recording_the_offset_is_what_came_since():
    # its coming with the onset looks like a shift of the clock: the clocks are taken as set
    made = run(session(offset=2.0, hot_offset=0.5), solve="offset", clock_uncertainty_s=1e-6)
    assert float(made["camera_offset"]) == pytest.approx(0.5, abs=0.02)
    assert "since the cold board" in made["camera_offset"].attrs["comment"]
    after = measure_temperature(made, TemperatureSettings())["temperature"].to_numpy()
    assert after[TIMES > ONSET] == pytest.approx(truth(TIMES)[TIMES > ONSET], abs=0.05)


def test_both_are_solved_for_together():
    made = run(session(says=0.82, offset=1.0, cold=False), solve="both")
    assert float(made["transmittance"]) == pytest.approx(0.89, abs=1e-3)
    assert float(made["camera_offset"]) == pytest.approx(1.0, abs=0.05)


def test_a_thermocouple_that_came_off_does_not_spoil_the_transmittance():
    read = session(says=0.80)
    read["probe_log"][0] = AMBIENT
    made = run(read, solve="transmittance")
    assert float(made["transmittance"]) == pytest.approx(0.89, abs=2e-3)
    assert made["probe_agreement"].to_numpy().tolist() == [0, 1, 1, 1]


def test_stated_uncertainty_of_the_transmittance_covers_trials():
    """Errors of the thermocouples as stated (rectangular, 0.5 K) and an emissivity wrong by its uncertainty."""
    rng, errors = np.random.default_rng(6), []
    for _ in range(10):
        read = session(says=0.84, errors=rng.uniform(-0.5, 0.5, 4))
        read = read.assign(surface_emissivity=((), EMISSIVITY + rng.normal(0, 0.02)))
        made = run(read, solve="transmittance", largest_clock_offset_s=10.0)
        errors.append((float(made["transmittance"]) - 0.89) / float(made["transmittance_uncertainty"]))
    assert 0.3 < np.sqrt(np.mean(np.square(errors))) < 1.4  # ten normal trials: 0.6 to 1.4 at 95 %, less the gain term


@pytest.mark.parametrize("clock", [-12.0, 12.0])
def test_a_clock_that_cannot_be_told_makes_the_transmittance_less_certain(clock):
    """The recording starts while the parts settle: the log's shift looks like a factor."""
    late = ONSET + 30 + TIMES
    set_right = run(session(cold=False, times=late), solve="both", clock_uncertainty_s=1e-6, unset_clock_s=0.0)
    made = run(session(cold=False, times=late, clock=clock), solve="both", clock_uncertainty_s=1e-6)
    error = abs(float(made["transmittance"]) - 0.89)
    assert 1e-3 < error < 2 * float(made["transmittance_uncertainty"])
    assert float(made["transmittance_uncertainty"]) > float(set_right["transmittance_uncertainty"])


def test_too_small_a_range_is_refused():
    read = session()
    read["probe_log"][:] = AMBIENT + 0.1 * (read["probe_log"] - AMBIENT)
    with pytest.raises(InputError, match=r"thermocouples is a range of 5\.\d K, must be 10 K or more to solve"):
        run(read, solve="transmittance")


def test_without_a_film_there_is_no_transmittance_to_solve_for():
    read = session(film=Film()).assign(film_present=((), 0))
    with pytest.raises(InputError, match=r"film is missing, must be given to solve for its transmittance"):
        run(read, solve="transmittance")
    assert float(run(read, solve="offset")["camera_offset"]) == pytest.approx(0, abs=0.02)


def test_a_transmittance_above_one_is_refused():
    read = session(says=0.92)
    read["probe_log"][:] = AMBIENT + 0.7 * (read["probe_log"] - AMBIENT)
    with pytest.raises(InputError, match=r"for a transmittance of 1\.\d+, must lie in \(0, 1\]"):
        run(read, solve="transmittance")


def test_where_nothing_changes_the_clock_offset_is_zero_and_flagged(caplog):
    still = session()
    still["board_radiance"] = still["board_radiance"][-1:].isel(time=[0] * 60).assign_coords(elapsed=still["elapsed"])
    still["probe_log"][:] = still["probe_log"][:, -1:]
    made = run(still)
    assert float(made["clock_offset"]) == 0
    assert np.isnan(made["clock_offset_uncertainty"])
    assert int(made["clock_offset_found"]) == 0
    assert "cannot be told" in caplog.text


def test_a_place_beside_the_board_is_refused():
    read = session()
    read["probe_x"][1] = 40.0
    with pytest.raises(InputError, match=r"thermocouples: B: x_mm, y_mm is 40, 9.5, must lie on the map"):
        run(read)


def test_without_thermocouples_nothing_changes(caplog):
    read = session().drop_dims(["probe", "probe_time"])
    assert run(read) is read
    assert run(read, solve="offset") is read
    assert "no thermocouples" in caplog.text


def test_a_log_of_another_day_is_not_compared(caplog):
    made = run(session(clock=5000.0))
    assert (made["probe_agreement"] == 2).all()
    assert made["probe_residual_mean"].isnull().all()
    with pytest.raises(InputError, match="with 0 readings in common"):
        run(session(clock=5000.0), solve="offset")


def test_pixels_never_seen_are_not_compared():
    read = session(chunk=None)
    read["board_radiance"][:, :6, :8] = np.nan
    made = run(read)
    assert made["probe_agreement"].to_numpy().tolist() == [2, 1, 1, 1]
    nothing = session(chunk=None)
    nothing["board_radiance"][:] = np.nan
    assert (run(nothing)["probe_agreement"] == 2).all()


def test_one_map_is_compared_too():
    made = run(session(times=np.array([100.0]), cold=False))
    assert (made["probe_agreement"] == 1).all()
    assert made["probe_residual_spread"].isnull().all()


def test_lazy_is_eager_and_the_input_is_left_alone():
    lazy, eager = session(says=0.82), session(says=0.82, chunk=None)
    before = lazy.copy(deep=True)
    made, at_once = run(lazy, solve="transmittance"), run(eager, solve="transmittance")
    assert isinstance(made["board_radiance"].data, da.Array)
    assert made["board_radiance"].chunks == lazy["board_radiance"].chunks
    xr.testing.assert_allclose(made.compute(), at_once)
    xr.testing.assert_identical(lazy, before)


def test_names_units_and_dims_are_the_data_models():
    made = run(session(hot_offset=0.4), solve="both")
    require(made, STAGE.makes)
    for name in STAGE.makes:
        assert made[name].attrs.get("units", "") == VARIABLES[name].units
    assert made["cold_radiance"].attrs["frames"] == 80
