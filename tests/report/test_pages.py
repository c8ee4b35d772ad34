"""Pages: self-contained, safe, complete, and honest about what is not known."""

import base64
import hashlib
import json
import re
from html.parser import HTMLParser

import numpy as np
import pytest
import xarray as xr

from heatwake.report import outputs
from heatwake.report.page import session_page
from report import charger_results

VOID = {"meta", "br", "link", "img", "hr", "input", "wbr"}
Pair = tuple[xr.Dataset, dict[str, xr.Dataset]]


class Reader(HTMLParser):
    """Collects tags, ids and whether tags close in order."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


@pytest.fixture(params=["session", "comparison"])
def any_page(request: pytest.FixtureRequest, page: str, comparison_page: str) -> str:
    return page if request.param == "session" else comparison_page


def without_scripts(page: str) -> str:
    return re.sub(r"<script>.*?</script>", "", page, flags=re.DOTALL)


def test_page_fetches_nothing_and_runs_nothing_but_its_own_scripts(any_page: str) -> None:
    without_namespaces = re.sub(r'xmlns(:\w+)?="[^"]*"', "", without_scripts(any_page))
    assert not re.search(r"https?:|//[a-z]+\.[a-z]", without_namespaces)
    tags = Reader(any_page).tags
    assert not {tag for tag, _ in tags} & {"link", "iframe", "object", "embed"}
    references = [value for _, attrs in tags for name, value in attrs.items() if name in {"src", "href", "xlink:href"}]
    assert all(value and value.startswith(("data:image/png;base64,", "#")) for value in references)
    assert not any(name.startswith("on") for _, attrs in tags for name in attrs)
    # Whatever else may come to stand in a page: a browser runs what has one of these marks, and connects to nothing.
    policy = next(str(attrs["content"]) for _, attrs in tags if attrs.get("http-equiv") == "Content-Security-Policy")
    scripts = re.findall(r"<script>(.*?)</script>", any_page, flags=re.DOTALL)
    marks = [base64.b64encode(hashlib.sha256(script.encode()).digest()).decode() for script in scripts]
    allowed = " ".join(f"'sha256-{mark}'" for mark in marks)
    assert f"script-src {allowed};" in policy
    assert policy.startswith("default-src 'none'")


def test_page_is_well_formed_with_unique_ids(any_page: str) -> None:
    reader = Reader(any_page)
    assert reader.open == []
    ids = [attrs["id"] for _, attrs in reader.tags if "id" in attrs]
    assert len(ids) == len(set(ids))


def test_page_is_small_enough_to_send(any_page: str) -> None:
    assert len(any_page.encode()) < 15e6


def test_figures_have_words_for_those_who_do_not_see_them(any_page: str) -> None:
    figures = [attrs for tag, attrs in Reader(any_page).tags if tag == "svg" and attrs.get("class") != "bar"]
    assert figures
    assert all(attrs["role"] == "img" and len(attrs["aria-label"] or "") > 20 for attrs in figures)


def test_markup_in_names_and_titles_is_shown_as_text(small: xr.Dataset, told: xr.Dataset) -> None:
    evil = '<script>alert("1")</script>&$x_1$'
    names = np.array([evil, "Q1"], dtype=object)
    conditions = json.dumps({"<b>fan</b>": "<i>out</i>", "max_ambient_degC": 45.0})
    results = small.assign_coords(region=names).assign_attrs(title=evil, conditions=conditions)
    results["event"] = ("event", np.array([evil, "<img src=x onerror=1>"], dtype=object))
    results["opening"] = ("opening", np.array([evil, "left vent", "top vent"], dtype=object))
    flow = told.isel(region=[1, 2]).assign_coords(region=names, opening=results["opening"].to_numpy())
    text = session_page(results, flow=flow, title=evil, settings={"a": evil}, provenance={evil: "</pre><b>"})
    reader = Reader(text)
    assert not {tag for tag, _ in reader.tags} & {"img", "b>fan", "i"}
    assert evil not in without_scripts(text)
    assert evil in "".join(reader.text)
    assert reader.open == []


def test_markup_in_session_names_is_shown_as_text(pair: Pair) -> None:
    evil = "<script>1</script>"
    compared = pair[0].assign_coords(session=[evil]).isel(region=[1, 2])
    sessions = {"fan_out": pair[1]["fan_out"].isel(region=[1, 2]), evil: pair[1]["fan_in"].isel(region=[1, 2])}
    page = outputs.comparison_page(compared, sessions, {}, title=evil)
    reader = Reader(page)
    assert evil not in page
    assert evil in "".join(reader.text)


def test_page_without_direction_draws_no_arrow_and_says_so(plain: xr.Dataset, page: str) -> None:
    hidden = charger_results.flow(plain, told=False)
    text = session_page(plain, flow=hidden, title="Charger", settings={}, provenance={}, explore=False)
    assert "not identifiable" in text
    assert "No arrows are drawn" in text
    assert "Quiver" in page
    assert "Quiver" not in text


def test_page_carries_every_part_and_verdict(page: str) -> None:
    text = " ".join("".join(Reader(page).text).split())
    for name, *_ in charger_results.PARTS:
        assert name in text
    for word in ("inside", "over", "not settled", "no limit given"):
        assert word in text
    for item in ("not given", "U = 2 u", "transmittance 0.873 ± 0.004", "bare and a covered recording", "calibration"):
        assert item.lower() in text.lower()


def test_page_certifies_nothing(any_page: str) -> None:
    text = " ".join("".join(Reader(without_scripts(any_page)).text).split())
    assert "This tool certifies nothing." in text
    assert "apply only to the item tested" in text
    assert "Air is not seen." in text
    assert not re.search(r"\b(pass(es|ed)?|certified|compliant|approved)\b", text, flags=re.IGNORECASE)


def test_comparison_page_begins_with_its_answer_and_a_picture_of_what_changed(comparison_page: str) -> None:
    body = comparison_page[comparison_page.index("<body") :]
    picture = body.index('aria-label="Maps of the final rise less that of fan_out')
    assert 0 < body.index('class="answer"') < picture < body.index('id="explore"')


def test_comparison_page_lists_the_largest_change_first(comparison_page: str) -> None:
    text = "".join(Reader(comparison_page).text)
    table = text[text.index("Parts, the largest change first") :]
    assert table.index("Q1") < table.index("Q2") < table.index("BR1") < table.index("U1")
    assert "reversed" in text


def test_comparison_page_carries_the_items_of_a_test_report_given_or_not(comparison_page: str) -> None:
    text = " ".join("".join(Reader(comparison_page).text).split())
    table = text[text.index("What a test report carries") : text.index("Cautions")]
    for item in ("Camera: type, serial number, calibration", "Ambient sensor and its calibration", "Stabilisation"):
        assert item in table
    for item in ("Deviations from the method not given", "Decision rule: differences", "only the item tested"):
        assert item in table


def test_cells_that_say_nothing_are_marked_and_left_out_of_narrow_screens(comparison_page: str) -> None:
    cells = re.findall(r"<td([^<>]*)>([^<]*)</td>", without_scripts(comparison_page))
    assert any("data-blank" in marks for marks, _ in cells)
    for marks, content in cells:
        assert ("data-blank" in marks) == (content.strip() in {"", "–"})


def test_pages_stand_with_next_to_nothing(charger: xr.Dataset) -> None:
    bare = charger.drop_dims(["region", "frame", "opening", "event", "part", "spread_time"]).isel(time=[0])
    bare = bare.drop_vars(["transmittance", "power_on", "max_ambient"]).assign_attrs(conditions="{}")
    blind = bare.assign(temperature_rise=bare["temperature_rise"] * np.nan)
    text = session_page(blind, flow=None, title="Blind", settings={}, provenance={})
    assert "No part was measured" in text
    assert "not attempted" in text


def test_page_loads_only_the_maps_that_it_shows(small: xr.Dataset) -> None:
    loaded: list[int] = []

    def note(block: np.ndarray, block_info: list[dict[str, object]]) -> np.ndarray:
        loaded.append(int(block_info[0]["chunk-location"][0]))  # type: ignore[index]
        return block

    lazy = small["temperature_rise"].chunk(time=1)
    noted = lazy.copy(data=lazy.data.map_blocks(note, dtype=lazy.dtype, meta=np.empty((0, 0, 0), lazy.dtype)))
    session_page(
        small.assign(temperature_rise=noted), flow=None, title="Lazy", settings={}, provenance={}, explore=False
    )
    # 60 maps over 360 s: three lie in the last 15 s.
    assert set(loaded) == {57, 58, 59}
