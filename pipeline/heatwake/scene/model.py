"""What a scene is made of: board, parts, openings, air, film, ambient. Plain frozen records in SI units and mm."""

from dataclasses import dataclass, field, replace
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]
Mask: TypeAlias = NDArray[np.bool_]
Side: TypeAlias = Literal["left", "right", "bottom", "top"]


@dataclass(frozen=True)
class Copper:
    """A rectangle of the board with more copper: centre and size [mm], in-plane conductivity [W m-1 K-1]."""

    x: float
    y: float
    width: float
    height: float
    conductivity: float


@dataclass(frozen=True)
class Part:
    """A part on the board; its body is one sheet with the board under it.

    Parameters
    ----------
    x, y, width, depth : float
        Centre and size of the footprint [mm]; ``depth`` runs along y.
    tall : float
        Height over the board [mm]: what the air has to flow around or over.
    power : float
        Heat once the item is on [W], even over the footprint.
    capacity : float
        Heat capacity of the body [J/K].
    sheet : float
        In-plane conductance of the body, conductivity times thickness [W/K].
    area_factor : float
        Area that the air touches over area of the footprint (1 for a flat chip, more for a finned body).
    emissivity : float
        In-band emissivity of the top.
    limit : float
        Highest temperature that the part may have [degC]; NaN where none is known.
    """

    name: str
    x: float
    y: float
    width: float
    depth: float
    tall: float = 2.0
    power: float = 0.0
    capacity: float = 0.0
    sheet: float = 0.0
    area_factor: float = 1.0
    emissivity: float = 0.93
    limit: float = float("nan")


@dataclass(frozen=True)
class Board:
    """The board: size [mm], conduction, capacity, what its surface looks like in the infrared.

    Parameters
    ----------
    cell : float
        Side of a finite-volume cell [mm].
    conductivity : float
        In-plane, where no copper rectangle lies [W m-1 K-1].
    heat_capacity : float
        Volumetric [J m-3 K-1]; 1.8e6 is glass-epoxy laminate (common practice, no source).
    back_loss : float
        From the back to ambient [W m-2 K-1].
    texture : float
        Standard deviation of the emissivity of solder mask [1].
    patchiness : float
        Standard deviation of the logarithm of the conductivity, by copper here and there; 0 for none.
    patch_size : float
        Correlation length of that copper [mm].
    marks : int
        Number of printed marks and tinned pads scattered over the board; each part also has a printed outline.
    """

    width: float = 160.0
    height: float = 100.0
    cell: float = 1.0
    thickness: float = 1.6
    conductivity: float = 3.0
    copper: tuple[Copper, ...] = ()
    heat_capacity: float = 1.8e6
    back_loss: float = 5.0
    emissivity: float = 0.93
    texture: float = 0.006
    marks: int = 60
    texture_seed: int = 11
    patchiness: float = 0.0
    patch_size: float = 10.0

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of cells."""
        return round(self.height / self.cell), round(self.width / self.cell)

    @property
    def x(self) -> Array:
        """Cell centres to the right [mm]."""
        return np.asarray((np.arange(self.shape[1]) + 0.5) * self.cell, dtype=np.float64)

    @property
    def y(self) -> Array:
        """Cell centres up [mm]; decreasing, row 0 is the top."""
        return np.asarray(self.height - (np.arange(self.shape[0]) + 0.5) * self.cell, dtype=np.float64)

    def inside(self, box: Part | Copper) -> Mask:
        """Return the (rows, columns) mask of cells whose centre lies in a footprint."""
        depth = box.depth if isinstance(box, Part) else box.height
        across = np.abs(self.x - box.x) < box.width / 2
        along = np.abs(self.y - box.y) < depth / 2
        return along[:, None] & across[None, :]


@dataclass(frozen=True)
class Opening:
    """A fan or vent on the edge of the board: ends [mm]; ``flow`` [m3/s] into the box, fans only."""

    name: str
    kind: Literal["fan", "vent"]
    start: tuple[float, float]
    end: tuple[float, float]
    flow: float = 0.0

    def side(self, board: Board) -> Side:
        """Return the edge that the opening lies on.

        Raises
        ------
        ValueError
            If the two ends do not lie on one edge.
        """
        (x0, y0), (x1, y1) = self.start, self.end
        edges: dict[Side, bool] = {
            "left": x0 == x1 == 0,
            "right": x0 == x1 == board.width,
            "bottom": y0 == y1 == 0,
            "top": y0 == y1 == board.height,
        }
        for name, holds in edges.items():
            if holds:
                return name
        raise ValueError(f"opening {self.name}: {self.start} to {self.end} does not lie on an edge of the board")

    def cells(self, board: Board) -> Mask:
        """Return which cells along the edge the opening takes, in array order (rows down, columns right)."""
        axis = 1 if self.side(board) in ("left", "right") else 0
        low, high = sorted((self.start[axis], self.end[axis]))
        centres = board.y if axis == 1 else board.x
        return (centres > low) & (centres < high)


@dataclass(frozen=True)
class Air:
    """The air between board and film.

    Parameters
    ----------
    channel : float
        Height [mm].
    density, heat_capacity : float
        [kg m-3] and [J kg-1 K-1]; 1.19 and 1007 at 24 degC and 1 atm (Cengel's property table).
    still_exchange, moving_exchange : float
        Heat exchange with the surface [W m-2 K-1]: still + moving * sqrt(speed / 1 m/s), laminar plate's power.
    mixing : float
        Eddy diffusivity [m2/s].
    jet : float
        How much easier air goes along the axis of a blowing fan; 0 for pure potential flow.
    momentum : bool
        Whether the air keeps its momentum (`momentum.solve_momentum`: jets, recirculation); ``jet`` is then not used.
    eddy : float
        Eddy viscosity of that flow over fan speed times width; see `momentum.jet_viscosity`.
    friction : float
        Friction factor of board and lid (Fanning); 0.01 is turbulent air in a narrow duct (Moody's chart).
    swirl : float
        How far a blown jet leaves to one side of the fan's axis [degree]: near the board, a fan's swirl goes one way.
    wall_layer : float
        Height of a layer of slower air next to the board [mm]; 0 for none.
    wall_speed : float
        Speed of that layer over the mean.
    wall_exchange : float
        Heat exchange between that layer and the core above [W m-2 K-1].
    """

    channel: float = 25.0
    density: float = 1.19
    heat_capacity: float = 1007.0
    still_exchange: float = 5.0
    moving_exchange: float = 45.0
    mixing: float = 2.0e-4
    jet: float = 1.5
    momentum: bool = False
    eddy: float = 0.015
    friction: float = 0.01
    swirl: float = 0.0
    wall_layer: float = 0.0
    wall_speed: float = 0.6
    wall_exchange: float = 30.0

    @property
    def wall_flow(self) -> float:
        """Share of the flow that goes in the layer next to the board."""
        return self.wall_speed * self.wall_layer / self.channel


@dataclass(frozen=True)
class Film:
    """The clear film over the box: optics in the band [1] and its exchange with air and room [W m-2 K-1]."""

    transmittance: float = 0.89
    absorptance: float = 0.03
    reflectance: float = 0.08
    inner_exchange: float = 8.0
    outer_exchange: float = 8.0

    def __post_init__(self) -> None:
        """Refuse optics that do not add up.

        Raises
        ------
        ValueError
            If the three shares do not add up to one.
        """
        total = self.transmittance + self.absorptance + self.reflectance
        if not np.isclose(total, 1.0):
            raise ValueError(f"film: transmittance + absorptance + reflectance is {total:.4f}, must be 1")

    @property
    def exchange(self) -> float:
        """Air to room through the film [W m-2 K-1]."""
        return 1.0 / (1.0 / self.inner_exchange + 1.0 / self.outer_exchange)

    @property
    def air_share(self) -> float:
        """Where the film's temperature lies between room (0) and air (1)."""
        return self.inner_exchange / (self.inner_exchange + self.outer_exchange)


@dataclass(frozen=True)
class Ambient:
    """Room temperature [degC]: starts at ``start``, creeps by ``drift`` [K] with time constant ``settle`` [s]."""

    start: float = 23.5
    drift: float = 0.0
    settle: float = 250.0

    def at(self, elapsed: Array | float) -> Array:
        """Return the room temperature [degC] at times [s]."""
        return np.asarray(self.start + self.drift * (1.0 - np.exp(-np.asarray(elapsed, dtype=float) / self.settle)))


@dataclass(frozen=True)
class Scene:
    """Everything that decides the true temperatures.

    Parameters
    ----------
    film : Film or None
        None: an open box; the air then loses no heat upwards.
    radiation : float
        Surface to room through the film, as a linear exchange [W m-2 K-1].
    power_on, power_off : float
        When the parts' power comes and goes [s].
    bench_offset : float
        How much warmer than the room the bench around the board is [K].
    mirrored_offset : float
        How much warmer than the room the surroundings are that board, bench and film mirror [K]. Above 0 a print of low
        emissivity looks warm on a cold board and cool on a hot one: its contrast changes sign as the board warms up.
    """

    board: Board = field(default_factory=Board)
    parts: tuple[Part, ...] = ()
    openings: tuple[Opening, ...] = ()
    air: Air = field(default_factory=Air)
    film: Film | None = field(default_factory=Film)
    ambient: Ambient = field(default_factory=Ambient)
    radiation: float = 5.0
    power_on: float = 10.0
    power_off: float = float("inf")
    bench_offset: float = -0.8
    mirrored_offset: float = 0.0

    @property
    def power(self) -> float:
        """Total power of the parts [W]."""
        return sum(part.power for part in self.parts)

    def scaled(self, factor: float) -> "Scene":
        """Return the scene with every part's power multiplied."""
        return replace(self, parts=tuple(replace(part, power=part.power * factor) for part in self.parts))

    def with_fan(self, state: Literal["out", "in", "off"]) -> "Scene":
        """Return the scene with every fan drawing out, blowing in (at the same flow) or standing.

        A fan that stands already keeps no flow to turn round: start from one that runs.
        """
        sign = {"out": -1.0, "in": 1.0, "off": 0.0}[state]
        return replace(self, openings=tuple(replace(one, flow=sign * abs(one.flow)) for one in self.openings))

    def without(self, name: str) -> "Scene":
        """Return the scene with one opening covered.

        Raises
        ------
        ValueError
            If no opening has that name.
        """
        left = tuple(one for one in self.openings if one.name != name)
        if len(left) == len(self.openings):
            raise ValueError(f"no opening is named {name}; there are {', '.join(one.name for one in self.openings)}")
        return replace(self, openings=left)

    def mirrored(self) -> "Scene":
        """Return the scene flipped left to right (the printed texture is not flipped)."""
        width = self.board.width
        copper = tuple(replace(area, x=width - area.x) for area in self.board.copper)
        openings = tuple(
            replace(one, start=(width - one.start[0], one.start[1]), end=(width - one.end[0], one.end[1]))
            for one in self.openings
        )
        return replace(
            self,
            board=replace(self.board, copper=copper),
            parts=tuple(replace(part, x=width - part.x) for part in self.parts),
            openings=openings,
        )
