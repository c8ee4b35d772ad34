"""A recorded scene written as a session folder: frames, times, ambient log, parts, ``session.toml``."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd
import tifffile

from heatwake.scene.camera import Camera
from heatwake.scene.model import Array, Opening, Scene
from heatwake.scene.recording import Recording

Compression = Literal["zlib", "jpeg2000"]


@dataclass(frozen=True)
class FilmPair:
    """Two short recordings of one hot scene, paths relative to the session: film off, film on."""

    bare: str
    covered: str


def write_session(
    folder: Path,
    scene: Scene,
    *,
    recording: Recording,
    title: str,
    corners: Array,
    conditions: Mapping[str, str | float],
    film_pair: FilmPair | None = None,
    parts: str = "parts.csv",
    compression: Compression = "zlib",
    logged: Array | None = None,
) -> None:
    """Write one session folder, made if need be.

    Parameters
    ----------
    folder : Path
        Where ``frames.tif``, ``times.csv``, ``ambient.csv`` and ``session.toml`` go.
    scene, recording
        What was recorded. Only what a user would know goes into the files: no true temperature, no event but power-on.
    corners : (4, 2) array
        Board corners as clicked, (column, row) [px]; see ``click_corners``.
    film_pair : FilmPair, optional
        None writes the film's true transmittance.
    parts : str
        Path of the placement file, relative to the session.
    compression : {"zlib", "jpeg2000"}
        Both lossless; the second is a third smaller and read by fewer programs.
    logged : (frame,) array, optional
        What the ambient's sensor read [degC]; by default the true ambient.
    """
    folder.mkdir(parents=True, exist_ok=True)
    write_frames(folder / "frames.tif", recording, compression=compression)
    elapsed = recording.about["elapsed"].values
    pd.DataFrame({"time": elapsed}).to_csv(folder / "times.csv", index=False, float_format="%.3f")
    at = np.append(np.arange(elapsed[0], elapsed[-1], 10.0), elapsed[-1])
    read = scene.ambient.at(at) if logged is None else np.interp(at, elapsed, logged)
    log = pd.DataFrame({"elapsed_s": at, "ambient_degC": read})
    log.to_csv(folder / "ambient.csv", index=False, float_format="%.2f")
    text = session_text(
        scene,
        recording.camera,
        title=title,
        corners=corners,
        conditions=conditions,
        film_pair=film_pair,
        parts=parts,
    )
    (folder / "session.toml").write_text(text, encoding="utf-8")


def write_frames(path: Path, recording: Recording, *, compression: Compression = "zlib") -> None:
    """Write a recording's frames as a TIFF stack of uint16, one page a frame."""
    path.parent.mkdir(parents=True, exist_ok=True)
    camera = recording.camera
    count = recording.about.sizes["frame"]
    tifffile.imwrite(
        path,
        recording.frames(),
        shape=(count, camera.rows, camera.columns),
        dtype=np.uint16,
        photometric="minisblack",
        metadata=None,
        compression=compression,
        predictor=compression == "zlib",
        compressionargs={"level": 9} if compression == "zlib" else {"level": 0, "reversible": True},
    )


def write_parts(path: Path, scene: Scene) -> None:
    """Write the placement file."""
    path.parent.mkdir(parents=True, exist_ok=True)
    names = ["name", "x_mm", "y_mm", "width_mm", "height_mm", "emissivity", "limit_degC"]
    rows = [(one.name, one.x, one.y, one.width, one.depth, one.emissivity, one.limit) for one in scene.parts]
    pd.DataFrame(rows, columns=names).to_csv(path, index=False, float_format="%g")


def click_corners(recording: Recording, *, error: float, rng: np.random.Generator) -> Array:
    """Return the board's corners in the first frame as a person clicks them.

    Parameters
    ----------
    error : float
        Standard deviation of a click along each axis [px].

    Returns
    -------
    (4, 2) array
        (column, row) [px], to a tenth: top-left, top-right, bottom-right, bottom-left.
    """
    return np.asarray(np.round(recording.corners + error * rng.standard_normal((4, 2)), 1))


def session_text(
    scene: Scene,
    camera: Camera,
    *,
    title: str,
    corners: Array,
    conditions: Mapping[str, str | float],
    film_pair: FilmPair | None,
    parts: str,
) -> str:
    """Return the text of ``session.toml``."""
    board = scene.board
    tables = [
        _table("", {"title": title}),
        _table(
            "[frames]",
            {
                "source": "frames.tif",
                "unit": "degC",
                "scale": camera.scale,
                "offset": camera.zero,
                "timestamps": "times.csv",
            },
        ),
        _table(
            "[camera]",
            {
                "band_um": [camera.band_low, camera.band_high],
                "emissivity_setting": 1.0,
                "netd_mK": round(camera.noise * 1e3, 3),
                "accuracy_K": 2.0,
                "accuracy_percent": 2.0,
            },
        ),
        _film_table(scene, film_pair),
        _table("[ambient]", {"log": "ambient.csv"}),
        _table("[surface]", {"emissivity": board.emissivity}),
        _table(
            "[board]",
            {
                "width_mm": board.width,
                "height_mm": board.height,
                "corners_px": corners.tolist(),
                "thickness_mm": board.thickness,
                "channel_mm": scene.air.channel,
                "parts": parts,
            },
        ),
        *(_opening_table(opening) for opening in scene.openings),
        _table("[[events]]", {"elapsed_s": scene.power_on, "label": "power on"}),
        _table("[conditions]", conditions),
    ]
    return "\n".join(table for table in tables if table)


def _film_table(scene: Scene, pair: FilmPair | None) -> str:
    if scene.film is None:
        return ""
    if pair is None:
        return _table("[film]", {"transmittance": scene.film.transmittance, "reflectance": scene.film.reflectance})
    return _table("[film]", {"bare": pair.bare, "covered": pair.covered, "reflectance": scene.film.reflectance})


def _opening_table(opening: Opening) -> str:
    return _table(
        "[[openings]]",
        {
            "name": opening.name,
            "kind": opening.kind,
            "from_mm": list(opening.start),
            "to_mm": list(opening.end),
        },
    )


def _table(head: str, entries: Mapping[str, object]) -> str:
    lines = [head] if head else []
    lines += [f"{key} = {_value(value)}" for key, value in entries.items()]
    return "\n".join(lines) + "\n"


def _value(value: object) -> str:
    """Return a TOML value: text, number or nested list of numbers."""
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, Iterable):
        return "[" + ", ".join(_value(one) for one in value) + "]"
    return repr(value)
