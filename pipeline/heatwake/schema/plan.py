"""``plan.toml``: a test before it is wired up, from the camera to the order of runs."""

from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Final, Literal, Self

from pydantic import Field, NonNegativeFloat, PositiveFloat, model_validator

from heatwake.schema.session import Board, Camera, Fraction, Frames, Opening, Surface
from heatwake.schema.settings import Celsius, Settings

Level = bool | int | float | str
Name = Annotated[str, Field(min_length=1, max_length=60)]

FAN_LEVELS: Final = ("out", "in", "off")
VENT_LEVELS: Final = ("open", "covered")
MOST_RUNS: Final = 64
INFRARED_UM: Final = (1.0, 30.0)  # of cameras that see things at room temperature
MOST_LEVELS: Final = 8
TAKEN: Final = ("replicate", "block", "film_fitting", "power_W", "max_ambient_degC", "altitude_m", "max_altitude_m")


class PlannedCamera(Camera):
    """The camera that will be used: what its data sheet says, and where it will stand.

    Attributes
    ----------
    pixels : (int, int)
        Columns, rows.
    distance_mm : float
        Lens to the board's middle.
    body_mm : float
        Diameter of what is warm at the camera: lens and housing.
    body_warmer_K : float
        Than the room.
    tilt_deg : float
        Off the square view; by default as much as hides the camera's own image, where that is possible.
    """

    pixels: tuple[Annotated[int, Field(ge=8, le=10000)], Annotated[int, Field(ge=8, le=10000)]]
    pitch_um: PositiveFloat
    focal_mm: PositiveFloat
    f_number: PositiveFloat = 1.0
    distance_mm: PositiveFloat
    frame_rate_Hz: PositiveFloat = 9.0
    body_mm: PositiveFloat = 80.0
    body_warmer_K: NonNegativeFloat = 10.0
    tilt_deg: Annotated[float, Field(ge=0, le=60)] | None = None

    @model_validator(mode="after")
    def _stands_before_the_focus(self) -> Self:
        if self.distance_mm <= 2 * self.focal_mm:
            wanted = f"must be more than twice focal_mm, {2 * self.focal_mm:g}"
            raise ValueError(f"distance_mm: {self.distance_mm:g}: {wanted}")
        if self.response is not None:
            raise ValueError("response: given: must be left out, a plan reckons with band_um")
        if not INFRARED_UM[0] <= self.band_um[0] < self.band_um[1] <= INFRARED_UM[1]:
            wanted = f"must lie between {INFRARED_UM[0]:g} and {INFRARED_UM[1]:g}"
            raise ValueError(f"band_um: {list(self.band_um)}: {wanted}")
        return self


class PlannedBoard(Board):
    """The board; its size has to be known, its place in the picture is not yet."""

    width_mm: PositiveFloat
    height_mm: PositiveFloat

    @model_validator(mode="after")
    def _has_no_place_yet(self) -> Self:
        for key in ("corners_px", "points", "mm_per_px"):
            if getattr(self, key):
                raise ValueError(f"{key}: given: must be left out, there is no picture yet")
        return self


class PlannedFilm(Settings):
    """The film lid: of what, how near, how held.

    Attributes
    ----------
    height_mm : float
        Of the film above the board.
    sides_mm : (float, float)
        Between the lines where it is held; by default the board's size.
    tension_N_m : float
        Per metre of width.
    pressure_Pa : float
        Between inside and room, of either sign.
    refitted : bool
        Whether it is laid on anew for each run.
    """

    material: Literal["polyethylene", "PVC"] = "polyethylene"
    thickness_um: Annotated[float, Field(ge=3, le=60)] = 10.0
    transmittance: Fraction | None = None  # default: that of the material
    reflectance: Annotated[float, Field(ge=0, lt=1)] | None = None
    transmittance_uncertainty: Annotated[float, Field(ge=0, lt=1)] = 0.01
    height_mm: PositiveFloat = 25.0
    sides_mm: tuple[PositiveFloat, PositiveFloat] | None = None
    tension_N_m: PositiveFloat = 20.0
    pressure_Pa: PositiveFloat = 20.0
    refitted: bool = False

    @model_validator(mode="after")
    def _shares_add_up(self) -> Self:
        if (self.transmittance or 0.0) + (self.reflectance or 0.0) > 1:
            raise ValueError(f"reflectance: {self.reflectance:g}: must leave, with transmittance, no more than 1")
        return self


class PlannedAir(Settings):
    """The air inside: how much of it there is, and how it carries heat.

    Attributes
    ----------
    flow_L_s : float
        That the fan moves through the box; without it no exhaust rise is told.
    inner_exchange, outer_exchange : float
        Of the film with the air below and above [W/m2/K].
    vent_resistance_share : float
        Of the box's resistance to flow, what its vents have.
    """

    flow_L_s: PositiveFloat | None = None
    fan_power_W: PositiveFloat | None = None
    inner_exchange: PositiveFloat = 20.0
    outer_exchange: PositiveFloat = 10.0
    vent_resistance_share: Annotated[float, Field(gt=0, lt=1)] = 0.5


class PlannedAmbient(Settings):
    """The room, and the warmest one that the item must bear."""

    degC: Celsius = 23.0
    max_degC: Celsius | None = None


class PlannedPart(Settings):
    """What is expected of a part; place and size only where no placement file has them."""

    name: Name
    x_mm: float | None = None
    y_mm: float | None = None
    width_mm: PositiveFloat | None = None
    height_mm: PositiveFloat | None = None
    tall_mm: NonNegativeFloat | None = None
    rise_K: PositiveFloat | None = None
    power_W: NonNegativeFloat | None = None
    time_constant_s: PositiveFloat | None = None
    heat_capacity_J_K: PositiveFloat | None = None

    @model_validator(mode="after")
    def _place_is_whole(self) -> Self:
        place = {key: getattr(self, key) for key in ("x_mm", "y_mm", "width_mm", "height_mm")}
        lacking = [key for key, value in place.items() if value is None]
        if 0 < len(lacking) < 4:
            raise ValueError(f"{lacking[0]}: missing: must be given with the part's other places and sizes")
        return self


class PlannedFactor(Settings):
    """What is changed on purpose, and what it acts on.

    Attributes
    ----------
    levels : tuple
        The first is what others are compared with.
    opening : str
        The fan (levels "out", "in", "off") or vent (levels "open", "covered") that it acts on.
    acts_on : str
        In place of an opening: levels are factors on all powers, or on the fan's flow.
    expected_K : float
        Difference expected in the part that feels it most, for what the runs can show.
    """

    name: Name
    levels: tuple[Level, ...]
    opening: str | None = None
    acts_on: Literal["load", "fan flow"] | None = None
    expected_K: PositiveFloat | None = None

    @model_validator(mode="after")
    def _levels_make_sense(self) -> Self:
        if not 2 <= len({str(level) for level in self.levels}) == len(self.levels) <= MOST_LEVELS:
            raise ValueError(f"levels: {list(self.levels)}: must be 2 to {MOST_LEVELS} different ones")
        if self.name in TAKEN:
            raise ValueError(f"name: {self.name!r}: must be another, each session states this one of its own")
        if self.opening is not None and self.acts_on is not None:
            raise ValueError("acts_on: given beside opening: must be one of the two")
        if self.acts_on is not None and not all(_is_share(level) for level in self.levels):
            raise ValueError(f"levels: {list(self.levels)}: must be numbers above 0 with acts_on")
        return self


def _is_share(level: Level) -> bool:
    return isinstance(level, int | float) and not isinstance(level, bool) and level > 0


class PlannedRuns(Settings):
    """How many runs, in which order, and what is known of how far runs of one set-up lie apart.

    Attributes
    ----------
    replicates : int
        Runs of each combination in a block.
    blocks : int
        Days, mountings or units: each holds all combinations.
    order : str
        "auto": A-B-B-A for two combinations taken an even number of times, else at random within the block.
    seed : int
        Of the random order.
    smallest_difference_K : float
        That matters.
    power_percent : float
        Half-width within which the power is held.
    repeatability_K, repeatability_freedom : float
        Standard deviation of one run as found in earlier ones, and its degrees of freedom; by default assumed.
    record : Path
        In their place, the laboratory's repeatability record, from the plan's folder: what takes in it tell, and where
        the planned runs will be entered.
    chance : float
        With which the smallest difference is to be found.
    """

    smallest_difference_K: PositiveFloat
    replicates: Annotated[int, Field(ge=1, le=20)] = 2
    blocks: Annotated[int, Field(ge=1, le=20)] = 1
    order: Literal["auto", "random"] = "auto"
    seed: Annotated[int, Field(ge=0, le=2**31)] = 1
    power_percent: NonNegativeFloat = 1.0
    repeatability_K: PositiveFloat | None = None
    repeatability_freedom: PositiveFloat | None = None
    record: Path | None = None
    chance: Annotated[float, Field(ge=0.5, le=0.99)] = 0.8

    @model_validator(mode="after")
    def _repeatability_is_whole(self) -> Self:
        if (self.repeatability_K is None) != (self.repeatability_freedom is None):
            missing = "repeatability_K" if self.repeatability_K is None else "repeatability_freedom"
            raise ValueError(f"{missing}: missing: must be given, the two go together")
        if self.record is not None and self.repeatability_K is not None:
            raise ValueError("record: given beside repeatability_K: must be one of the two")
        return self


class PlannedRecording(Settings):
    """How the frames will be written, and when recording may end.

    Attributes
    ----------
    cold_s : float
        Of the unpowered board before power-on.
    warm_s : float
        Under power; by default until no more than the remainder is to come.
    remainder_K : float
        Of the rise that may be left to come.
    """

    cold_s: Annotated[float, Field(ge=10)] = 60.0
    warm_s: PositiveFloat | None = None
    remainder_K: PositiveFloat = 0.5
    frames: Frames = Frames(source="frames.tif")


class Plan(Settings):
    """One planned test."""

    title: Annotated[str, Field(min_length=1)]
    question: str = ""
    camera: PlannedCamera
    board: PlannedBoard
    film: PlannedFilm | None = None
    air: PlannedAir = PlannedAir()
    ambient: PlannedAmbient = PlannedAmbient()
    surface: Surface = Surface(emissivity=0.93)
    parts: tuple[PlannedPart, ...] = ()
    openings: tuple[Opening, ...] = ()
    factors: tuple[PlannedFactor, ...] = ()
    runs: PlannedRuns
    recording: PlannedRecording = PlannedRecording()
    conditions: dict[str, Level] = Field(default_factory=dict)  # the same in all runs

    @model_validator(mode="after")
    def _names_are_unique(self) -> Self:
        for table in ("parts", "openings", "factors"):
            names = [row.name for row in getattr(self, table)]
            twice = next((name for name in names if names.count(name) > 1), None)
            if twice is not None:
                raise ValueError(f"{table}: {twice!r} given twice: must have unique names")
        both = next((one.name for one in self.factors if one.name in self.conditions), None)
        if both is not None:
            raise ValueError(f"conditions.{both}: given beside a factor of that name: must be left out")
        taken = next((key for key in self.conditions if key in TAKEN[:5]), None)
        if taken is not None:
            raise ValueError(f"conditions.{taken}: given: must be left out, each session states its own")
        return self

    @model_validator(mode="after")
    def _factors_act_on_what_is_there(self) -> Self:
        known = {one.name: one.kind for one in self.openings}
        for number, factor in enumerate(self.factors, start=1):
            where = f"factors[{number}]"
            if factor.opening is None:
                continue
            if factor.opening not in known:
                near = nearest(factor.opening, tuple(known))
                raise ValueError(f"{where}.opening: {factor.opening!r}: {near}")
            words = FAN_LEVELS if known[factor.opening] == "fan" else VENT_LEVELS
            if not set(factor.levels) <= set(words):
                wanted = f"must be of {', '.join(words)} for the {known[factor.opening]} {factor.opening!r}"
                raise ValueError(f"{where}.levels: {list(factor.levels)}: {wanted}")
        return self

    @model_validator(mode="after")
    def _runs_can_be_done(self) -> Self:
        count = self.runs.replicates * self.runs.blocks
        for factor in self.factors:
            count *= len(factor.levels)
        if count > MOST_RUNS:
            raise ValueError(f"runs: {count} runs in all: must be no more than {MOST_RUNS}")
        return self


def nearest(name: str, known: tuple[str, ...]) -> str:
    """Return what a name should have been.

    >>> nearest("rear fn", ("rear fan", "vent")), nearest("x", ("rear fan",)), nearest("x", ())
    ('did you mean rear fan?', 'must be one of rear fan', 'must be given first')
    """
    near = get_close_matches(name, known, n=1, cutoff=0.5)
    if near:
        return f"did you mean {near[0]}?"
    return f"must be one of {', '.join(known)}" if known else "must be given first"
