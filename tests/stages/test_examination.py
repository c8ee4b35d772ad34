"""Recordings with a planted fault, and one without, looked through for what commonly goes wrong."""

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
import xarray as xr

from doctor_scenes import times
from heatwake.kernels.signs_of_camera import drawn_edges, edge_spread, gain_steps, reading_step
from heatwake.kernels.signs_of_film import find_crease, loss_along
from heatwake.kernels.signs_of_reflection import round_image, uneven_patches
from heatwake.kernels.unexplained import (
    heating_basis,
    in_the_way,
    jumps,
    later_changes,
    left_over,
    refined_changes,
)
from heatwake.scene import (
    Bulge,
    Camera,
    Clipping,
    Crease,
    Fault,
    FewLevels,
    Film,
    FilmTouch,
    Hand,
    Handling,
    MovingReflection,
    OffsetDrift,
    Overlay,
    OwnReflection,
    RangeJump,
    Scene,
    Shake,
    Shutter,
    charger,
    click_corners,
    exhaust_log,
    record,
    simulate,
    write_parts,
    write_session,
)
from heatwake.schema.findings import KINDS, Examination
from heatwake.stages.examination import examine
from heatwake.stages.look import take_look
from heatwake.store.session import open_session

CAMERA = Camera(columns=80, rows=60, focal=175.0, supersampling=2)
SCENE = replace(charger(cell=4.0), power_on=14.0)
SIDES_OF_TWO = ((29.5, 69.5), (73.5, 119.5))


@pytest.fixture(scope="module")
def truth() -> xr.Dataset:
    return simulate(SCENE, times(14.0, 700.0)[::2])


def examined(
    tmp_path,
    truth: xr.Dataset,
    *faults: Fault,
    camera: Camera = CAMERA,
    handling: Handling | None = None,
    logged: np.ndarray | None = None,
    scene: Scene = SCENE,
) -> Examination:
    """Return what is found in a recording, written and read like any other."""
    recording = record(truth, camera, handling or Handling(shake=Shake()), rng=np.random.default_rng(5), faults=faults)
    corners = click_corners(recording, error=0.1, rng=np.random.default_rng(6))
    write_session(
        tmp_path, scene, recording=recording, title="x", corners=corners, conditions={"power_W": 18.0}, logged=logged
    )
    write_parts(tmp_path / "parts.csv", SCENE)
    return examine(open_session(tmp_path).dataset)


def kinds(*given: Any, **more: Any) -> set[str]:
    return {one.kind for one in examined(*given, **more).findings}


def test_a_sound_recording_shows_nothing_though_it_was_shaken_and_a_hand_was_in_it(tmp_path, truth):
    assert kinds(tmp_path, truth, handling=Handling(shake=Shake(), hands=(Hand(40.0, 4.0),))) == set()


@pytest.mark.parametrize(
    ("kind", "fault"),
    [
        ("moving reflection", MovingReflection(excess=30.0, period=90.0)),
        ("own reflection", OwnReflection(excess=12.0, centre=(0.04, -0.05), radius=0.2)),
        ("film bulge", Bulge(begins=7.0, excess=12.0)),
        ("film touches a part", FilmTouch("T1", centre=(101.0, 69.0), size=(18.0, 15.0), begins=300.0)),
        ("offset drift", OffsetDrift(size=1.5, settle=200.0)),
        ("range jump", RangeJump(begins=300.0, gain=1.05)),
        ("clipping", Clipping(highest=52.0)),
        ("few levels", FewLevels(step=0.4)),
    ],
)
def test_a_planted_fault_is_found_and_no_other(tmp_path, truth, kind, fault):
    assert kinds(tmp_path, truth, fault) == {kind}


def test_steps_of_the_shutter_are_told(tmp_path, truth):
    assert kinds(tmp_path, truth, handling=Handling(shutters=(Shutter(300.0, 0.6),))) == {"offset steps"}


def test_a_run_counts_steps_in_every_frame(tmp_path, truth):
    assert kinds(tmp_path, truth) == set()
    session = open_session(tmp_path).dataset
    offsets = np.where(session["elapsed"].to_numpy() > 300.0, 0.6, 0.0)  # as a run's registration tells it
    [found] = examine(session, offsets=offsets).findings
    assert found.kind == "offset steps"
    assert found.frames == (int(np.argmax(offsets > 0)),)
    assert "at least" not in found.sentence


def test_a_blurred_board_is_told(tmp_path, truth):
    far = replace(CAMERA, focal=135.0, blur=2.2)  # some parts are less than four pixels then
    assert kinds(tmp_path, truth, camera=far) == {"out of focus", "part too small"}


@pytest.mark.parametrize(
    ("start", "end", "loss"), [((40.0, 12.0), (120.0, 92.0), 0.08), ((20.0, 60.0), (140.0, 32.0), 0.14)]
)
def test_a_fold_across_the_board_is_found(tmp_path, truth, start, end, loss):
    near = replace(CAMERA, columns=160, rows=120, focal=350.0)
    assert kinds(tmp_path, truth, Crease(start, end, loss=loss, width=1.3), camera=near) == {"film crease"}


def test_a_second_layer_of_film_is_told(tmp_path, truth):
    thick = replace(SCENE, film=Film(transmittance=0.72, absorptance=0.08, reflectance=0.20))
    assert kinds(tmp_path, truth, scene=thick) == {"film layers"}


def test_a_drawn_in_picture_hides_what_it_looks_like(tmp_path, truth):
    assert kinds(tmp_path, truth, Overlay(strength=1.5)) == {"visible overlay"}


def test_warm_surroundings_mirrored_by_a_cold_board_are_told(tmp_path, truth):
    assert kinds(tmp_path, truth.assign(mirrored_offset=6.0)) == {"emissivity pattern"}


def test_a_sensor_in_the_exhaust_is_told(tmp_path, truth):
    assert kinds(tmp_path, truth, logged=exhaust_log(truth, share=0.3)) == {"ambient sensor"}


def test_a_recording_that_ends_early_is_told(tmp_path, truth):
    assert kinds(tmp_path, truth.isel(time=truth["elapsed"] < 100.0)) == {"unsettled end"}


def test_too_few_frames_are_not_examined(tmp_path, truth):
    recording = record(truth.isel(time=slice(3)), CAMERA, Handling(), rng=np.random.default_rng(5))
    write_session(tmp_path, SCENE, recording=recording, title="x", corners=recording.corners, conditions={})
    write_parts(tmp_path / "parts.csv", SCENE)
    examined = examine(open_session(tmp_path).dataset)
    assert examined.findings == ()
    assert examined.untold == ("fewer than 8 frames: the recording was not examined",)


def test_a_look_does_not_grow_with_the_recording():
    count = 20_000
    session = xr.Dataset(
        {
            "indicated_temperature": (
                ("frame", "row", "column"),
                np.broadcast_to(np.linspace(20, 30, 48, dtype=np.float32).reshape(6, 8), (count, 6, 8)),
            ),
            "frame_ambient": ("frame", np.full(count, np.nan)),
            "event_elapsed": ("event", [100.0]),
        },
        coords={"elapsed": ("frame", np.arange(count) / 9.0), "event": ["power on"]},
    )
    look = take_look(session)
    assert len(look.numbers) < 150
    assert look.power_on == 100.0
    assert look.cold.sum() >= 16
    assert np.diff(look.elapsed).min() == pytest.approx(1 / 9)  # somewhere frames follow each other


def test_every_kind_has_a_cure_and_is_a_sentence():
    assert all(cure.endswith(".") and cure[0].isupper() for cure in KINDS.values())


# --- single signs against closed forms -------------------------------------------------------------------


def test_heat_leaves_nothing_over_and_a_jump_is_measured():
    elapsed = np.concatenate([np.arange(0, 60, 1.0), np.arange(60, 600, 10.0)])
    since = np.maximum(elapsed - 20.0, 0.0)
    heat = np.stack([30 * (1 - np.exp(-since / tau)) + 8 * (1 - np.exp(-since / (6 * tau))) for tau in (9, 40, 90)], 1)
    basis = heating_basis(elapsed, 20.0)
    assert (
        np.abs(left_over(heat, basis)).max() < 0.04
    )  # a thousandth of the rise: nine exponentials stand for any other
    jumped = heat + np.where(elapsed >= 300, 1.0, 0.0)[:, None] * [0.0, 1.5, 0.0]
    found = jumps(jumped, elapsed, basis=basis, used=np.ones(len(elapsed), bool))
    best = int(np.argmax(found.gained))
    assert elapsed[best] == 300.0
    assert found.sizes[best] == pytest.approx([0, 1.5, 0], abs=0.02)


def test_what_is_in_the_way_for_a_moment_is_left_out_and_what_lasts_is_not():
    quiet = 0.01 * np.random.default_rng(1).standard_normal((40, 50))
    hand, lamp = quiet.copy(), quiet.copy()
    hand[10:12, :20] += 9.0
    lamp[10:30, :20] += 9.0
    level = np.ones((40, 1))
    assert np.flatnonzero(in_the_way(hand, level)).tolist() == [10, 11]
    assert not in_the_way(lamp, level).any()
    jump = quiet.copy()
    jump[10], jump[11] = 3.0, -3.0  # smooth curves depart one way before it and the other way after
    assert not in_the_way(jump, level).any()


def test_a_fan_that_stops_is_told_from_a_film_that_moves():
    elapsed = np.arange(0, 800, 8.0)
    rng, places = np.random.default_rng(3), np.linspace(0.5, 1.5, 40)
    heat = np.outer(1 - np.exp(-np.maximum(elapsed - 20, 0) / 60), 20 * places) + rng.normal(0, 0.02, (100, 40))
    basis, used = heating_basis(elapsed, 20.0), np.ones(100, bool)
    stopped = heat + np.outer(1 - np.exp(-np.maximum(elapsed - 403, 0) / 70), 6 / places)
    moved = heat + np.where(elapsed > 403, 1.0, 0.0)[:, None] * places
    found = later_changes(stopped, elapsed, basis=basis, used=used, start=20.0)
    assert found[0] == pytest.approx(403, abs=8)  # a look
    assert later_changes(moved, elapsed, basis=basis, used=used, start=20.0) == ()
    assert later_changes(heat, elapsed, basis=basis, used=used, start=20.0) == ()
    # by a watch that is 3 s off; within a second of the truth, as finely as times are tried
    (noted,) = refined_changes(stopped, elapsed, basis=basis, used=used, noted=(406.0,))
    assert noted == pytest.approx(403, abs=1.0)
    assert refined_changes(moved, elapsed, basis=basis, used=used, noted=(406.0,)) == ()


def test_a_fan_turned_round_that_nobody_noted_is_no_fault(tmp_path):
    swapped = simulate(SCENE, np.arange(0.0, 700.0, 6.0), then=[(250.0, SCENE.with_fan("in"))])
    assert kinds(tmp_path, swapped) == set()


def test_the_blur_of_an_edge_is_measured():
    column, row = np.meshgrid(np.arange(120), np.arange(90))
    board = ((column > 20) & (column < 100) & (row > 15) & (row < 75)).astype(np.float32)
    corners = np.array([(20.5, 15.5), (99.5, 15.5), (99.5, 74.5), (20.5, 74.5)])
    for blur in (1.0, 2.5):
        seen = 25 + 20 * cv2.GaussianBlur(board, (0, 0), blur)
        # the grid of spreads that are tried is 17 % wide, and a pixel's width is taken off
        assert edge_spread(seen, corners, least=2.0) == pytest.approx(blur, rel=0.17)
    assert np.isnan(edge_spread(np.full((90, 120), 25.0), corners, least=2.0))


def test_lines_drawn_in_are_told_from_edges_seen_through_a_lens():
    seen = 25 + 10 * cv2.GaussianBlur((np.indices((60, 80)).sum(axis=0) % 20 < 10).astype(np.float32), (0, 0), 0.7)
    assert drawn_edges(seen, least=0.5).share < 0.01
    drawn = seen.copy()
    drawn[::10] += 2.0
    assert drawn_edges(drawn, least=0.5).share > 0.1


def test_steps_of_readings_and_of_gain_are_measured():
    assert reading_step(np.round(np.linspace(20, 60, 4000).reshape(50, 80) / 0.25) * 0.25) == pytest.approx(0.25)
    elapsed = np.arange(0, 400, 5.0)
    levels = 24 + np.outer(1 - np.exp(-elapsed / 60), np.linspace(2, 40, 60))
    levels[50:] = 20 + 1.04 * (levels[50:] - 20)
    found = gain_steps(levels, elapsed, least=0.012)
    assert np.flatnonzero(found).tolist() == [50]
    assert found[50] == pytest.approx(np.log(1.04), abs=0.002)


def test_a_round_image_and_a_patch_on_a_cold_board_are_measured():
    column, row = np.meshgrid(np.arange(160), np.arange(120))
    inside = np.ones((120, 160), bool)
    noise = 0.01 * np.random.default_rng(2).standard_normal((120, 160))
    disc = 0.8 / (1 + np.exp((np.hypot(column - 84, row - 55) - 30) / 4.5))
    found = round_image(24 + 0.003 * column + disc + noise, inside)
    assert (found.height, found.column, found.row) == pytest.approx((0.8, 84, 55), abs=4.0)
    assert found.height == pytest.approx(0.8, abs=0.1)
    assert found.explained > 0.95
    patch = np.where((abs(column - 40) < 8) & (abs(row - 30) < 3), 1.0, 0.0)
    patches = uneven_patches(24 + patch + noise, inside, least=0.3)
    assert patches.centres[0] == pytest.approx((40, 30), abs=1.0)
    assert 0.5 < patches.largest < 1.05
    assert uneven_patches(24 + noise, inside, least=0.3).largest == 0.0


def test_a_fold_is_found_and_a_valley_between_warm_parts_is_not():
    column, row = np.meshgrid(np.arange(160), np.arange(120))
    warm = 20 + 25 * np.exp(-((row - 30.0) ** 2) / 600) + 25 * np.exp(-((row - 90.0) ** 2) / 600)
    inside = np.ones((120, 160), bool)
    assert find_crease(warm, inside) is None
    across = 0.6 * (column - 80) - 0.8 * (row - 60)
    along = np.abs(0.8 * (column - 80) + 0.6 * (row - 60)) < 45
    folded = warm * (1 - 0.08 * np.exp(-0.5 * (across / 1.2) ** 2) * along)
    found = find_crease(folded, inside)
    assert found is not None
    way = np.subtract(found.end, found.start)
    assert np.degrees(np.arctan2(way[1], way[0])) % 180 == pytest.approx(np.degrees(np.arctan2(0.6, 0.8)), abs=3)
    assert np.hypot(*way) == pytest.approx(90, abs=12)
    assert found.loss == pytest.approx(0.07, abs=0.015)  # of 8 % at its very middle, by the places nearest to it
    assert 2.5 < found.effect < 4.5


def test_a_fold_loses_the_same_share_at_any_time_and_a_valley_of_heat_grows_blunter():
    column, row = np.meshgrid(np.arange(160), np.arange(120))
    inside = np.ones((120, 160), bool)
    lost = 1 - 0.08 * np.exp(-0.5 * ((row - 60.0) / 1.2) ** 2)
    early, late = 10 + 0.05 * column, 30 + 0.02 * row
    found = find_crease(late * lost, inside)
    assert found is not None
    assert loss_along(early * lost, inside, found) == pytest.approx(loss_along(late * lost, inside, found), abs=0.002)
    valley = 1 - 0.16 * np.exp(-0.5 * ((row - 60.0) / 2.0) ** 2)
    assert loss_along(early * valley, inside, found) > 1.5 * loss_along(
        late * (1 - 0.08 * np.exp(-0.5 * ((row - 60.0) / 4.0) ** 2)), inside, found
    )
    assert np.isnan(loss_along(np.full((120, 160), 1.0), inside, found))


def test_folds_are_not_looked_for_in_pictures_too_coarse_to_tell_them_from_heat(tmp_path, truth):
    assert "the board is less than 90 px across: folds were not looked for" in examined(tmp_path, truth).untold


def test_the_sides_of_a_part_and_a_gap_between_two_are_no_fold_where_their_outlines_are_known():
    rise = np.full((120, 160), 20.0)
    rise[20:100, 30:70] = rise[20:100, 74:120] = 45.0
    rise = cv2.GaussianBlur(rise, (0, 0), 1.0)
    corners = [np.array([(left, 19.5), (right, 19.5), (right, 99.5), (left, 99.5)]) for left, right in SIDES_OF_TWO]
    inside = np.ones((120, 160), bool)
    assert find_crease(rise, inside, outlines=corners) is None
    assert find_crease(rise, inside) is not None  # nobody said that parts lie there
