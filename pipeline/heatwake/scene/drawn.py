"""Items drawn at random, to learn how often an analysis is right: other boards than the one it was tuned on."""

from dataclasses import replace
from typing import Final

import numpy as np

from heatwake.scene.model import Air, Board, Copper, Film, Opening, Part, Scene, Side

TRIES: Final = 400
GAP: Final = 3.0  # [mm] between footprints


def draw_item(
    rng: np.random.Generator, *, parts: int = 7, conductivity: float = 3.0, jet: float = 1.5, cell: float = 1.0
) -> Scene:
    """Return a fan-cooled item drawn at random, its fan drawing air out (``with_fan`` turns it).

    Parameters
    ----------
    rng : numpy.random.Generator
        Decides size, parts, powers, copper, openings and flow.
    parts : int
        Number of heated parts; fewer where the board has no room.
    conductivity : float
        In-plane, of the board between copper areas [W m-1 K-1].
    jet : float
        How much a blowing fan makes a jet; 0 for potential flow.
    cell : float
        Side of a cell [mm].

    Examples
    --------
    >>> scene = draw_item(np.random.default_rng(3), cell=2.0)
    >>> [opening.kind for opening in scene.openings][:2]
    ['fan', 'vent']
    """
    width, height = float(rng.integers(60, 86) * 2), float(rng.integers(40, 56) * 2)
    placed = _place_parts(rng, parts, width, height)
    copper = tuple(
        Copper(part.x, part.y, 2 * part.width, 2 * part.depth, conductivity=conductivity * rng.uniform(2, 4))
        for part in placed[::3]
    )
    seed = int(rng.integers(2**31))
    board = Board(width=width, height=height, cell=cell, conductivity=conductivity, copper=copper, texture_seed=seed)
    return Scene(board=board, parts=placed, openings=_place_openings(rng, board), air=Air(jet=jet))


def draw_board(number: int, *, cell: float = 2.0) -> Scene:
    """Return one of many varied boards whose surface tells as little of the air as real ones do; fan drawing out.

    Momentum flow with jets and dead corners, slower air next to the board, copper here and there on a board that
    conducts little or well (2.5 or 14 W/m/K by turns); thickness, channel, film and losses vary.

    Parameters
    ----------
    number : int
        Which board; equal numbers give equal boards.
    cell : float
        Side of a cell [mm].

    Examples
    --------
    >>> [draw_board(number).board.conductivity for number in range(3)]
    [2.5, 14.0, 2.5]
    """
    rng = np.random.default_rng([number, 20])
    item = draw_item(rng, parts=int(rng.integers(5, 10)), conductivity=(2.5, 14.0)[number % 2], cell=cell)
    board = replace(
        item.board,
        thickness=float(rng.choice([1.0, 1.6, 1.6, 2.0])),
        back_loss=float(rng.uniform(3.0, 8.0)),
        patchiness=float(rng.uniform(0.2, 0.5)),
        patch_size=float(rng.uniform(6.0, 14.0)),
    )
    channel = float(rng.uniform(18.0, 30.0))
    air = replace(
        item.air,
        channel=channel,
        still_exchange=float(rng.uniform(4.0, 7.0)),
        moving_exchange=float(rng.uniform(30.0, 50.0)),
        momentum=True,
        swirl=float(rng.uniform(-15.0, 15.0)),
        wall_layer=3.5,
    )
    film = Film(inner_exchange=float(rng.uniform(6.0, 10.0)), outer_exchange=float(rng.uniform(6.0, 10.0)))
    parts = tuple(replace(part, tall=min(part.tall, 0.9 * channel)) for part in item.parts)
    return replace(item, board=board, parts=parts, air=air, film=film)


def _place_parts(rng: np.random.Generator, count: int, width: float, height: float) -> tuple[Part, ...]:
    """Return parts that do not overlap; heat grows with the footprint so that rises stay alike."""
    placed: list[Part] = []
    for _ in range(TRIES):
        if len(placed) == count:
            break
        long, deep = rng.uniform(8, 26, 2).round()
        part = Part(
            f"P{len(placed) + 1}",
            round(float(rng.uniform(long / 2 + 4, width - long / 2 - 4))),
            round(float(rng.uniform(deep / 2 + 4, height - deep / 2 - 4))),
            float(long),
            float(deep),
            tall=float(rng.uniform(2, 20)),
            power=float(rng.uniform(0.6, 1.6) * (long * deep / 150) ** 0.5 * 1.4),
            capacity=float(long * deep * rng.uniform(0.005, 0.012)),
            sheet=float(rng.uniform(0.02, 0.1)),
            area_factor=float(rng.uniform(2, 5)),
            emissivity=float(rng.uniform(0.90, 0.95)),
        )
        if not any(_touch(part, other) for other in placed):
            placed.append(part)
    return tuple(placed)


def _touch(first: Part, second: Part) -> bool:
    across = abs(first.x - second.x) < (first.width + second.width) / 2 + GAP
    return across and abs(first.y - second.y) < (first.depth + second.depth) / 2 + GAP


def _place_openings(rng: np.random.Generator, board: Board) -> tuple[Opening, ...]:
    """Return a fan on one edge and a wide vent on one or two others, one of them opposite."""
    sides: list[Side] = ["left", "top", "right", "bottom"]
    first = int(rng.integers(4))
    opposite, beside = sides[(first + 2) % 4], sides[(first + (1 if rng.random() < 0.5 else 3)) % 4]
    flow = float(rng.uniform(0.8e-3, 1.8e-3))
    openings = [
        _opening(rng, board, sides[first], share=0.4, kind_flow=-flow),
        _opening(rng, board, opposite, share=0.6),
    ]
    if rng.random() < 0.6:
        openings.append(_opening(rng, board, beside, share=0.5))
    return tuple(openings)


def _opening(rng: np.random.Generator, board: Board, side: Side, *, share: float, kind_flow: float = 0.0) -> Opening:
    """Return an opening that takes a share of an edge at a random place; a fan where it has a flow."""
    upright = side in ("left", "right")
    edge = board.height if upright else board.width
    start = round(float(rng.uniform(0, 1 - share)) * edge)
    end = start + round(share * edge)
    fixed = {"left": 0.0, "right": board.width, "bottom": 0.0, "top": board.height}[side]
    ends = [(fixed, float(place)) if upright else (float(place), fixed) for place in (start, end)]
    kind: Final = "fan" if kind_flow else "vent"
    return Opening(f"{side} {kind}", kind, ends[0], ends[1], flow=kind_flow)
