"""Scenes with known truth: a board, its parts, the air over it, a film and a camera.

Plan a test with it (how long until steady, can the camera tell the two states apart), or take a truth to judge an
analysis by. Nothing here is shared with the analysis.

Examples
--------
>>> import numpy as np
>>> from heatwake.scene import Camera, Handling, charger, record, simulate
>>> truth = simulate(charger(fan="out", cell=2.0), np.arange(0.0, 40.0, 5.0))
>>> truth["temperature_rise"].dims
('time', 'y', 'x')
>>> recording = record(truth, Camera(), Handling(), rng=np.random.default_rng(1))
>>> next(recording.frames()).shape
(120, 160)
"""

from heatwake.scene.camera import Camera
from heatwake.scene.charger import charger
from heatwake.scene.drawn import draw_board, draw_item
from heatwake.scene.faults import (
    Bulge,
    Clipping,
    Crease,
    Fault,
    FewLevels,
    FilmTouch,
    MovingReflection,
    OffsetDrift,
    Overlay,
    OwnReflection,
    RangeJump,
    exhaust_log,
)
from heatwake.scene.model import Air, Ambient, Board, Copper, Film, Opening, Part, Scene
from heatwake.scene.recording import Bump, Hand, Handling, Recording, Shake, Shutter, record
from heatwake.scene.session_files import FilmPair, click_corners, write_frames, write_parts, write_session
from heatwake.scene.truth import settle, simulate, uncovered

__all__ = [
    "Air",
    "Ambient",
    "Board",
    "Bulge",
    "Bump",
    "Camera",
    "Clipping",
    "Copper",
    "Crease",
    "Fault",
    "FewLevels",
    "Film",
    "FilmPair",
    "FilmTouch",
    "Hand",
    "Handling",
    "MovingReflection",
    "OffsetDrift",
    "Opening",
    "Overlay",
    "OwnReflection",
    "Part",
    "RangeJump",
    "Recording",
    "Scene",
    "Shake",
    "Shutter",
    "charger",
    "click_corners",
    "draw_board",
    "draw_item",
    "exhaust_log",
    "record",
    "settle",
    "simulate",
    "uncovered",
    "write_frames",
    "write_parts",
    "write_session",
]
