"""The stages in run order, and the files that hold what they make."""

from dataclasses import dataclass
from typing import Final

from heatwake.stages import (
    baseline,
    board,
    film,
    flow,
    offset_drift,
    pixels,
    placement,
    regions,
    registration,
    spread,
    temperature,
    thermocouples,
)
from heatwake.stages.stage import Stage

STAGES: Final[tuple[Stage, ...]] = (
    pixels.STAGE,
    film.STAGE,
    registration.STAGE,
    offset_drift.STAGE,
    placement.STAGE,
    board.STAGE,
    baseline.STAGE,
    thermocouples.STAGE,
    temperature.STAGE,
    regions.STAGE,
    flow.STAGE,
    spread.STAGE,
)


@dataclass(frozen=True)
class Product:
    """One result file of a session: the stages that it takes, and what is kept of what they make.

    Attributes
    ----------
    file : str
        Name in the session's results folder.
    stages : tuple of Stage
        Applied one after the other.
    keeps : tuple of str
        Variables written; empty for all.
    """

    file: str
    stages: tuple[Stage, ...]
    keeps: tuple[str, ...] = ()


FILM_KEPT: Final = (
    *("transmittance", "transmittance_uncertainty", "film_absorptance", "film_reflectance", "film_creep"),
    "film_warming",
)
PAIR_KEPT: Final = (
    *("pair_transmittance", "pair_transmittance_uncertainty", "pair_trust", "pair_view_row", "pair_view_column"),
)
COLOUR_KEPT: Final = ("colour_distance", "reading_uncertainty")  # of colour video

PRODUCTS: Final[tuple[Product, ...]] = (
    Product(
        "registration.nc",
        (registration.STAGE, offset_drift.STAGE),
        (
            *pixels.STAGE.makes,
            *registration.STAGE.makes,
            *offset_drift.STAGE.makes,
            *FILM_KEPT,
            *PAIR_KEPT,
            *COLOUR_KEPT,
        ),
    ),
    Product(
        "rise.nc",
        (board.STAGE, baseline.STAGE, thermocouples.STAGE, temperature.STAGE),
        (
            "temperature",
            "temperature_rise",
            "temperature_uncertainty",
            "rise_noise",
            "valid",
            "ambient",
            "frames_used",
            "step_uncertainty",
            "emissivity",
            *("film_temperature", "film_temperature_uncertainty", "film_trust"),
            "emissivity_uncertainty",
            *("edge_uncertainty", "pixel_size", "mark_residual", "mark_residual_length", "mark_residual_rms"),
            "power_on",
            "cold_ambient",
            "cold_radiance",
            *FILM_KEPT,
            *("probe_x", "probe_y", "probe_accuracy"),
            *thermocouples.STAGE.makes,
        ),
    ),
    Product("regions.nc", (regions.STAGE,)),
    Product("flow.nc", (flow.STAGE,)),
    Product("spread.nc", (spread.STAGE,)),
)
