"""Pages in a browser: what a person points at is what the maps hold."""

import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from browser import Browser, browser
from heatwake.report import comparison_report, outputs
from heatwake.report.page import session_page
from report import charger_results

READY = "document.getElementById('explore').dataset.ready === 'yes'"
READING = "document.getElementById('explore-reading-{}').textContent"
PINS = "document.getElementById('explore-pins').innerText"
FOLDS = "[...document.querySelectorAll('details.fold')]"
EVIL = "</script><img src=x onerror=\"document.title='run'\">"


@pytest.fixture(scope="module")
def charger() -> xr.Dataset:
    made = charger_results.session(steps=30).isel(region=[0, 2, 5])
    spread = 0.5 + 0.02 * made["temperature_rise"]
    names = np.array(["</script>", "Q1", "T1"], dtype=object)
    made = made.assign(temperature_uncertainty=spread).assign_coords(region=names)
    return made.drop_dims(["frame", "spread_time", "budget_input"])  # figures that are not looked at here


@pytest.fixture(scope="module")
def opened() -> Iterator[Browser]:
    with browser() as opened:
        yield opened


@pytest.fixture(scope="module")
def page(opened: Browser, charger: xr.Dataset, tmp_path_factory: pytest.TempPathFactory) -> Browser:
    """A session's page, whose first part has a name that would run if it could."""
    path: Path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(session_page(charger, flow=None, title=EVIL, settings={}, provenance={}))
    opened.open(path, height=1400)
    opened.wait(READY)
    return opened


def numbers(text: str) -> list[float]:
    return [float(number.replace("−", "-")) for number in re.findall(r"[−\d]+\.\d", text)]


def test_page_opens_without_error_or_connection(page: Browser) -> None:
    assert page.problems == []
    assert [url for url in page.requests if not url.startswith(("data:", "file:", "blob:"))] == []
    assert page.run("document.title") == EVIL  # nothing of it has run


def test_pointing_reads_the_value_of_the_map(page: Browser, charger: xr.Dataset) -> None:
    page.run("document.getElementById('explore-map-0').scrollIntoView()")
    left, top, wide, high = page.run(
        "(() => { const r = document.getElementById('explore-map-0').getBoundingClientRect();"
        " return [r.left, r.top, r.width, r.height]; })()"
    )
    page.point(left + 0.41 * wide, top + 0.4 * high)
    page.wait(f"/rise/.test({READING.format(0)})")
    x, y, temperature, rise, spread = numbers(page.run(READING.format(0)))
    there = charger.isel(time=-1).sel(x=x, y=y)
    # one digit is shown
    assert rise == pytest.approx(float(there["temperature_rise"]), abs=0.056)
    assert temperature == pytest.approx(float(there["temperature"]), abs=0.056)
    assert spread == pytest.approx(float(there["temperature_uncertainty"]), abs=0.056)
    page.point(left + 0.41 * wide, top + 0.4 * high, click=True)
    page.wait(f"{PINS}.split('Remove').length === 5")  # three to begin with, this one, and what follows the last


def test_keys_move_the_mark_by_a_pixel_and_pin(page: Browser) -> None:
    page.run("document.getElementById('explore-map-0').focus()")
    page.press("ArrowLeft")
    before = numbers(page.run(READING.format(0)))
    page.press("ArrowUp")
    after = numbers(page.run(READING.format(0)))
    assert (after[0], after[1]) == (before[0], before[1] + 2.0)  # pixels are 2 mm
    pins = page.run(f"{PINS}.split('Remove').length")
    page.press("Enter")
    assert page.run(f"{PINS}.split('Remove').length") == pins + 1


def test_slider_shows_the_map_of_its_time(page: Browser, charger: xr.Dataset) -> None:
    page.run("document.getElementById('explore-time').focus()")
    page.press("ArrowLeft")
    x, y, _, rise, _ = numbers(page.run(READING.format(0)))
    assert page.run("document.getElementById('explore-clock').textContent").startswith("5:48")  # 360 s less 1/29
    assert rise == pytest.approx(float(charger["temperature_rise"].isel(time=-2).sel(x=x, y=y)), abs=0.056)


def test_playing_runs_from_the_start_to_later(page: Browser) -> None:
    page.run("document.getElementById('explore-time').value = 0")
    page.run("document.getElementById('explore-time').dispatchEvent(new Event('input'))")
    page.run("document.getElementById('explore-play').click()")
    page.wait("Number(document.getElementById('explore-time').value) >= 2")
    page.run("document.getElementById('explore-play').click()")
    assert page.run("document.getElementById('explore-play').textContent") == "Play"


def test_table_is_sorted_by_a_key(page: Browser) -> None:
    column = "[...document.querySelector('.sortable').tBodies[0].rows].map((row) => row.cells[2].textContent)"
    given = page.run(column)
    page.run("document.querySelectorAll('.sortable th button')[2].focus()")
    for order in ("descending", "ascending"):
        page.press("Enter")
        values = [float(text) for text in page.run(column)]
        assert values == sorted(values, reverse=order == "descending")
        assert page.run(f"document.querySelectorAll('th[aria-sort={order}]').length") == 1
    page.press("Enter")
    assert page.run(column) == given


def test_nothing_is_wider_than_a_narrow_screen_and_nothing_to_play_with_is_printed(page: Browser) -> None:
    page.look(width=400, dark=True)
    page.wait("document.getElementById('explore-map-0').clientWidth < 400")
    assert page.run("document.documentElement.scrollWidth") <= 400
    assert page.run("document.querySelector('.sortable th button').clientWidth") > 0  # sorts there as well
    assert page.run(f"{FOLDS}.length") > 3
    hidden = "document.querySelector('.fold:not([open]) table, .fold:not([open]) ul')"
    assert not page.run(f"{hidden}.checkVisibility({{contentVisibilityAuto: true}})")
    page.send("Emulation.setEmulatedMedia", media="print")
    assert page.run("getComputedStyle(document.getElementById('explore')).display") == "none"
    page.run("dispatchEvent(new Event('beforeprint'))")
    assert page.run("[...document.querySelectorAll('figure svg')].some((one) => one.clientWidth > 0)")
    assert page.run(f"{FOLDS}.every((one) => one.open)")
    page.run("dispatchEvent(new Event('afterprint'))")
    assert page.run(f"{FOLDS}.some((one) => !one.open)")
    page.send("Emulation.setEmulatedMedia", media="")
    assert page.problems == []


def test_sessions_are_zoomed_together_and_read_on_one_clock(
    opened: Browser, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(comparison_report, "two_forms", lambda *_, **__: {"wide": "", "narrow": ""})  # not looked at
    first = charger_results.session(steps=20).isel(region=[1, 2])
    second = charger_results.session(steps=20, factor=1.12).isel(region=[1, 2])
    made = charger_results.compared(first, second)
    path = tmp_path / "comparison.html"
    path.write_text(outputs.comparison_page(made, {"fan_out": first, "fan_in": second}, {}, title="Two"))
    opened.open(path, height=1400)
    opened.wait(READY)
    opened.run("document.getElementById('explore-map-0').focus()")
    opened.press("ArrowLeft")
    (x, y, _, rise), (x2, y2, _, other) = (numbers(opened.run(READING.format(number))) for number in (0, 1))
    assert (x, y) == (x2, y2)
    assert rise == pytest.approx(float(first["temperature_rise"].isel(time=-1).sel(x=x, y=y)), abs=0.056)
    assert other == pytest.approx(float(second["temperature_rise"].isel(time=-1).sel(x=x, y=y)), abs=0.056)
    models = "Bokeh.documents[0].get_model_by_name"
    opened.run(f"{models}('map-0').x_range.setv({{start: 40, end: 90}})")
    assert opened.run(f"[{models}('map-1').x_range.start, {models}('map-1').x_range.end]") == [40, 90]
    column = "[...document.querySelector('.sortable').tBodies[0].rows].map((row) => row.cells[3].textContent)"
    opened.run("document.querySelectorAll('.sortable th button')[3].click()")
    differences = [numbers(text)[0] for text in opened.run(column)]  # each with its ± behind it
    assert differences == sorted(differences, reverse=True)
    opened.look(width=400)
    opened.wait("document.getElementById('explore-map-0').clientWidth < 400")
    assert opened.run("document.documentElement.scrollWidth") <= 400
    assert opened.problems == []
