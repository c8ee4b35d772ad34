"""The film's picture: shown where a pair was recorded, coloured over where it is not to be trusted."""

import numpy as np
import pytest
import xarray as xr
from matplotlib.colors import to_rgba

from heatwake.report import figure_style as style
from heatwake.report.film_figure import film_figure, has_film_map
from heatwake.report.page import session_page
from heatwake.schema.variables import FILM_TRUST, label

TRUSTED, CREASE = FILM_TRUST.index("trusted"), FILM_TRUST.index("crease or more than one layer")


@pytest.fixture
def film():
    """A level film with a crease in one corner (row, column)."""
    flags = np.full((30, 40), TRUSTED, dtype=np.int8)
    flags[:5, :8] = CREASE
    values = np.where(flags == CREASE, 0.8, 0.89).astype(np.float32)
    return label(
        xr.Dataset({"pair_transmittance": (("row", "column"), values), "pair_trust": (("row", "column"), flags)})
    )


def test_flagged_places_are_coloured_and_named(film):
    figure = film_figure(film)
    level, painted = figure.axes[0].images
    assert np.ma.getmaskarray(level.get_array())[:5, :8].all() or np.isnan(level.get_array()[:5, :8]).all()
    assert tuple(painted.get_array()[0, 0]) == to_rgba(style.SERIES[1])
    assert painted.get_array()[20, 20, 3] == 0
    assert [text.get_text() for text in figure.legends[0].get_texts()] == ["crease or more than one layer"]


def test_an_even_film_looks_even(film):
    low, high = film_figure(film).axes[0].images[0].get_clim()
    assert (low, high) == pytest.approx((0.88, 0.90), abs=1e-4)


def test_without_a_place_to_trust_there_is_no_picture(film):
    assert has_film_map(film)
    assert not has_film_map(xr.Dataset())
    assert not has_film_map(film.assign(pair_trust=film["pair_trust"] * 0 + CREASE))


def test_the_page_shows_it(film, plain, page):
    ways = {"flow": None, "title": "Charger", "settings": {}, "provenance": {}, "explore": False}
    assert "place by place" not in page
    assert "The film, place by place" in session_page(plain.merge(film), **ways)
