"""Plan files: what is wrong gets one line with the mend."""

import pytest

from heatwake.errors import InputError
from heatwake.store.plan import read_plan
from planned import SMALL, small_plan

PARTS = "Designator,Mid X,Mid Y,Width,Height,rise_K,power_W,tall_mm\nQ1,25,20,12,10,40,3,5\nU1,50,40,8,8,,1,\n"


@pytest.mark.parametrize(
    ("changes", "text", "message"),
    [
        ({"camera.pixel": 3}, "", "camera.pixel is an unknown key, did you mean pixels?"),
        ({"film.materal": "PE"}, "", "film.materal is an unknown key, did you mean material?"),
        ({"film.material": "glass"}, "", "film.material is 'glass', must be 'polyethylene' or 'PVC'"),
        ({"camera.focal_mm": None}, "", "camera.focal_mm is missing, must be given"),
        ({"camera.distance_mm": 10.0}, "", "camera.distance_mm is 10, must be more than twice focal_mm, 18.2"),
        ({"camera.tilt_deg": 80}, "", "camera.tilt_deg is 80, must be 60.0 or less"),
        ({"factors.0.opening": "rear fn"}, "", r"factors\[1\].opening is 'rear fn', did you mean rear fan\?"),
        ({"factors.0.levels": ["out"]}, "", r"factors\[1\].levels is \['out'\], must"),
        (
            {"factors.0.levels": ["out", "out"]},
            "",
            r"factors\[1\].levels is \['out', 'out'\], must be 2 to 8 different",
        ),
        ({"factors.0.levels": ["blow", "draw"]}, "", "must be of out, in, off for the fan 'rear fan'"),
        ({"factors.0.name": "block"}, "", "name is 'block', must be another"),
        ({"factors.0.acts_on": "load"}, "", "acts_on is given beside opening, must be one of the two"),
        ({"runs.repeatability_K": 0.3}, "", "runs.repeatability_freedom is missing, must be given"),
        ({"runs.replicates": 20, "runs.blocks": 3}, "", "runs is 120 runs in all, must be no more than 64"),
        ({"parts.0.x_mm": None}, "", r"parts\[1\].x_mm is missing, must be given with"),
        ({"parts.1.name": "Q1"}, "", "parts is 'Q1' given twice, must have unique names"),
        ({"board.corners_px": [[0, 0], [9, 0], [9, 9], [0, 9]]}, "", "board.corners_px is given, must be left out"),
        ({"conditions.fan": "out"}, "", "conditions.fan is given beside a factor"),
        ({"film.transmittance": 0.9, "film.reflectance": 0.2}, "", "film.reflectance is 0.2, must leave"),
        ({"camera.response": "r.csv"}, "", "camera.response is given, must be left out"),
    ],
)
def test_wrong_plans_get_one_line(changes, text, message):
    with pytest.raises(InputError, match=message) as caught:
        small_plan(changes, text=text)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith("plan.toml: ")


def test_expectations_may_stand_in_the_placement_file(tmp_path):
    home = tmp_path / "plans"
    home.mkdir()
    (tmp_path / "parts.csv").write_text(PARTS)
    plan = SMALL[: SMALL.index("[[parts]]")].replace("[board]\n", '[board]\nparts = "../parts.csv"\n')
    (home / "plan.toml").write_text(plan)
    _, table = read_plan(home / "plan.toml")
    assert table["rise_K"].tolist()[0] == 40.0
    assert table["rise_K"].isna().tolist() == [False, True]
    assert table["power_W"].tolist() == [3.0, 1.0]
    assert "time_constant_s" not in table
    (tmp_path / "parts.csv").write_text(PARTS.replace(",3,5", ",-3,5"))
    with pytest.raises(InputError, match=r"power_W, row 1 is -3, must be 0 or more"):
        read_plan(home / "plan.toml")


def test_a_placement_file_from_elsewhere_is_refused(tmp_path):
    home = tmp_path / "a" / "b"
    home.mkdir(parents=True)
    (tmp_path / "parts.csv").write_text(PARTS)
    (home / "plan.toml").write_text(SMALL.replace("[board]\n", '[board]\nparts = "../../parts.csv"\n'))
    with pytest.raises(InputError, match="outside"):
        read_plan(home / "plan.toml")
