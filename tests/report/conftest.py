"""Results and pages that several tests look at; made once."""

import pytest
import xarray as xr

from heatwake.report import outputs
from heatwake.report.page import session_page
from report import charger_results


@pytest.fixture(scope="session")
def charger() -> xr.Dataset:
    return charger_results.session()


@pytest.fixture(scope="session")
def small(charger: xr.Dataset) -> xr.Dataset:
    """The same with two parts: drawn sooner."""
    return charger.isel(region=[1, 2])


@pytest.fixture(scope="session")
def plain(small: xr.Dataset) -> xr.Dataset:
    """The same without what most figures show: for tests of one sentence or figure of a page."""
    return small.drop_dims(["frame", "spread_time", "budget_input"])


@pytest.fixture(scope="session")
def told(charger: xr.Dataset) -> xr.Dataset:
    return charger_results.flow(charger)


@pytest.fixture(scope="session")
def page(charger: xr.Dataset, told: xr.Dataset) -> str:
    return session_page(charger, flow=told, title="Charger", settings={"regions": {"steady_K": 0.5}}, provenance={})


@pytest.fixture(scope="session")
def pair(charger: xr.Dataset) -> tuple[xr.Dataset, dict[str, xr.Dataset]]:
    other = charger_results.session(direction=180.0, factor=1.12)
    return charger_results.compared(charger, other), {"fan_out": charger, "fan_in": other}


@pytest.fixture(scope="session")
def comparison_page(pair: tuple[xr.Dataset, dict[str, xr.Dataset]], told: xr.Dataset) -> str:
    return outputs.comparison_page(pair[0], pair[1], {"fan_out": told}, title="Fan direction")
