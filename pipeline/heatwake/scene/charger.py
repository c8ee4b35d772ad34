"""The sample item: a fan-cooled 24 V battery charger, its lid replaced by clear film."""

from typing import Final, Literal

from heatwake.scene.model import Air, Ambient, Board, Copper, Film, Opening, Part, Scene

FAN_FLOW: Final = 1.3e-3  # [m3/s], 2.8 CFM: a small 40 mm fan against some resistance (common practice, no source)

CLEAR_FILM: Final = Film()
ROOM: Final = Ambient(start=23.4, drift=0.35)

COPPER: Final = (
    Copper(70, 36, 44, 26, conductivity=9.0),
    Copper(132, 74, 38, 30, conductivity=10.0),
    Copper(24, 24, 26, 22, conductivity=8.0),
)

PARTS: Final = (
    Part("BR1", 24, 24, 20, 14, tall=5, power=2.1, capacity=1.5, sheet=0.03, area_factor=3.2, limit=110),
    Part(
        "L1", 46, 74, 24, 24, tall=20, power=2.7, capacity=3.0, sheet=0.08, area_factor=6.0, emissivity=0.92, limit=105
    ),
    Part(
        "Q1", 60, 43, 11, 13, tall=5, power=2.5, capacity=0.6, sheet=0.06, area_factor=4.0, emissivity=0.94, limit=115
    ),
    Part(
        "Q2", 80, 43, 11, 13, tall=5, power=2.0, capacity=0.6, sheet=0.06, area_factor=4.0, emissivity=0.94, limit=115
    ),
    Part("HS1", 70, 31, 38, 10, tall=22, capacity=4.0, sheet=0.25, area_factor=12.0, emissivity=0.90),
    Part(
        "T1", 100, 70, 28, 24, tall=21, power=3.6, capacity=4.5, sheet=0.06, area_factor=6.5, emissivity=0.92, limit=110
    ),
    Part(
        "D1", 124, 71, 11, 12, tall=5, power=2.4, capacity=0.6, sheet=0.06, area_factor=4.0, emissivity=0.94, limit=120
    ),
    Part(
        "D2", 142, 71, 11, 12, tall=5, power=2.2, capacity=0.6, sheet=0.06, area_factor=4.0, emissivity=0.94, limit=120
    ),
    Part("HS2", 133, 83, 36, 10, tall=22, capacity=3.5, sheet=0.25, area_factor=12.0, emissivity=0.45),
    Part(
        "U1", 38, 46, 10, 10, tall=2, power=0.5, capacity=0.2, sheet=0.02, area_factor=1.8, emissivity=0.94, limit=100
    ),
)
"""Bridge rectifier, choke, switches and their heat sink, transformer, output diodes and theirs, control chip.

Losses add up to those of a 24 V, 8 A charger at about 91 % efficiency; sizes are those of such parts (common practice,
no source). Heat sink HS2 has a bare top, all else is painted, moulded or anodised.
"""


def charger(
    *,
    fan: Literal["out", "in", "off"] = "out",
    left_vent: Literal["open", "covered"] = "open",
    top_vent: Literal["open", "covered"] = "open",
    flow: float = FAN_FLOW,
    load: float = 1.0,
    cell: float = 1.0,
    film: Film | None = CLEAR_FILM,
    ambient: Ambient = ROOM,
) -> Scene:
    """Return the charger in one state of a test plan.

    Parameters
    ----------
    fan : {"out", "in", "off"}
        Whether the fan on the right edge draws air out, blows it in or stands.
    left_vent, top_vent : {"open", "covered"}
        The two wide vents; a covered one lets nothing through.
    flow : float
        The fan's volume flow [m3/s].
    load : float
        Factor on all losses.
    cell : float
        Side of a cell [mm]; 2 makes a scene four times quicker.
    film, ambient
        Film over the box, None for an open box; room temperature.

    Examples
    --------
    >>> scene = charger(fan="in", left_vent="covered")
    >>> [opening.name for opening in scene.openings], round(scene.power, 1)
    (['right fan', 'top vent'], 18.0)
    """
    signed = {"out": -flow, "in": flow, "off": 0.0}[fan]
    openings = [Opening("right fan", "fan", (160, 28), (160, 68), flow=signed)]
    if left_vent == "open":
        openings.append(Opening("left vent", "vent", (0, 14), (0, 86)))
    if top_vent == "open":
        openings.append(Opening("top vent", "vent", (46, 100), (108, 100)))
    return Scene(
        board=Board(cell=cell, conductivity=3.0, copper=COPPER),
        parts=PARTS,
        openings=tuple(openings),
        air=Air(),
        film=film,
        ambient=ambient,
    ).scaled(load)
