"""``session.toml``: what was recorded, with what, of what."""

from datetime import datetime
from pathlib import Path
from typing import Annotated, Final, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, PositiveFloat, model_validator

from heatwake.schema.report import Report
from heatwake.schema.settings import ABSOLUTE_ZERO, HOTTEST, Celsius, Settings
from heatwake.schema.surfaces import check_emissivity


def _in_unit_interval(value: float) -> float:
    if not 0.0 < value <= 1.0:
        raise ValueError("must lie in (0, 1]")
    return value


Fraction = Annotated[float, AfterValidator(_in_unit_interval)]
Emissivity = Annotated[float | str, AfterValidator(check_emissivity)]
Point = tuple[float, float]


def _pair(value: object) -> object:
    """One number stands for two equal ones."""
    return (value, value) if isinstance(value, int | float) and not isinstance(value, bool) else value


LOWEST_M, HIGHEST_M = -500.0, 11000.0  # altitudes for which the standard atmosphere has one formula
Box = tuple[float, float, float, float]
PART_COLUMNS: Final = (
    *("name", "x", "y", "rotation", "length", "width", "height", "size", "side"),
    *("emissivity", "emissivity_uncertainty", "limit"),
)
LENS_COUNTS: Final = (4, 5, 8)  # of OpenCV's coefficients


class Frames(Settings):
    """Where the frames are and what a stored value means: temperature = value * scale + offset."""

    source: str
    variable: str | None = None
    unit: Literal["degC", "K", "counts"] = "degC"
    scale: float = 1.0
    offset: float = 0.0
    masked: int | None = 0  # unsigned integer frames only: the stored value that means "no reading"
    calibration: Path | None = None
    interval_s: PositiveFloat | None = None
    timestamps: Path | None = None
    start: datetime | None = None

    @model_validator(mode="after")
    def _one_clock(self) -> Self:
        if self.interval_s is not None and self.timestamps is not None:
            raise ValueError("interval_s: given beside timestamps: must be one of the two")
        if self.start is not None and not 1900 <= self.start.year <= 2200:
            raise ValueError(f"start: {self.start.isoformat()}: must lie between the years 1900 and 2200")
        if self.unit == "counts" and self.calibration is None:
            raise ValueError("calibration: missing: must name a CSV file with columns count, blackbody_degC")
        return self


class Palette(Settings):
    """Colour video: where the colour bar and the scene are in the picture."""

    bar_px: Box
    hot_end: Literal["top", "bottom", "left", "right"] = "top"
    limits: tuple[Celsius, Celsius] | Path  # columns elapsed_s, low_degC, high_degC, or one pair for all frames
    image_px: Box | None = None

    @model_validator(mode="after")
    def _limits_in_order(self) -> Self:
        if isinstance(self.limits, tuple) and self.limits[0] >= self.limits[1]:
            raise ValueError(f"limits: {list(self.limits)}: must be [colder, hotter] in degC")
        return self


class Camera(Settings):
    """The camera, and what it assumed when it wrote temperatures."""

    band_um: tuple[PositiveFloat, PositiveFloat] = (7.5, 14.0)
    response: Path | None = None  # columns wavelength_um, response; counts instead of band_um
    emissivity_setting: Fraction = 1.0
    reflected_setting_degC: Celsius = 20.0
    netd_mK: PositiveFloat = 50.0
    accuracy_K: Annotated[float, Field(ge=0)] = 2.0
    accuracy_percent: Annotated[float, Field(ge=0)] = 2.0
    distortion: tuple[float, ...] | None = None  # k1, k2, p1, p2, then k3, then k4, k5, k6 of OpenCV's calibration
    focal_px: Annotated[tuple[PositiveFloat, PositiveFloat], BeforeValidator(_pair)] | None = None
    centre_px: Point | None = None  # default: the picture's centre

    @model_validator(mode="after")
    def _lens_is_whole(self) -> Self:
        if self.distortion is None:
            return self
        if len(self.distortion) not in LENS_COUNTS:
            wanted = "must be k1, k2, p1, p2, then k3, then k4, k5, k6: 4, 5 or 8 numbers"
            raise ValueError(f"distortion: {len(self.distortion)} numbers: {wanted.replace(': ', ', ')}")
        if self.focal_px is None:
            raise ValueError("focal_px: missing: must be given with distortion, in pixels")
        return self

    @model_validator(mode="after")
    def _band_in_order(self) -> Self:
        if self.band_um[0] >= self.band_um[1]:
            raise ValueError(f"band_um: {list(self.band_um)}: must be [shorter, longer]")
        return self


def _film_temperature(value: float | str) -> float | str:
    if value in ("ambient", "midway"):
        return value
    if isinstance(value, str) or not ABSOLUTE_ZERO <= value <= HOTTEST:
        raise ValueError('must be a number of degC, "ambient" or "midway"')
    return value


FilmTemperature = Annotated[float | str, AfterValidator(_film_temperature)]


class FilmReference(Settings):
    """Readings of one reference of steady temperature without the film and with it."""

    bare_degC: Celsius
    covered_degC: Celsius
    uncertainty_K: PositiveFloat = 0.2  # standard, of either reading


class Film(Settings):
    """The film lid: a transmittance, or what it is measured from: a bare/covered pair, or references read twice."""

    transmittance: Fraction | None = None
    bare: Path | None = None
    covered: Path | None = None
    reflectance: Annotated[float, Field(ge=0, lt=1)] | None = None
    temperature_degC: FilmTemperature = "ambient"
    interval_s: PositiveFloat | None = None  # between two frames of the pair; default: that of the recording
    references: tuple[FilmReference, ...] = ()
    mirrors_board: bool = False  # the film's inner face mirrors the board into itself: for bare metal

    @model_validator(mode="after")
    def _pair_is_whole(self) -> Self:
        if (self.bare is None) != (self.covered is None):
            missing = "bare" if self.bare is None else "covered"
            raise ValueError(f"{missing}: missing: must be given, a pair needs both recordings")
        if self.bare is not None and self.references:
            raise ValueError("references: given beside a bare/covered pair: must be one of the two")
        if len(self.references) == 1:
            raise ValueError("references: only one: must be two or more, of different temperature")
        if self.bare is None and not self.references and self.transmittance is None:
            wanted = "must be a number in (0, 1], or give a bare/covered pair or references"
            raise ValueError(f"transmittance: missing: {wanted}")
        return self


class Air(Settings):
    """The air between film and camera; of no account below about a metre."""

    transmittance: Fraction = 1.0
    temperature_degC: Celsius | None = None


class Ambient(Settings):
    """The temperature of the air that enters, as a number or a log."""

    degC: Celsius | None = None
    log: Path | None = None

    @model_validator(mode="after")
    def _one_source(self) -> Self:
        if (self.degC is None) == (self.log is None):
            raise ValueError("degC: not exactly one of degC and log: must be one of the two")
        return self


class Surface(Settings):
    """What is true of every surface that has no value of its own."""

    emissivity: Emissivity = 1.0
    emissivity_uncertainty: Annotated[float, Field(ge=0, lt=1)] | None = (
        None  # default: the named surface's, or a setting
    )
    reflected_degC: Celsius | None = None


class BoardPoint(Settings):
    """A mark whose place is known, on the board and in the picture of the first usable frame."""

    x_mm: float
    y_mm: float
    px: Point  # column, row


class Board(Settings):
    """The board's size and place in the picture, and what is known of its build."""

    width_mm: PositiveFloat | None = None
    height_mm: PositiveFloat | None = None
    corners_px: tuple[Point, Point, Point, Point] | None = None
    points: tuple[BoardPoint, ...] = ()
    mm_per_px: PositiveFloat | None = None
    thickness_mm: PositiveFloat | None = None
    conductivity_W_mK: PositiveFloat | None = None
    channel_mm: PositiveFloat | None = None
    parts: Path | None = None
    parts_columns: dict[str, str] = Field(default_factory=dict)  # headings of the placement file, where not known
    parts_unit: Literal["mm", "mil", "inch"] | None = None  # default: what the file says, else mm
    parts_origin: Literal["lower-left", "upper-left", "centre"] | Point = "lower-left"  # y counts down from upper-left
    parts_mirrored: bool = False  # x counts from the right as seen: the bottom in the coordinates of the top
    parts_side: Literal["top", "bottom"] | None = None  # of a file that has both

    @model_validator(mode="after")
    def _columns_are_known(self) -> Self:
        for key in self.parts_columns:
            if key not in PART_COLUMNS:
                raise ValueError(f"parts_columns: {key!r}: must be one of {', '.join(PART_COLUMNS)}")
        return self

    @model_validator(mode="after")
    def _one_scale(self) -> Self:
        if self.corners_px is not None and self.mm_per_px is not None:
            raise ValueError("mm_per_px: given beside corners_px: must be one of the two")
        if self.corners_px is not None and (self.width_mm is None or self.height_mm is None):
            missing = "width_mm" if self.width_mm is None else "height_mm"
            raise ValueError(f"{missing}: missing: must be given with corners_px")
        if self.points and self.corners_px is None:
            raise ValueError("corners_px: missing: must be given with points")
        return self


class Region(Settings):
    """A rectangle to measure, by its centre and size."""

    name: Annotated[str, Field(min_length=1)]
    x_mm: float
    y_mm: float
    width_mm: PositiveFloat
    height_mm: PositiveFloat
    emissivity: Emissivity | None = None
    emissivity_uncertainty: Annotated[float, Field(ge=0, lt=1)] | None = None
    limit_degC: Celsius | None = None


class Opening(Settings):
    """A fan or vent on the board's edge."""

    name: Annotated[str, Field(min_length=1)]
    kind: Literal["fan", "vent"]
    from_mm: Point
    to_mm: Point


class Thermocouple(Settings):
    """A thermocouple on a part, and its column in the log; the half-width is that of class 1, type K.

    IEC 60584-1: type K, class 1: 1.5 K or 0.4 % of the temperature; type T, class 1: 0.5 K or 0.4 % (from memory).
    """

    name: Annotated[str, Field(min_length=1)]
    column: Annotated[str, Field(min_length=1)] | None = None  # default: the name
    x_mm: float
    y_mm: float
    accuracy_K: PositiveFloat = 1.5
    log: Path = Path("thermocouples.csv")

    @property
    def heading(self) -> str:
        """Heading of its column."""
        return self.column or self.name


class Event(Settings):
    """Something that happened."""

    elapsed_s: float
    label: str


class Session(Settings):
    """One recorded session."""

    title: str
    frames: Frames
    palette: Palette | None = None
    camera: Camera = Camera()
    film: Film | None = None
    air: Air = Air()
    ambient: Ambient | None = None
    surface: Surface = Surface()
    board: Board = Board()
    regions: tuple[Region, ...] = ()
    openings: tuple[Opening, ...] = ()
    thermocouples: tuple[Thermocouple, ...] = ()
    events: tuple[Event, ...] = ()
    conditions: dict[str, bool | int | float | str] = Field(default_factory=dict)
    report: Report | None = None  # words for the report: no result depends on them

    @model_validator(mode="after")
    def _counts_are_of_blackbodies(self) -> Self:
        if self.frames.unit == "counts" and self.camera.emissivity_setting != 1.0:
            wanted = 'must be 1 or left out with frames.unit = "counts", a calibration is of blackbodies'
            raise ValueError(f"camera.emissivity_setting: {self.camera.emissivity_setting:g}: {wanted}")
        return self

    @model_validator(mode="after")
    def _names_are_unique(self) -> Self:
        for table in ("regions", "openings", "thermocouples"):
            names = [row.name for row in getattr(self, table)]
            twice = next((name for name in names if names.count(name) > 1), None)
            if twice is not None:
                raise ValueError(f"{table}: {twice!r} given twice: must have unique names")
        if len({row.log for row in self.thermocouples}) > 1:
            logs = ", ".join(sorted({str(row.log) for row in self.thermocouples}))
            raise ValueError(f"thermocouples: logs {logs}: must be one log, for its clock is one")
        for key in ("power_W", "max_ambient_degC", "altitude_m", "max_altitude_m"):
            value = self.conditions.get(key)
            if value is not None and (isinstance(value, bool) or not isinstance(value, int | float)):
                raise ValueError(f"conditions.{key}: {value!r}: must be a number")
            if value is not None and key.endswith("altitude_m") and not LOWEST_M <= float(value) <= HIGHEST_M:
                raise ValueError(f"conditions.{key}: {value:g}: must lie between {LOWEST_M:g} and {HIGHEST_M:g}")
        return self
