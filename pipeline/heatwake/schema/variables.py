"""Names, dimensions, units and flags of everything that stages hand on and files hold.

CF conventions 1.11 (https://cfconventions.org); a ``standard_name`` is given where the CF table has one.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
import xarray as xr

from heatwake.errors import DataModelError

CONVENTIONS: Final = "CF-1.11"


@dataclass(frozen=True)
class Variable:
    """One name of the data model."""

    name: str
    dims: tuple[str, ...]
    units: str
    long_name: str
    standard_name: str = ""
    flags: tuple[str, ...] = ()

    @property
    def attributes(self) -> dict[str, object]:
        """CF attributes, ready for ``DataArray.attrs``."""
        attributes: dict[str, object] = {"long_name": self.long_name}
        if self.units:
            attributes["units"] = self.units
        if self.standard_name:
            attributes["standard_name"] = self.standard_name
        if self.flags:
            attributes["flag_values"] = np.arange(len(self.flags), dtype=np.int8)
            attributes["flag_meanings"] = " ".join(word.replace(" ", "_") for word in self.flags)
        return attributes


USABLE: Final = ("unusable", "usable")
YES_NO: Final = ("no", "yes")
REASON: Final = ("none", "moved", "obstructed", "frozen", "offset jump", "missing")
PIXEL_FAULT: Final = ("none", "dead", "outlier", "flickering", "saturated")
FILM_MODEL: Final = ("ambient", "given", "midway")
FILM_TRUST: Final = (
    *("trusted", "too little contrast", "crease or more than one layer", "lamp mirrored"),
    *("scene changed", "not seen"),
)
FLOW_STATUS: Final = ("identified", "weak", "not identifiable", "not attempted")
AGREEMENT: Final = ("differs", "agrees", "not compared")
STEADY_STATUS: Final = ("forecast", "last reading", "too few readings", "no rise", "window too short")
REGION_STATE: Final = ("not yet seen", "seen", "merged", "faded", "back", "hidden")
REGION_SIZE: Final = ("measured", "small", "too small")
OPENING_KIND: Final = ("fan", "vent")
OPENING_ROLE: Final = ("inlet", "outlet", "undecided")
SPREAD_STATUS: Final = (
    *("measured", "neighbour taken off", "edge filled in", "cut by edge", "lost in neighbours"),
    *("no rise", "not seen"),
)
DECAY_AXIS: Final = ("flow direction", "long axis")
FLOW_SOURCE: Final = ("none", "physical fit", "local drift")
FLOW_REASON: Final = (
    *("told", "not seen", "too short", "decayed", "no contrast", "gradients one way", "no drift", "too uncertain"),
    *("equation fails", "one recording cannot tell"),
)
LOCAL_FORM: Final = ("none", "warming up", "off sources")
PLACE_STATE: Final = ("not told", "corrected", "too far", "no match")
MATCH_STATE: Final = ("both settled", "same elapsed time", "not matched")
REPEAT_SOURCE: Final = ("none", "workflow", "record", "workflow and record")
EFFECT_ERROR: Final = ("repeats", "residual", "budget")
OPENING_CHANGE: Final = ("unchanged", "changed", "undecided", "in one only")
DIRECTION_CHANGE: Final = ("unchanged", "turned", "reversed", "not identifiable", "undecided")

_PICTURE, _SMALL = ("row", "column"), ("picture_row", "picture_column")
_FRAME, _TIME, _BOARD = ("frame",), ("time",), ("time", "y", "x")
_LOCAL: Final = ("time", "local_y", "local_x")
_REGION, _REGION_TIME, _OPENING = ("region",), ("region", "time"), ("opening",)
_REGION_LOOK = ("region", "look")
_BUDGET, _BUDGETS = ("region", "budget_input"), ("region", "budget_quantity", "budget_input")
_PROBE, _PROBE_TIME = ("probe",), ("probe", "time")
_STRETCH, _REGION_STRETCH = ("stretch",), ("region", "stretch")
_EXPONENTIAL, _FOSTER = ("region", "exponential"), ("region", "foster_term")
_PAIR_MAP, _PAIR_REGION, _PAIR = ("session", "y", "x"), ("session", "region"), ("session",)
_PAIR_OPENING: Final = ("session", "opening")
_EFFECT, _EFFECT_MAP, _PREDICTED = ("effect", "region"), ("effect", "y", "x"), ("combination", "region")

_ROWS: Final = (
    # --- the session as read: frames in image coordinates --------------------------------------------------
    Variable("stored_level", ("frame", "row", "column"), "1", "value as stored"),
    Variable("level_temperature", ("level",), "degC", "temperature that a stored level stands for"),
    Variable("stored_temperature", ("frame", "row", "column"), "degC", "temperature as stored"),
    Variable("bin", ("frame",), "1", "number of the analysis step"),
    Variable("indicated_temperature", ("frame", "row", "column"), "degC", "temperature as the camera wrote it"),
    Variable("bare_temperature", ("bare_frame", "row", "column"), "degC", "as the camera wrote it, no film"),
    Variable("covered_temperature", ("covered_frame", "row", "column"), "degC", "as the camera wrote it, film on"),
    Variable("frame_ambient", _FRAME, "degC", "ambient temperature at each frame; NaN where not given"),
    # --- the session as described: scalars, parts, openings ------------------------------------------------
    Variable("band_low", (), "um", "lower end of the camera's band"),
    Variable("band_high", (), "um", "upper end of the camera's band"),
    Variable("response_wavelength", ("response_sample",), "um", "wavelength of a sample of the spectral response"),
    Variable("response_value", ("response_sample",), "1", "relative spectral response, linear between samples"),
    Variable("emissivity_setting", (), "1", "emissivity that the camera assumed"),
    Variable("reflected_setting", (), "degC", "reflected temperature that the camera assumed"),
    Variable("netd", (), "mK", "noise equivalent temperature difference"),
    Variable("accuracy", (), "K", "half-width of the camera's stated accuracy, absolute"),
    Variable("scale_uncertainty", (), "K", "standard uncertainty of readings off a colour scale"),
    Variable("accuracy_percent", (), "percent", "half-width of the camera's stated accuracy, relative to degC"),
    Variable("film_present", (), "1", "whether a film lies between board and camera", flags=YES_NO),
    Variable("film_transmittance_given", (), "1", "transmittance from the session file; NaN where it is measured"),
    Variable("film_reflectance_given", (), "1", "reflectance from the session file; NaN where not given"),
    Variable("film_temperature_given", (), "degC", "film temperature from the session file; NaN for ambient"),
    Variable("mirrors_board", (), "1", "whether what the film mirrors back to the board counts", flags=YES_NO),
    Variable("air_transmittance", (), "1", "in-band transmittance of the air before the camera"),
    Variable("air_temperature", (), "degC", "temperature of that air; NaN for ambient"),
    Variable("film_temperature_model", (), "1", "where the film's temperature is taken from", flags=FILM_MODEL),
    Variable("pair_interval", (), "s", "time between two frames of the bare/covered pair; NaN where not given"),
    Variable("reference_bare", ("film_reference",), "degC", "reading of a reference without the film"),
    Variable("reference_covered", ("film_reference",), "degC", "reading of the same reference through the film"),
    Variable("reference_uncertainty", ("film_reference",), "K", "standard uncertainty of either reading"),
    Variable("surface_emissivity", (), "1", "emissivity of whatever has none of its own"),
    Variable(
        "surface_emissivity_uncertainty", (), "1", "standard uncertainty of surface_emissivity; NaN where not given"
    ),
    Variable("surface_reflected", (), "degC", "reflected temperature; NaN for ambient"),
    Variable("board_width", (), "mm", "board width; NaN where not given"),
    Variable("board_height", (), "mm", "board height; NaN where not given"),
    Variable("board_scale", (), "mm", "size of an image pixel on the board; NaN where not given"),
    Variable("corner_column", ("corner",), "pixel", "board corner: top-left, top-right, bottom-right, bottom-left"),
    Variable("corner_row", ("corner",), "pixel", "board corner: top-left, top-right, bottom-right, bottom-left"),
    Variable("point_column", ("point",), "pixel", "known point of the board in the picture"),
    Variable("point_row", ("point",), "pixel", "known point of the board in the picture"),
    Variable("point_x", ("point",), "mm", "known point of the board"),
    Variable("point_y", ("point",), "mm", "known point of the board"),
    Variable("lens_focal_x", (), "pixel", "focal length along the rows"),
    Variable("lens_focal_y", (), "pixel", "focal length along the columns"),
    Variable("lens_centre_column", (), "pixel", "optical centre"),
    Variable("lens_centre_row", (), "pixel", "optical centre"),
    Variable("lens_coefficients", ("lens_coefficient",), "1", "distortion: k1, k2, p1, p2, k3, k4, k5, k6"),
    Variable("board_thickness", (), "mm", "board thickness; NaN where not given"),
    Variable("board_conductivity", (), "W m-1 K-1", "in-plane conductivity of the board; NaN where not given"),
    Variable("channel_height", (), "mm", "height of the air between board and film; NaN where not given"),
    Variable("power", (), "W", "total power of the item; NaN where not given"),
    Variable("max_ambient", (), "degC", "highest ambient that the item must bear; NaN where not given"),
    Variable("altitude", (), "m", "altitude of the test; NaN where not given, and then taken as sea level"),
    Variable("max_altitude", (), "m", "highest altitude that the item must bear; NaN where not given"),
    Variable("part_turned", ("part",), "1", "whether it is turned by no whole quarter and boxed", flags=YES_NO),
    Variable("off_x", ("part_off",), "mm", "centre of a part of the placement file that is off the board"),
    Variable("off_y", ("part_off",), "mm", "centre of a part of the placement file that is off the board"),
    Variable("part_x", ("part",), "mm", "centre of a known part or region"),
    Variable("part_y", ("part",), "mm", "centre of a known part or region"),
    Variable("part_width", ("part",), "mm", "width of a known part or region"),
    Variable("part_height", ("part",), "mm", "height of a known part or region"),
    Variable("part_emissivity", ("part",), "1", "emissivity of a known part; NaN where not given"),
    Variable("part_emissivity_uncertainty", ("part",), "1", "standard uncertainty of it; NaN where not given"),
    Variable("part_limit", ("part",), "degC", "limit of a known part; NaN where not given"),
    Variable("opening_kind", _OPENING, "1", "fan or vent", flags=OPENING_KIND),
    Variable("opening_from_x", _OPENING, "mm", "one end of the opening"),
    Variable("opening_from_y", _OPENING, "mm", "one end of the opening"),
    Variable("opening_to_x", _OPENING, "mm", "other end of the opening"),
    Variable("opening_to_y", _OPENING, "mm", "other end of the opening"),
    Variable("event_elapsed", ("event",), "s", "time of an event since the first frame"),
    Variable("probe_x", _PROBE, "mm", "place of a thermocouple"),
    Variable("probe_y", _PROBE, "mm", "place of a thermocouple"),
    Variable("probe_accuracy", _PROBE, "K", "half-width of the thermocouple's stated accuracy"),
    Variable("probe_log", ("probe", "probe_time"), "degC", "temperature as the thermocouple's log has it"),
    Variable("probe_elapsed", ("probe_time",), "s", "time of the log's rows since the first frame, by the log's clock"),
    # --- film correction -----------------------------------------------------------------------------------
    Variable("film_added", ("frame",), "W m-2 sr-1", "radiance that film and air add on the way to the camera"),
    Variable(
        "mean_radiance",
        ("bin_number", "row", "column"),
        "W m-2 sr-1",
        "blackbody radiance of the indicated temperature",
    ),
    Variable("summed", ("frame",), "1", "frame is part of its bin's mean radiance"),
    Variable("transmittance", (), "1", "in-band transmittance of the film (1 with no film)"),
    Variable("transmittance_uncertainty", (), "1", "standard uncertainty of the transmittance"),
    Variable("film_absorptance", (), "1", "in-band absorptance of the film"),
    Variable("film_reflectance", (), "1", "in-band reflectance of the film"),
    Variable("film_warming", (), "1", "share of the rise below it by which the film is taken to warm"),
    Variable("film_creep", (), "K", "rise of the reading at 30 degC as the film warmed; NaN where not seen"),
    Variable("pair_transmittance", _PICTURE, "1", "in-band transmittance place by place; NaN where not told"),
    Variable("pair_transmittance_uncertainty", _PICTURE, "1", "standard uncertainty of the transmittance"),
    Variable("pair_trust", _PICTURE, "1", "whether the place's transmittance is trusted", flags=FILM_TRUST),
    Variable("pair_view_row", (), "pixel", "from the last frame to the pair's picture, down; NaN for another view"),
    Variable("pair_view_column", (), "pixel", "from the last frame to the pair's picture, to the right; NaN likewise"),
    Variable("frame_film_temperature", _FRAME, "degC", "film temperature at each frame"),
    Variable("frame_film_uncertainty", _FRAME, "K", "standard uncertainty of an estimated film temperature"),
    # --- the sensor's pixels ---------------------------------------------------------------------------------
    Variable("colour_distance", _PICTURE, "1", "mean distance of a place's colours from the palette, CIE L*a*b*"),
    Variable("reading_uncertainty", _PICTURE, "K", "standard uncertainty of readings off a colour scale"),
    Variable("pixel_fault", _PICTURE, "1", "what is wrong with the pixel", flags=PIXEL_FAULT),
    Variable("pixels_repaired", (), "1", "number of faulty pixels that get the median of their sound neighbours"),
    Variable("pixels_masked", (), "1", "number of faulty pixels without enough sound neighbours, left without reading"),
    Variable("range_low", (), "degC", "readings from here down are bounds; NaN where none pile up"),
    Variable("range_high", (), "degC", "readings from here up are bounds; NaN where none pile up"),
    Variable("clipped_share", (), "1", "largest share of a sampled frame beyond the range"),
    # --- registration.nc -----------------------------------------------------------------------------------
    Variable("shift_x", _FRAME, "pixel", "movement of the picture from the reference frame, to the right"),
    Variable("shift_y", _FRAME, "pixel", "movement of the picture from the reference frame, down"),
    Variable("rotation", _FRAME, "degree", "rotation of the picture about its centre, counter-clockwise as seen"),
    Variable("quality", _FRAME, "1", "correlation with the reference frame after alignment, 0 to 1"),
    Variable("usable", _FRAME, "1", "whether the frame is used", flags=USABLE),
    Variable("reason", _FRAME, "1", "what is remarkable about the frame", flags=REASON),
    Variable("offset_step", _FRAME, "K", "step common to all pixels that is taken off the frame"),
    Variable("offset_drift", _FRAME, "K", "what the level beside the board moved by against ambient; not taken off"),
    Variable("offset_drift_uncertainty", _FRAME, "K", "standard uncertainty of that movement"),
    Variable("offset_step_uncertainty", _FRAME, "K", "standard uncertainty of the steps so far; 0 before the first"),
    Variable("pose_uncertainty", _FRAME, "pixel", "standard uncertainty of the movement, rms over the picture"),
    Variable("masked_frame", ("masked",), "1", "number of a frame that is used without what is in the way"),
    Variable(
        "frame_mask",
        ("masked", "cell_row", "cell_column"),
        "1",
        "what is left out of it, in cells of the first usable frame",
        flags=YES_NO,
    ),
    Variable("still_picture", _SMALL, "K", "median of heated pictures, as the first usable frame sees the board"),
    Variable("reference_picture", ("reference_row", "reference_column"), "K", "the reference session's still picture"),
    Variable("reference_corner_column", ("corner",), "pixel", "corner of the board in the reference's picture"),
    Variable("reference_corner_row", ("corner",), "pixel", "corner of the board in the reference's picture"),
    Variable("reference_width", (), "mm", "width of the reference's board"),
    Variable("reference_height", (), "mm", "height of the reference's board"),
    Variable("reference_scale", (), "1", "pixels of the reference's camera a pixel of its still picture"),
    Variable("match_quality", (), "1", "share of the print that agrees with the reference's picture, beyond chance"),
    Variable("match_uncertainty", (), "pixel", "standard uncertainty of a board corner that was found by it"),
    # --- rise.nc ---------------------------------------------------------------------------------------------
    Variable("board_radiance", _BOARD, "W m-2 sr-1", "in-band radiance that leaves the surface, averaged"),
    Variable("frames_used", _TIME, "1", "number of frames averaged"),
    Variable("pixel_size", ("y", "x"), "mm", "side of the square on the board that a pixel of the recording covers"),
    Variable("mark_residual", ("mark",), "pixel", "distance of a corner or known point from the common fit"),
    Variable("mark_residual_length", ("mark",), "mm", "the same on the board"),
    Variable("mark_residual_rms", (), "pixel", "rms of those distances, for the freedom of the fit"),
    Variable("step_uncertainty", _TIME, "K", "standard uncertainty of the camera's steps since the cold stretch"),
    Variable("cold_radiance", ("y", "x"), "W m-2 sr-1", "each pixel's median before power-on; NaN where none"),
    Variable("cold_ambient", (), "degC", "ambient temperature during the cold stretch; NaN where there is none"),
    Variable("emissivity", ("y", "x"), "1", "emissivity used"),
    Variable("emissivity_uncertainty", ("y", "x"), "1", "standard uncertainty of the emissivity used"),
    Variable("power_on", (), "s", "elapsed time of power-on; NaN where none is seen"),
    Variable("ambient", _TIME, "degC", "ambient temperature", "air_temperature"),
    Variable("edge_uncertainty", ("y", "x"), "K", "what edges add to the uncertainty of readings off a colour scale"),
    Variable("film_trust", ("y", "x"), "1", "whether the film is trusted over the place", flags=FILM_TRUST),
    Variable("film_temperature", _TIME, "degC", "film temperature; NaN where ambient is not given"),
    Variable("film_temperature_uncertainty", _TIME, "K", "standard uncertainty of an estimated film temperature"),
    Variable("temperature", _BOARD, "degC", "surface temperature", "surface_temperature"),
    Variable("temperature_rise", _BOARD, "K", "rise of the surface over ambient"),
    Variable("temperature_uncertainty", _BOARD, "K", "standard uncertainty of the surface temperature"),
    Variable("rise_noise", _BOARD, "K", "standard uncertainty of the rise from this recording's own noise alone"),
    Variable("valid", _BOARD, "1", "whether the pixel was seen", flags=YES_NO),
    # --- rise.nc, of thermocouples ---------------------------------------------------------------------------
    Variable("probe_temperature", _PROBE_TIME, "degC", "thermocouple, at the recording's times"),
    Variable("probe_camera", _PROBE_TIME, "degC", "camera, at the thermocouple's place"),
    Variable("probe_residual_mean", _PROBE, "K", "camera minus thermocouple, mean over the recording"),
    Variable("probe_residual_spread", _PROBE, "K", "camera minus thermocouple, standard deviation over the recording"),
    Variable("probe_residual_final", _PROBE, "K", "camera minus thermocouple at the end"),
    Variable("probe_residual_uncertainty", _PROBE, "K", "standard uncertainty expected of the final residual"),
    Variable("probe_normalised_error", _PROBE, "1", "final residual over its expanded uncertainty (k = 2)"),
    Variable("probe_agreement", _PROBE, "1", "whether camera and thermocouple agree", flags=AGREEMENT),
    Variable("clock_offset", (), "s", "to be added to the log's times; 0 where it cannot be told"),
    Variable("clock_offset_uncertainty", (), "s", "standard uncertainty of the clock offset; NaN where not told"),
    Variable("clock_offset_found", (), "1", "whether the clock offset could be told", flags=YES_NO),
    Variable("camera_offset", (), "W m-2 sr-1", "radiance by which the camera reads too high, taken off"),
    Variable("camera_offset_uncertainty", (), "W m-2 sr-1", "standard uncertainty of the camera's offset"),
    # --- regions.nc ------------------------------------------------------------------------------------------
    Variable("region_x", _REGION, "mm", "centre of the region"),
    Variable("region_y", _REGION, "mm", "centre of the region"),
    Variable("region_width", _REGION, "mm", "width of the region"),
    Variable("region_height", _REGION, "mm", "height of the region"),
    Variable("region_emissivity", _REGION, "1", "emissivity used"),
    Variable("region_emissivity_uncertainty", _REGION, "1", "standard uncertainty of the emissivity used"),
    Variable(
        "region_emissivity_low", _REGION, "1", "whether mostly reflection is seen: not a temperature", flags=YES_NO
    ),
    Variable("region_limit", _REGION, "degC", "limit; NaN where none is given"),
    Variable("region_found", _REGION, "1", "whether a hot spot was found there", flags=YES_NO),
    Variable("region_known", _REGION, "1", "whether it was given, as a part or region", flags=YES_NO),
    Variable("region_ambiguous", _REGION, "1", "whether a hot spot may as well be another's", flags=YES_NO),
    Variable("region_turned", _REGION, "1", "whether its rectangle is the box round a part askew", flags=YES_NO),
    Variable("region_state", _REGION_LOOK, "1", "what became of the region", flags=REGION_STATE),
    Variable("region_partner", _REGION_LOOK, "1", "region that it is merged into, or comes out of, counted from 0; -1"),
    Variable("look", ("look",), "1", "number of a look, from 0"),
    Variable("look_elapsed", ("look",), "s", "middle of the maps that were searched together, since the first frame"),
    Variable("region_first_seen", _REGION, "s", "when the region first stood out; NaN: never"),
    Variable("region_last_seen", _REGION, "s", "when the region last stood out; NaN: never"),
    Variable("region_pixels", _REGION, "1", "pixels of the recording across the region's smaller side"),
    Variable("region_beyond_range", _REGION, "1", "whether part of it is hotter than the range", flags=YES_NO),
    Variable("region_size", _REGION, "1", "whether those pixels are enough", flags=REGION_SIZE),
    Variable("spot_bias", _REGION, "K", "what the core is expected to read too low for being small; not corrected"),
    Variable("spot_bias_mean", _REGION, "K", "what the mean is expected to read too low; not corrected"),
    Variable("temperature_max", _REGION_TIME, "degC", "hottest robust core of the region"),
    Variable("temperature_mean", _REGION_TIME, "degC", "mean of the region"),
    Variable("rise_raw_max", _REGION_TIME, "K", "rise of the hottest single pixel of the region"),
    Variable("rise_max", _REGION_TIME, "K", "rise of the hottest robust core"),
    Variable("rise_mean", _REGION_TIME, "K", "rise of the mean"),
    Variable("rise_uncertainty", _REGION_TIME, "K", "standard uncertainty of rise_mean"),
    Variable("area", _REGION_TIME, "mm2", "area above half of the region's highest rise"),
    Variable("centroid_x", _REGION_TIME, "mm", "rise-weighted centroid"),
    Variable("centroid_y", _REGION_TIME, "mm", "rise-weighted centroid"),
    Variable("steady_rise", _REGION, "K", "final rise of the mean"),
    Variable("steady_rise_uncertainty", _REGION, "K", "standard uncertainty of steady_rise"),
    Variable("steady_rise_own", _REGION, "K", "part of steady_rise_uncertainty that two runs do not share"),
    Variable("steady_rise_max", _REGION, "K", "final rise of the core"),
    Variable("steady_rise_max_uncertainty", _REGION, "K", "standard uncertainty of steady_rise_max"),
    Variable("steady_rise_max_shared", _REGION, "K", "part of it that two runs with one set-up share"),
    Variable("steady_rise_max_own", _REGION, "K", "part of it that is the run's own"),
    Variable("steady_temperature_uncertainty", _REGION, "K", "standard uncertainty of the core's final temperature"),
    Variable("budget_value", _BUDGET, "", "value of an input of the budget, in the input's unit"),
    Variable("budget_uncertainty", _BUDGET, "", "standard uncertainty of the input, in its unit"),
    Variable("budget_sensitivity", _BUDGETS, "", "kelvin of the quantity per unit of the input"),
    Variable("budget_contribution", _BUDGETS, "K", "standard uncertainty that the input brings to the quantity"),
    Variable("trials_uncertainty", _REGION, "K", "standard deviation of the core's final rise by trials"),
    Variable("trials_low", _REGION, "K", "lower end of the 95 percent interval by trials, less the value"),
    Variable("trials_high", _REGION, "K", "upper end of the 95 percent interval by trials, less the value"),
    Variable("first_order_holds", _REGION, "1", "whether trials bear out the budget", flags=YES_NO),
    Variable("time_constant", _REGION, "s", "time constant of the rise"),
    Variable("remaining_rise", _REGION, "K", "rise still to come at the end of the recording"),
    Variable("remaining_rise_uncertainty", _REGION, "K", "standard uncertainty of remaining_rise"),
    Variable("steady_status", _REGION, "1", "what steady_rise is, or why there is none", flags=STEADY_STATUS),
    Variable("heating_delay", _REGION, "s", "of the rise behind power-on"),
    Variable("exponentials", _REGION, "1", "number of exponentials of the heating curve"),
    Variable("exponential_rise", _EXPONENTIAL, "K", "final rise of each exponential"),
    Variable("exponential_time", _EXPONENTIAL, "s", "time constant of each exponential"),
    Variable("exponential_time_uncertainty", _EXPONENTIAL, "s", "standard uncertainty of exponential_time"),
    Variable("time_to_limit", _REGION, "s", "from the end until the core is predicted to reach its limit; NaN: never"),
    Variable("time_to_limit_early", _REGION, "s", "the same, early end of the 95 percent interval"),
    Variable("time_to_limit_late", _REGION, "s", "the same, late end"),
    Variable("thermal_resistance", _REGION, "K W-1", "steady_rise per watt of the whole item's power"),
    Variable("foster_resistance", _FOSTER, "K W-1", "of each term of a Foster network, per watt of the item"),
    Variable("foster_time", _FOSTER, "s", "time constant of each term of the Foster network"),
    Variable("is_steady", _REGION, "1", "whether the region has settled", flags=YES_NO),
    Variable("ambient_lag_correction", _REGION, "K", "added at the end for the part's lag behind a drifting ambient"),
    Variable("final_rise", ("y", "x"), "K", "final rise of the pixel in the stretch that final values are of"),
    Variable("final_rise_uncertainty", ("y", "x"), "K", "standard uncertainty of final_rise"),
    Variable("rise_time_constant", ("y", "x"), "s", "time constant of the way there; NaN where there is none"),
    Variable("final_rise_status", ("y", "x"), "1", "what final_rise is, or why there is none", flags=STEADY_STATUS),
    Variable("final_stretch", (), "1", "number of the stretch that final values are of, the first is 0"),
    Variable("stretch_start", _STRETCH, "s", "start of a stretch through which nothing was changed"),
    Variable("stretch_end", _STRETCH, "s", "its end"),
    Variable("stretch_rise", _REGION_STRETCH, "K", "final rise of the mean in the stretch"),
    Variable("stretch_rise_uncertainty", _REGION_STRETCH, "K", "standard uncertainty of stretch_rise"),
    Variable("stretch_rise_own", _REGION_STRETCH, "K", "part of it that two stretches do not share"),
    Variable("stretch_time_constant", _REGION_STRETCH, "s", "time constant of the way to the stretch's final rise"),
    Variable("stretch_remaining", _REGION_STRETCH, "K", "rise still to come at the end of the stretch"),
    Variable("stretch_steady", _REGION_STRETCH, "1", "whether the region has settled by then", flags=YES_NO),
    Variable("stretch_status", _REGION_STRETCH, "1", "what stretch_rise is, or why there is none", flags=STEADY_STATUS),
    # --- spread.nc -------------------------------------------------------------------------------------------
    Variable("final_flow_direction", _REGION, "degree", "where the region's heat is carried to at the end"),
    Variable("spread_major", _REGION_TIME, "mm", "own heat's footprint, one standard deviation along its long axis"),
    Variable("spread_major_uncertainty", _REGION_TIME, "mm", "standard uncertainty of spread_major"),
    Variable("spread_minor", _REGION_TIME, "mm", "own heat's footprint, one standard deviation along its short axis"),
    Variable("spread_minor_uncertainty", _REGION_TIME, "mm", "standard uncertainty of spread_minor"),
    Variable("spread_orientation", _REGION_TIME, "degree", "long axis, counter-clockwise from +x; NaN where not told"),
    Variable("spread_orientation_uncertainty", _REGION_TIME, "degree", "standard uncertainty of spread_orientation"),
    Variable("spread_area", _REGION_TIME, "mm2", "area of the footprint above half of its peak"),
    Variable("spread_area_uncertainty", _REGION_TIME, "mm2", "standard uncertainty of spread_area"),
    Variable("drift_x", _REGION_TIME, "mm", "footprint centroid minus source centre"),
    Variable("drift_y", _REGION_TIME, "mm", "footprint centroid minus source centre"),
    Variable("drift_uncertainty", _REGION_TIME, "mm", "standard uncertainty of drift_x, and of drift_y"),
    Variable("spread_taken_off", _REGION_TIME, "1", "what others bring to the footprint, over its own peak"),
    Variable("spread_growth", _REGION_TIME, "mm2 s-1", "growth of the footprint's variance, mean of its two axes"),
    Variable("spread_growth_uncertainty", _REGION_TIME, "mm2 s-1", "standard uncertainty of spread_growth"),
    Variable("decay_direction", _REGION_TIME, "degree", "direction of decay_downstream, counter-clockwise from +x"),
    Variable("decay_axis", _REGION_TIME, "1", "what decay_direction is", flags=DECAY_AXIS),
    Variable("decay_downstream", _REGION_TIME, "mm", "own heat falls to 1/e over so far along decay_direction"),
    Variable("decay_downstream_uncertainty", _REGION_TIME, "mm", "standard uncertainty of decay_downstream"),
    Variable("decay_upstream", _REGION_TIME, "mm", "own heat falls to 1/e over so far against decay_direction"),
    Variable("decay_upstream_uncertainty", _REGION_TIME, "mm", "standard uncertainty of decay_upstream"),
    Variable("spread_status", _REGION_TIME, "1", "what became of the footprint", flags=SPREAD_STATUS),
    Variable("spread_cut", _REGION_TIME, "1", "whether the board's edge or a neighbour cuts it", flags=YES_NO),
    # --- flow.nc ---------------------------------------------------------------------------------------------
    Variable("flow_direction", _BOARD, "degree", "direction that heat is carried to"),
    Variable("flow_direction_uncertainty", _BOARD, "degree", "standard uncertainty of the direction"),
    Variable("flow_confidence", _BOARD, "1", "confidence in the direction, 0 to 1"),
    Variable("drift_speed", _BOARD, "mm s-1", "drift of heat in the surface (not of the air)"),
    Variable("flow_status", _BOARD, "1", "whether the direction can be told", flags=FLOW_STATUS),
    Variable("flow_source", _BOARD, "1", "what the direction comes from", flags=FLOW_SOURCE),
    Variable("region_flow_direction", _REGION_TIME, "degree", "direction that the region's heat is carried to"),
    Variable("region_flow_direction_uncertainty", _REGION_TIME, "degree", "standard uncertainty of the direction"),
    Variable("region_flow_confidence", _REGION_TIME, "1", "confidence in the direction, 0 to 1"),
    Variable("region_drift_speed", _REGION_TIME, "mm s-1", "drift of heat in the surface (not of the air)"),
    Variable("region_flow_status", _REGION_TIME, "1", "whether the direction can be told", flags=FLOW_STATUS),
    Variable("board_flow_direction", _TIME, "degree", "direction that the board's heat is carried to"),
    Variable("board_flow_direction_uncertainty", _TIME, "degree", "standard uncertainty of the direction"),
    Variable("board_flow_status", _TIME, "1", "whether the direction can be told", flags=FLOW_STATUS),
    Variable("flow_reason", _BOARD, "1", "why there is no direction", flags=FLOW_REASON),
    Variable("region_flow_reason", _REGION_TIME, "1", "why there is no direction", flags=FLOW_REASON),
    Variable("board_flow_reason", _TIME, "1", "why there is no direction", flags=FLOW_REASON),
    Variable("local_flow_direction", _LOCAL, "degree", "direction that heat drifts to in the surface"),
    Variable(
        "local_flow_direction_uncertainty", _LOCAL, "degree", "standard uncertainty, if heat moves in the surface"
    ),
    Variable("local_drift_x", _LOCAL, "mm-1", "drift velocity of heat over its diffusivity, to the right"),
    Variable("local_drift_y", _LOCAL, "mm-1", "drift velocity of heat over its diffusivity, up"),
    Variable("local_drift_xx", _LOCAL, "mm-2", "variance of local_drift_x"),
    Variable("local_drift_xy", _LOCAL, "mm-2", "covariance of local_drift_x and local_drift_y"),
    Variable("local_drift_yy", _LOCAL, "mm-2", "variance of local_drift_y"),
    Variable("local_peclet", _LOCAL, "1", "drift times the healing length over the diffusivity"),
    Variable("local_form", _LOCAL, "1", "form of the equation that the local drift comes from", flags=LOCAL_FORM),
    Variable(
        "local_agreement", _LOCAL, "1", "squared distance of its two forms, chi-squared of two degrees of freedom"
    ),
    Variable("local_reason", _LOCAL, "1", "why there is no local drift", flags=FLOW_REASON),
    Variable("opening_rise", _OPENING, "K", "rise of the surface next to the opening"),
    Variable("opening_role", _OPENING, "1", "whether air enters or leaves", flags=OPENING_ROLE),
    Variable("opening_role_probability", _OPENING, "1", "probability of the likelier role, 0.5 to 1"),
    Variable(
        "foreseen_rise_change", ("further", "region"), "K", "change of the rise that the fit foresees in a recording"
    ),
    Variable("foreseen_early_change", ("further", "region"), "K", "the same at foreseen_early"),
    Variable("foreseen_early", (), "s", "time after power-on within two minutes"),
    Variable(
        "foreseen_flow_status", ("further",), "1", "whether a pair with it would tell the direction", flags=FLOW_STATUS
    ),
    Variable("foreseen_against_opposite", ("further",), "1", "evidence of that pair against air the other way"),
    Variable("foreseen_against_still", ("further",), "1", "evidence of that pair against still air"),
    # --- comparison.nc: session minus reference --------------------------------------------------------------
    Variable("rise_difference", _PAIR_MAP, "K", "difference of the final rise"),
    Variable("rise_difference_uncertainty", _PAIR_MAP, "K", "standard uncertainty, own terms only"),
    Variable("significant", _PAIR_MAP, "1", "whether the difference is more than noise", flags=YES_NO),
    Variable("steady_rise_difference", _PAIR_REGION, "K", "difference of the final rise"),
    Variable("steady_rise_difference_uncertainty", _PAIR_REGION, "K", "standard uncertainty, own terms only"),
    Variable("region_significant", _PAIR_REGION, "1", "whether the difference is more than noise", flags=YES_NO),
    *(
        Variable(f"{name}_{end}", _PAIR_REGION, "K", f"{words} end of the 95 percent interval of {name}")
        for name in ("steady_rise_difference", "matched_rise_difference")
        for end, words in (("low", "lower"), ("high", "upper"))
    ),
    Variable("matched_rise_difference", _PAIR_REGION, "K", "difference of the rise at matched_elapsed"),
    Variable("matched_rise_difference_uncertainty", _PAIR_REGION, "K", "standard uncertainty, own terms only"),
    Variable("match_state", _PAIR_REGION, "1", "which difference region_significant is of", flags=MATCH_STATE),
    Variable("steady_rise_ratio", _PAIR_REGION, "1", "final rise over the reference's"),
    Variable("steady_rise_ratio_uncertainty", _PAIR_REGION, "1", "standard uncertainty, own terms only"),
    Variable("time_constant_difference", _PAIR_REGION, "s", "difference of the time constant"),
    Variable("time_constant_difference_uncertainty", _PAIR_REGION, "s", "standard uncertainty, of the fits"),
    Variable("spread_area_difference", _PAIR_REGION, "mm2", "difference of the footprint's area"),
    Variable("spread_area_difference_uncertainty", _PAIR_REGION, "mm2", "standard uncertainty"),
    Variable("spread_orientation_change", _PAIR_REGION, "degree", "turn of the footprint's long axis, -90 to 90"),
    Variable("spread_orientation_change_uncertainty", _PAIR_REGION, "degree", "standard uncertainty"),
    *(
        row
        for name in ("decay_downstream", "decay_upstream")
        for row in (
            Variable(f"{name}_difference", _PAIR_REGION, "mm", f"difference of {name}, each along its own direction"),
            Variable(f"{name}_difference_uncertainty", _PAIR_REGION, "mm", "standard uncertainty"),
        )
    ),
    Variable("matched_elapsed", _PAIR, "s", "time after power-on, or after the event chosen, of the two maps"),
    Variable("power_factor", _PAIR, "1", "what the session's rise is multiplied by for unequal power"),
    Variable("power_by_slope", _PAIR, "1", "power over the reference's, by how fast parts begin to warm"),
    Variable("power_by_slope_uncertainty", _PAIR, "1", "standard uncertainty of power_by_slope"),
    Variable("noise_area", _PAIR, "1", "pixels that share one piece of noise, from the recordings"),
    Variable("common_difference", _PAIR, "K", "median of rise_difference over the board"),
    Variable("common_difference_uncertainty", _PAIR, "K", "standard uncertainty of what all places share"),
    Variable("camera_level_difference", _PAIR, "K", "by how much more the camera read above a cold board"),
    Variable("camera_level_correction", _PAIR_REGION, "K", "added to a difference for it: half of what it may bring"),
    Variable("place_correction", _PAIR_REGION, "K", "added to the difference by measuring where the reference has it"),
    Variable("repeat_constant", (), "K", "what takes of one set-up differ by whatever the rise; NaN without repeats"),
    Variable("repeat_share", (), "1", "what they differ by in proportion to the rise; NaN without repeats"),
    Variable("repeat_freedom", (), "1", "degrees of freedom of the repeats"),
    Variable("repeat_source", (), "1", "where the repeats are from", flags=REPEAT_SOURCE),
    Variable("repeat_record_takes", (), "1", "number of takes from the laboratory's record"),
    Variable("opening_role_session", _PAIR_OPENING, "1", "role in the session", flags=OPENING_ROLE),
    Variable("opening_role_reference", _PAIR_OPENING, "1", "role in the reference", flags=OPENING_ROLE),
    Variable("opening_change", _PAIR_OPENING, "1", "what became of the opening's role", flags=OPENING_CHANGE),
    Variable("place_state", _PAIR, "1", "what became of the distance between the two maps", flags=PLACE_STATE),
    Variable("place_quality", _PAIR, "1", "share of the print that agrees with the reference's, beyond chance"),
    Variable("place_shift_x", _PAIR, "mm", "distance of the session's map from the reference's, at the middle"),
    Variable("place_shift_y", _PAIR, "mm", "distance of the session's map from the reference's, at the middle"),
    Variable("place_rotation", _PAIR, "degree", "turn of the session's map, counter-clockwise"),
    Variable("place_uncertainty", _PAIR, "1", "standard uncertainty of a place along one direction, in cells"),
    Variable("region_flow_direction_change", _PAIR_REGION, "degree", "turn of the direction, -180 to 180"),
    Variable("region_flow_direction_change_uncertainty", _PAIR_REGION, "degree", "standard uncertainty of the turn"),
    Variable("region_flow_change", _PAIR_REGION, "1", "what became of the direction", flags=DIRECTION_CHANGE),
    Variable("board_flow_direction_change", _PAIR, "degree", "turn of the board's direction, -180 to 180"),
    Variable("board_flow_direction_change_uncertainty", _PAIR, "degree", "standard uncertainty of the turn"),
    Variable("board_flow_change", _PAIR, "1", "what became of the board's direction", flags=DIRECTION_CHANGE),
    Variable("joint_flow_direction", _PAIR, "degree", "board direction from all sessions together"),
    Variable("joint_flow_direction_uncertainty", _PAIR, "degree", "standard uncertainty of the direction"),
    Variable("joint_flow_status", _PAIR, "1", "whether the direction can be told", flags=FLOW_STATUS),
    Variable("reference_flow_direction", _PAIR, "degree", "the reference's board direction, from the two together"),
    Variable("reference_flow_direction_uncertainty", _PAIR, "degree", "standard uncertainty of the direction"),
    Variable("reference_flow_status", _PAIR, "1", "whether the direction can be told", flags=FLOW_STATUS),
    # --- experiment.nc: effects of conditions over many sessions -----------------------------------------------
    Variable("effect_rise", _EFFECT, "K", "effect on the final rise"),
    Variable("effect_rise_uncertainty", _EFFECT, "K", "standard uncertainty of the effect"),
    Variable("effect_rise_low", _EFFECT, "K", "lower end of the 95 percent interval of the effect"),
    Variable("effect_rise_high", _EFFECT, "K", "upper end of the 95 percent interval of the effect"),
    Variable("effect_significant", _EFFECT, "1", "whether the effect is more than noise", flags=YES_NO),
    Variable("effect_freedom", _REGION, "1", "degrees of freedom of run_spread; infinite where it is of the budget"),
    Variable("effect_match", _REGION, "1", "which rise the effects are on", flags=MATCH_STATE),
    Variable("run_spread", _REGION, "K", "standard deviation of one run's final rise"),
    Variable("effect_factors", ("effect",), "1", "number of factors: 1 for a main effect, more for an interaction"),
    Variable("error_source", (), "1", "what run_spread comes from", flags=EFFECT_ERROR),
    Variable("effect_map", _EFFECT_MAP, "K", "effect on the rise, place by place"),
    Variable("effect_map_uncertainty", _EFFECT_MAP, "K", "standard uncertainty of the effect"),
    Variable("effect_map_significant", _EFFECT_MAP, "1", "whether the effect is more than noise", flags=YES_NO),
    Variable("predicted_rise", _PREDICTED, "K", "final rise that the model predicts"),
    Variable("predicted_rise_uncertainty", _PREDICTED, "K", "standard uncertainty of the prediction's mean"),
    Variable("predicted_rise_low", _PREDICTED, "K", "lower end of its 95 percent interval"),
    Variable("predicted_rise_high", _PREDICTED, "K", "upper end of its 95 percent interval"),
    Variable("times_run", ("combination",), "1", "number of sessions of this combination"),
    Variable("is_best", ("combination",), "1", "whether it is predicted to be the best", flags=YES_NO),
    Variable("deciding_region", (), "1", "number of the region that decides on the best combination"),
    Variable("second_best", (), "1", "number of the second best combination"),
    Variable("best_ahead", (), "K", "by how much the second best is hotter, in the part that decides there"),
    Variable("best_ahead_uncertainty", (), "K", "standard uncertainty of best_ahead"),
    # --- coordinates -----------------------------------------------------------------------------------------
    Variable("elapsed", _TIME, "s", "time since the first frame"),
    Variable("local_x", ("local_x",), "mm", "places of the local drift, as x"),
    Variable("local_y", ("local_y",), "mm", "places of the local drift, as y"),
    Variable("x", ("x",), "mm", "to the right from the board's lower-left corner", "projection_x_coordinate"),
    Variable("y", ("y",), "mm", "up from the board's lower-left corner", "projection_y_coordinate"),
)

VARIABLES: Final[dict[str, Variable]] = {row.name: row for row in _ROWS}


def label(dataset: xr.Dataset) -> xr.Dataset:
    """Return the dataset with each known variable's attributes set from the data model.

    Lengths keep the unit that the dataset's ``x`` carries already: ``mm``, or ``pixel`` where no scale is given.
    """
    in_pixels = "x" in dataset.coords and dataset["x"].attrs.get("units") == "pixel"
    labelled = dataset.copy()
    for name in labelled.variables:
        known = VARIABLES.get(str(name))
        if known is None:
            continue
        attributes = known.attributes
        if in_pixels and known.units.startswith("mm"):
            attributes["units"] = known.units.replace("mm", "pixel", 1)
        labelled.variables[name].attrs.update(attributes)
    return labelled


def require(dataset: xr.Dataset, names: Iterable[str]) -> None:
    """Check that the named variables are there with the data model's dimensions.

    Raises
    ------
    DataModelError
        Names the first variable that is missing or has other dimensions.
    """
    for name in names:
        if name not in dataset.variables:
            raise DataModelError(f"{name} is missing, the stage needs it; present: {', '.join(map(str, dataset))}")
        found = dataset.variables[name].dims
        wanted = VARIABLES[name].dims if name in VARIABLES else found
        if found != wanted and set(found) != set(wanted):
            raise DataModelError(f"{name} has dimensions {found}, must have {wanted}")
