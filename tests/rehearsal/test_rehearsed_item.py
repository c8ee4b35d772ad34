"""The simulated item of a plan: it does what the plan expects, and each run's state is what its levels say."""

from dataclasses import replace

import numpy as np
import pytest

from heatwake.errors import InputError
from heatwake.planning.rehearsed import Rehearsal, RehearsedDifference, RehearsedDirection, RehearsedPart
from heatwake.rehearsal.item import in_state, item_of
from heatwake.rehearsal.recorded import camera_of, record_run
from heatwake.rehearsal.rehearsing import rehearsed_runs
from heatwake.report.plan_page import plan_page
from heatwake.report.rehearsal_page import rehearsal_section, sentences
from heatwake.scene import settle
from heatwake.store.session import open_session
from planned import small_plan, small_test


@pytest.fixture(scope="module", autouse=True)
def coarse():
    """Boards of cells twice as large: four times as quick."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("heatwake.rehearsal.item.MOST_CELLS", 1300)
        yield


@pytest.fixture(scope="module")
def planned():
    return small_plan(), small_test()


@pytest.fixture(scope="module")
def item(planned):
    return item_of(*planned)[0]


def test_parts_reach_the_rises_expected_of_them(planned, item):
    rises = settle(item)["part_rise_mean"].to_numpy()[:, -1]
    np.testing.assert_allclose(rises, [40.0, 25.0], rtol=0.05)  # tuned to 2 %, six rounds at most
    assert item.power == pytest.approx(4.0)


def test_what_cannot_be_reached_is_said():
    plan = small_plan({"parts.1.rise_K": 600.0})
    _, remarks = item_of(plan, small_test({"parts.1.rise_K": 600.0}))
    assert "U1" in remarks[0]
    assert "instead of 600 K" in remarks[0]


def test_surfaces_and_film_differ_from_what_is_stated(planned, item):
    _, test = planned
    assert all(part.emissivity != stated.emissivity for part, stated in zip(item.parts, test.parts, strict=True))
    assert abs(item.film.transmittance - test.lid.transmittance) < 0.04
    assert item.film.transmittance != test.lid.transmittance


def test_states_are_those_of_the_levels():
    text = (
        '[[factors]]\nname = "vent"\nlevels = ["open", "covered"]\nopening = "vent"\n'
        '[[factors]]\nname = "load"\nlevels = [1.0, 0.5]\nacts_on = "load"\n'
    )
    plan = small_plan({"runs.replicates": 1}, text=text)
    scene, _ = item_of(plan, small_test({"runs.replicates": 1}, text=text))
    out = in_state(plan, scene, {"fan": "out", "vent": "open", "load": 1.0})
    other = in_state(plan, scene, {"fan": "in", "vent": "covered", "load": 0.5})
    assert out.openings[0].flow == pytest.approx(-0.8e-3)
    assert other.openings[0].flow == pytest.approx(+0.8e-3)
    assert other.power == pytest.approx(out.power / 2)
    length = [abs(one.openings[1].end[1] - one.openings[1].start[1]) for one in (out, other)]
    assert length[1] == pytest.approx(0.1 * length[0])


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"parts.0.power_W": None, "parts.1.power_W": None}, "power_W is missing"),
        ({"openings": [], "factors": []}, "without a fan and a vent"),
        ({"openings.1.to_mm": [0.0, 10.5]}, "'vent', 0.5 mm along its edge"),
    ],
)
def test_what_a_rehearsal_lacks_gets_one_line(changes, message):
    with pytest.raises(InputError, match=message):
        item_of(small_plan(changes), small_test(changes))


def test_the_picture_has_fewer_pixels_over_the_same_field(planned):
    plan, test = planned
    camera = camera_of(plan, test)
    assert (camera.columns, camera.rows) == (112, 84)
    corners = camera.projection(80.0, 60.0) @ np.array([[0, 80, 80, 0], [60, 60, 0, 0], [1, 1, 1, 1.0]])
    placed = (corners[:2] / corners[2]).T - [(112 - 1) / 2, (84 - 1) / 2]
    # the planner's own corners, scaled: which edge is the farther one is a matter of sign
    expected = np.array(test.view.corners) * 0.7
    assert abs(placed).max() == pytest.approx(abs(expected).max(), abs=0.2)
    assert np.sort(abs(placed[:, 0])) == pytest.approx(np.sort(abs(expected[:, 0])), abs=0.2)
    assert camera.noise == pytest.approx(0.035)


def test_a_rehearsed_run_is_a_session_and_its_picture_what_the_plan_expects(planned, item, tmp_path, monkeypatch):
    plan, test = planned
    monkeypatch.setattr("heatwake.rehearsal.recorded.QUICK_FRAMES", 4)
    monkeypatch.setattr("heatwake.rehearsal.recorded.SLOW_FRAMES", 6)
    from heatwake.run.planned_sessions import PARTS_FILE, parts_text

    (tmp_path / PARTS_FILE).write_text(parts_text(test.parts))
    made = record_run(tmp_path, plan, test, scene=item, run=test.runs.runs[0])
    opened = open_session(tmp_path / "01_fan_out")
    assert opened.dataset.sizes["frame"] == made.frames
    assert opened.description.events[0].elapsed_s == 12.0
    # 40 K above 24 degC through the film, somewhat less at the edges and a remainder of 0.5 K
    assert made.picture.max() == pytest.approx(test.lid.parts[0].reading, abs=2.5)
    assert made.rises["Q1"] == pytest.approx(40.0, rel=0.05)
    assert -90 < made.direction < 90  # drawn out at the right


def test_each_set_up_is_rehearsed_once_before_any_twice():
    text = '[[factors]]\nname = "vent"\nlevels = ["open", "covered"]\nopening = "vent"\n'
    plan, test = small_plan(text=text), small_test(text=text)
    runs = rehearsed_runs(plan, test.runs.runs)
    assert len({str(run.levels) for run in runs}) == len(runs) == 4
    assert [run.number for run in runs] == sorted(run.number for run in runs)
    assert [run.name for run in rehearsed_runs(small_plan(), small_test().runs.runs)] == [
        *("01_fan_out", "02_fan_in", "03_fan_in", "04_fan_out")
    ]


@pytest.fixture
def found():
    rows = (RehearsedPart("a", "<b>", 40.0, 40.5, 0.5), RehearsedPart("b", "<b>", 37.0, 38.6, 0.5))
    apart = (RehearsedDifference("x − y", "b", "<b>", -3.0, -1.9, -2.5, -1.3, told=True),)
    ways = (
        RehearsedDirection("a", 0.0, "to the right", "to the right", 350.0, 5.0, told=True),
        RehearsedDirection("b", 180.0, "not identifiable", "not identifiable", np.nan, np.nan, told=False),
    )
    picture = np.linspace(20, 60, 12, dtype=np.float32).reshape(3, 4)
    return Rehearsal(
        ("a", "b"),
        "a",
        4,
        3,
        90,
        12.0,
        rows,
        apart,
        ways,
        0.4,
        "Q1",
        ("<i>remark</i>",),
        pictures={"a": picture, "b": picture},
    )


def test_a_rehearsal_in_words(found):
    assert found.covered == (1, 2)
    assert found.typical_error == pytest.approx(1.05)
    assert found.directions[0].off == pytest.approx(10.0)
    first, second, left, third = sentences(found)
    assert (
        first
        == "Rises came out typically 1.05 K off the simulated truth; 1 of 2 lie within two standard uncertainties."
    )
    assert second == "1 of 1 difference (x − y) were told from noise, all with the right sign."
    assert left == "When a run ends as planned, up to 0.4 K are still to come, in Q1."
    assert third == "The direction that heat is carried will be told in 1 of 2 runs, at most 10° off."
    nothing = replace(found, parts=(), differences=(), directions=found.directions[1:])
    assert sentences(nothing)[1:] == (
        "The direction that heat is carried will not be identifiable in any run as planned.",
    )


def test_a_rehearsal_on_the_sheet_is_text(planned, found):
    page = plan_page(*planned, rehearsal=rehearsal_section(found))
    assert "Rehearsal on a simulated item" in page
    assert "<i>remark" not in page
    assert "&lt;i&gt;remark" in page
    assert "<b>" not in page.split("Rehearsal on a simulated item")[1]
    assert page.count("data:image/png") >= 4  # two pictures in two forms
