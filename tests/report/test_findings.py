"""Findings in tables, pages and sheets."""

import cv2
import numpy as np
import pytest

from heatwake.report import outputs
from heatwake.report.finding_figure import finding_figure, findings_sheet_png
from heatwake.report.page import finding_entries
from heatwake.schema.findings import Course, Examination, Finding, Scene

CLIPPED = Finding(
    *("clipping", "wrong", "Part <script>R1</script> reads 60 °C.", float("nan"), "Choose a wider range."),
    frames=(4, 5),
    elapsed_s=(2.0, 2.5),
    places_px=((3.0, 4.0),),
    places_mm=((30.0, 12.5),),
    evidence=Scene(np.linspace(20, 60, 48).reshape(6, 8), lines=(np.array([(1.0, 1.0), (5.0, 4.0)]),)),
)
DRIFT = Finding(
    *("offset drift", "doubtful", "It moves.", 1.25, "Wait."),
    evidence=Course(np.arange(5.0), (("beside the board", np.arange(5.0)),), "moved by, K"),
)


def test_rows_hold_every_finding_and_what_was_not_told():
    rows = outputs.finding_rows(Examination((CLIPPED, DRIFT), ("nothing beside the board",)))
    assert [row["finding"] for row in rows] == ["clipping", "offset drift", "not told"]
    assert rows[0]["frames"] == "4 5"
    assert rows[0]["places_mm"] == "30.0 12.5"
    assert rows[1]["effect_K"] == 1.25
    assert outputs.finding_rows(Examination())[0]["finding"] == "none"


def test_pictures_carry_words_escaped_and_are_the_same_each_time():
    entries = finding_entries(Examination((CLIPPED, DRIFT)))
    assert all(picture.startswith("<svg") for _, picture in entries)
    assert "<script>" not in entries[0][1]
    assert "&lt;script&gt;" in entries[0][1]
    assert entries[0][1] == finding_entries(Examination((CLIPPED,)))[0][1]
    assert len(entries[0][1]) < 60_000


def test_the_sheet_is_a_picture_and_what_has_no_evidence_has_none():
    sheet = cv2.imdecode(np.frombuffer(findings_sheet_png([CLIPPED, DRIFT], title="a_b $x$"), np.uint8), 1)
    assert sheet.shape[1] > 1000
    with pytest.raises(ValueError, match="no evidence"):
        finding_figure(Finding("few levels", "note", "Steps.", 0.1, "Record."))


def test_json_has_no_nan():
    assert CLIPPED.as_json()["effect_K"] is None
    assert DRIFT.as_json()["effect_K"] == 1.25
