"""Placement files as they come from different trades' tools."""

import numpy as np
import pytest

from heatwake.errors import InputError
from heatwake.schema.session import Board
from heatwake.store.session import open_session
from heatwake.store.tables import read_parts

BOARD = {"width_mm": 160.0, "height_mm": 100.0}


@pytest.fixture
def read(tmp_path):
    def one(text, **board):
        file = tmp_path / "parts.csv"
        file.write_text(text)
        return read_parts(file, board=Board(**board)).set_index("name")

    return one


def refusal(read, text, **board):
    with pytest.raises(InputError) as caught:
        read(text, **board)
    assert "\n" not in str(caught.value)
    return str(caught.value)


@pytest.mark.parametrize(
    "text",
    [
        "name,x_mm,y_mm,width_mm,height_mm\nU1,12.7,25.4,5.08,2.54\n",
        "Designator;Mid X;Mid Y;Length;Width;Height\nU1;12.7mm;25.4mm;5.08;2.54;1.1\n",  # tall by 1.1 mm
        "Ref\tPosX\tPosY\tRot\tWidth\tHeight\nU1\t12,7\t25,4\t90\t2.54\t5.08\n",
        "# placed by hand\n# Units: mil\nREF_DES,Centre-X,Centre-Y,Body Length,Body Width\nU1,500,1000,200,100\n",
        "Part, X (inch), Y (inch), Package Size\nU1, 0.5, 1, 5.08 x 2.54 mm\n",
        "# Ref Val PosX PosY Rot SizeX SizeY\nU1 chip 12.7 25.4 270 2.54 5.08\n",
        'reference,"x","y",angle,width,height\nU1,0.5in,"1000 mil",-90,0.1in,200mil\n',
    ],
)
def test_one_part_is_the_same_however_it_is_written(read, text):
    part = read(text).loc["U1"]
    found = part[["x_mm", "y_mm", "width_mm", "height_mm"]].astype(float)
    assert found.to_numpy() == pytest.approx([12.7, 25.4, 5.08, 2.54])
    assert not part["turned"]


def test_a_part_askew_is_boxed_and_said(read):
    part = read("ref,x,y,rotation,width,height\nU1,1,2,30,4,2\n").loc["U1"]
    # corners of the turned rectangle, its extent by coordinates
    corners = np.array([[2, 1], [2, -1], [-2, -1], [-2, 1]]) @ np.array([[3**0.5 / 2, 0.5], [-0.5, 3**0.5 / 2]])
    assert [part["width_mm"], part["height_mm"]] == pytest.approx(np.ptp(corners, axis=0))
    assert part["turned"]


@pytest.mark.parametrize("turns", [0, 180, 360, -180])
def test_whole_turns_leave_sizes(read, turns):
    part = read(f"ref,x,y,rotation,width,height\nU1,1,2,{turns},4,2\n").loc["U1"]
    assert [part["width_mm"], part["height_mm"]] == [4.0, 2.0]


def test_one_known_side_goes_with_a_quarter_turn(read):
    part = read("ref,x,y,rotation,width\nU1,1,2,90,4\n").loc["U1"]
    assert part["height_mm"] == 4.0
    assert np.isnan(part["width_mm"])


@pytest.mark.parametrize(
    ("options", "place"),
    [
        ({}, (10, 20)),
        ({"parts_origin": "upper-left"}, (10, 80)),
        ({"parts_origin": "centre"}, (90, 70)),
        ({"parts_origin": (5.0, -3.0)}, (15, 17)),
        ({"parts_mirrored": True}, (150, 20)),
        ({"parts_origin": "centre", "parts_mirrored": True}, (70, 70)),
        ({"parts_unit": "mil"}, (0.254, 0.508)),
    ],
)
def test_origin_mirror_and_unit(read, options, place):
    part = read("ref,x,y\nU1,10,20\n", **BOARD, **options).loc["U1"]
    assert (part["x_mm"], part["y_mm"]) == pytest.approx(place)


def test_only_the_side_that_is_seen_is_kept(read):
    text = "ref,x,y,layer\nU1,1,2,TopLayer\nU2,3,4,BottomLayer\n"
    assert read(text, parts_side="bottom").index.tolist() == ["U2"]
    assert "board.parts_side" in refusal(read, text)


def test_headings_of_its_own_are_mapped(read):
    text = "what,x,y,across\nU1,1,2,3\n"
    assert read(text, parts_columns={"name": "what", "width": "across"}).loc["U1", "width_mm"] == 3.0
    assert "board.parts_columns.name is 'who', must be a heading" in refusal(read, text, parts_columns={"name": "who"})
    wrong = {"name": "what", "width": "broad"}
    assert "board.parts_columns.width is 'broad', must be a heading" in refusal(read, text, parts_columns=wrong)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("ref,x,y\nU1,1,2\nU2,1,up\n", "y_mm, row 2 is 'up', must be a number"),
        ("ref,x,y\nU1,,2\n", "x_mm, row 1 is empty, must be a number"),
        ("ref,x,y\nU1,3 furlong,2\n", "x_mm, row 1 is '3 furlong', must be a number"),
        ("ref,x,y,width\nU1,1,2,-4\n", "width_mm, row 1 is -4, must be more than 0"),
        ("ref,x,y,size\nU1,1,2,0603\n", "size, row 1 is '603', must be two lengths"),
        ("ref,x,y,side\nU1,1,2,edge\n", "side, row 1 is 'edge', must be top or bottom"),
        ("ref,x\nU1,1\n", "column y_mm is missing"),
        ("ref,x mm,x mil,y\nU1,1,2,3\n", "must be told apart by board.parts_columns.x"),
        ("ref,x,y\nU1,1,2\nU1,2,3\n", "'U1' twice"),
    ],
)
def test_what_is_wrong_is_told_in_a_line(read, text, said):
    assert said in refusal(read, text)


def test_an_origin_that_needs_the_boards_size_says_so(read):
    assert "board.height_mm is missing" in refusal(read, "ref,x,y\nU1,1,2\n", parts_origin="upper-left")


CORNERS = 'parts = "parts.csv"\nwidth_mm = 16\nheight_mm = 10\nmm_per_px = 1.0\n'


def test_parts_off_the_board_are_told_and_not_measured(write_session):
    folder = write_session(f"[board]\n{CORNERS}")
    (folder / "parts.csv").write_text("ref,x,y,width,height\nU1,5,5,2,2\nU2,40,5,2,2\nU3,16.5,5,4,2\n")
    session = open_session(folder).dataset
    assert session["part"].to_numpy().tolist() == ["U1", "U3"]  # U3 reaches over the edge
    assert session["part_off"].to_numpy().tolist() == ["U2"]
    assert float(session["off_x"][0]) == 40.0


def test_a_file_with_no_part_on_the_board_is_refused(write_session):
    folder = write_session(f"[board]\n{CORNERS}")
    (folder / "parts.csv").write_text("ref,x,y\nU1,500,500\n")
    with pytest.raises(InputError, match=r"without a part on the board \(U1 at 500, 500 mm\)"):
        open_session(folder)


@pytest.mark.parametrize("value", ['"high"', "20000"])
def test_an_altitude_beyond_measure_is_refused(write_session, value):
    with pytest.raises(InputError, match=r"conditions.max_altitude_m"):
        open_session(write_session(f"[conditions]\nmax_altitude_m = {value}\n"))
