"""Simple boards with closed-form answers."""

from dataclasses import replace

from heatwake.scene import Air, Ambient, Board, Film, Opening, Part, Scene

BARE = Board(width=80, height=40, cell=2.0, conductivity=3.0, marks=0, texture=0.0)
THROUGH = (
    Opening("fan", "fan", (80, 0), (80, 40), flow=-1.0e-3),
    Opening("vent", "vent", (0, 0), (0, 40)),
)


def channel(*, power: float = 5.0, openings: tuple[Opening, ...] = THROUGH, **changes: object) -> Scene:
    """Return a bare board heated all over, air straight through it from left to right."""
    whole = Part("all", 40, 20, 80, 40, tall=0.0, power=power)
    scene = Scene(
        board=BARE,
        parts=(whole,),
        openings=openings,
        air=Air(jet=0.0),
        film=None,
        ambient=Ambient(start=20.0),
        power_on=0.0,
    )
    return replace(scene, **changes)


def adiabatic(scene: Scene) -> Scene:
    """Return the scene with no way out for heat but the air."""
    return replace(scene, film=None, radiation=0.0, board=replace(scene.board, back_loss=0.0))


def sealed(film: Film | None = None) -> Scene:
    """Return a board in still air that it does not touch: it loses heat by radiation and at the back alone."""
    return channel(openings=(), air=Air(still_exchange=0.0, moving_exchange=0.0), film=film or Film())
