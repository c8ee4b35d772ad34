"""From a session's folder to the dataset that travels through the stages."""

import hashlib
from dataclasses import dataclass
from functools import cached_property
from glob import glob
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from heatwake.errors import InputError
from heatwake.kernels.planck import response_ends
from heatwake.schema.session import Film, Frames, Point, Region, Session
from heatwake.schema.surfaces import resolve_emissivity
from heatwake.schema.validate import validate
from heatwake.schema.variables import FILM_MODEL, OPENING_KIND, label
from heatwake.stages.board_place import require_plausible
from heatwake.store.calibration import Calibration, open_calibration
from heatwake.store.colour_limits import limits_file, on_scale
from heatwake.store.frame_arrays import frame_arrays, lazy_temperature
from heatwake.store.frame_times import frame_times
from heatwake.store.frames import Recording, open_recording
from heatwake.store.tables import read_ambient, read_parts, read_response, read_thermocouples
from heatwake.store.toml import read_toml
from heatwake.store.within import require_within

PLACE_KEYS: Final = ("corners_px", "points", "mm_per_px")  # of the board in the picture
UNKNOWN_CLOCK: Final = pd.Timestamp("1970-01-01")
NAMED_VARIABLES: Final = (".npz", ".nc", ".nc4", ".cdf", ".h5", ".hdf5", ".zarr")


@dataclass(frozen=True)
class OpenSession:
    """A session as read.

    Attributes
    ----------
    name : str
        The folder's name.
    description : Session
        The session file.
    dataset : Dataset
        Frames (lazy) and everything that stages need of the description.
    files : dict of str to list of Path
        Input files, by their name as the session file gives it.
    """

    name: str
    description: Session
    dataset: xr.Dataset
    files: dict[str, list[Path]]

    @cached_property
    def digests(self) -> dict[str, str]:
        """SHA-256 of each input, by its name as the session file gives it; read when first asked for."""
        return {name: _digest(paths) for name, paths in self.files.items()}


def find_sessions(place: Path) -> list[Path]:
    """Return the folders that a pattern matches; without signs of a pattern the place itself, there or not."""
    if not any(sign in str(place) for sign in "*?["):
        return [place]
    return sorted(path for path in map(Path, glob(str(place))) if path.is_dir())


def open_session(folder: Path, *, with_corners: bool = True) -> OpenSession:
    """Read ``session.toml`` and open what it names.

    Parameters
    ----------
    folder : Path
    with_corners : bool
        False: what the file says of the board's place in the picture is left out, and may be wrong.

    Raises
    ------
    InputError
        Something that it says, or a file that it names, is wrong.
    """
    file = folder / "session.toml"
    content = read_toml(file)
    if not with_corners and isinstance(content.get("board"), dict):
        content["board"] = {key: value for key, value in content["board"].items() if key not in PLACE_KEYS}
    description = validate(Session, content, file=str(file))
    try:
        return _open(folder, description)
    except InputError as error:
        where = error.where if error.where.startswith(str(file)) else f"{file}: {error.where}"
        raise InputError(where, error.found, error.wanted) from error


def open_description(folder: Path) -> tuple[Session, xr.Dataset]:
    """Return what the session file and its parts file say, as description and as dataset, without the recording.

    Raises
    ------
    InputError
        Something that it says is wrong.
    """
    file = folder / "session.toml"
    description = validate(Session, read_toml(file), file=str(file))
    return description, label(xr.Dataset(_described(description, folder), attrs={"title": description.title}))


def _described(description: Session, folder: Path) -> dict[str, Any]:
    placed = _scalars(description) | _response(description, folder=folder) | _corners(description)
    placed |= _points(description)
    placed |= _parts(description, folder=folder)
    return placed | _openings(description) | _events(description)


def _open(folder: Path, description: Session) -> OpenSession:
    frames = description.frames
    _require_files_within(description, folder)
    recording = open_recording(
        frames.source, folder=folder, key="frames.source", variable=frames.variable, palette=description.palette
    )
    _require_corners_near(description.board.corners_px, rows=recording.shape[1], columns=recording.shape[2])
    elapsed, clock = frame_times(frames, recording=recording, folder=folder)
    _require_unit(frames, recording)
    off_scale: dict[str, Any] = {"scale_uncertainty": ((), 0.0)}
    if description.palette is not None:
        recording, span = on_scale(recording, description.palette, elapsed=elapsed, folder=folder)
        off_scale = _off_scale(recording, span)
    files = {"frames": list(recording.files)}
    calibration = open_calibration(frames, description.camera, folder=folder)
    if calibration is not None:
        calibration.tell_outside(recording, frames)
    dataset = xr.Dataset(
        frame_arrays(recording, frames, calibration=calibration),
        coords={
            "elapsed": ("frame", elapsed, {"units": "s", "long_name": "time since the first frame"}),
            "time": ("frame", _datetimes(elapsed, clock), {"standard_name": "time", "comment": _clock_comment(clock)}),
        },
        attrs={"title": description.title},
    )
    dataset = dataset.assign(
        _described(description, folder) | _lens(description, rows=recording.shape[1], columns=recording.shape[2])
    )
    require_plausible(dataset, shape=(recording.shape[1], recording.shape[2]), warn=False)
    dataset = dataset.assign(off_scale)
    dataset["frame_ambient"] = ("frame", _ambient(description, elapsed, folder=folder, clock=clock))
    dataset = dataset.assign(_thermocouples(description, folder=folder, clock=clock))
    if description.film is not None and description.film.bare is not None:
        pair, pair_files = _pair(description.film, frames, folder=folder, like=recording, calibration=calibration)
        dataset, files = dataset.assign(pair), files | pair_files
    return OpenSession(folder.resolve().name, description, label(dataset), files | _other_files(description, folder))


def _off_scale(recording: Recording, span: float) -> dict[str, Any]:
    """Return how well readings off a colour scale of a span [K] are known, all together and place by place."""
    made: dict[str, Any] = {"scale_uncertainty": ((), recording.scale_error * span)}
    if recording.scale_errors is not None:
        made["reading_uncertainty"] = (("row", "column"), (recording.scale_errors * span).astype(np.float32))
    if recording.scale_distance is not None:
        made["colour_distance"] = (("row", "column"), recording.scale_distance)
    return made


def _require_unit(frames: Frames, recording: Recording) -> None:
    """Refuse a unit that the file itself contradicts, of values that are not scaled."""
    as_stored = frames.scale == 1.0 and frames.offset == 0.0
    if recording.unit and as_stored and frames.unit != recording.unit:
        raise InputError(
            "frames.unit", repr(frames.unit), f"must be {recording.unit!r}, as the variable's own units say"
        )


def _require_corners_near(corners: tuple[Point, ...] | None, *, rows: int, columns: int) -> None:
    """Refuse corners more than a picture's size beside the picture: the board's grid would grow beyond memory."""
    for column, row in corners or ():
        if not (-columns <= column <= 2 * columns and -rows <= row <= 2 * rows):
            wanted = f"must lie on or near the picture of {columns}x{rows} pixels"
            raise InputError("board.corners_px", f"[{column:g}, {row:g}]", wanted)


def _datetimes(elapsed: npt.NDArray[np.float64], clock: pd.Timestamp | None) -> npt.NDArray[np.datetime64]:
    start = UNKNOWN_CLOCK if clock is None else clock.tz_localize(None)
    return (start.to_datetime64() + (elapsed * 1e9).round().astype("timedelta64[ns]")).astype("datetime64[ns]")


def _clock_comment(clock: pd.Timestamp | None) -> str:
    return "UTC" if clock is not None else "clock not known: counted from 1970-01-01"


def _nan(value: float | None) -> float:
    return np.nan if value is None else float(value)


def _scalars(session: Session) -> dict[str, Any]:
    camera, film, surface, board = session.camera, session.film, session.surface, session.board
    conditions = {key: value for key, value in session.conditions.items() if not isinstance(value, str)}
    values = {
        "band_low": camera.band_um[0],
        "band_high": camera.band_um[1],
        "emissivity_setting": camera.emissivity_setting,
        "reflected_setting": camera.reflected_setting_degC,
        "netd": camera.netd_mK,
        "accuracy": camera.accuracy_K,
        "accuracy_percent": camera.accuracy_percent,
        "film_transmittance_given": _nan(film.transmittance if film else None),
        "film_reflectance_given": _nan(film.reflectance if film else None),
        "film_temperature_given": np.nan,
        "air_transmittance": session.air.transmittance,
        "air_temperature": _nan(session.air.temperature_degC),
        "surface_emissivity": resolve_emissivity(surface.emissivity)[0],
        "surface_emissivity_uncertainty": _spread(surface.emissivity, surface.emissivity_uncertainty),
        "surface_reflected": _nan(surface.reflected_degC),
        "board_width": _nan(board.width_mm),
        "board_height": _nan(board.height_mm),
        "board_scale": _nan(board.mm_per_px),
        "board_thickness": _nan(board.thickness_mm),
        "board_conductivity": _nan(board.conductivity_W_mK),
        "channel_height": _nan(board.channel_mm),
        "power": _nan(conditions.get("power_W")),
        "max_ambient": _nan(conditions.get("max_ambient_degC")),
        "altitude": _nan(conditions.get("altitude_m")),
        "max_altitude": _nan(conditions.get("max_altitude_m")),
    }
    scalars: dict[str, Any] = {name: ((), value) for name, value in values.items()}
    scalars["film_present"] = ((), np.int8(film is not None))
    scalars["mirrors_board"] = ((), np.int8(film is not None and film.mirrors_board))
    return scalars | _film(film)


def _film(film: Film | None) -> dict[str, Any]:
    """Return where the film's temperature comes from, and what its transmittance may be measured from."""
    if film is None:
        return {}
    told = film.temperature_degC
    model = told if isinstance(told, str) else "given"
    made: dict[str, Any] = {
        "film_temperature_model": ((), np.int8(FILM_MODEL.index(model))),
        "film_temperature_given": ((), np.nan if isinstance(told, str) else told),
        "pair_interval": ((), _nan(film.interval_s)),
    }
    for name, key in (("bare", "bare_degC"), ("covered", "covered_degC"), ("uncertainty", "uncertainty_K")):
        if film.references:
            values = np.array([getattr(one, key) for one in film.references])
            made[f"reference_{name}"] = ("film_reference", values)
    return made


def _response(session: Session, *, folder: Path) -> dict[str, Any]:
    """Return the camera's spectral response, and the ends of the band from it."""
    if session.camera.response is None:
        return {}
    wavelengths, response = read_response(folder / session.camera.response)
    low, high = response_ends(wavelengths, response)
    return {
        "response_wavelength": ("response_sample", wavelengths),
        "response_value": ("response_sample", response),
        "band_low": ((), low),
        "band_high": ((), high),
    }


def _corners(session: Session) -> dict[str, Any]:
    corners = session.board.corners_px
    if corners is None:
        return {}
    columns, rows = np.asarray(corners, dtype=float).T
    return {"corner_column": ("corner", columns), "corner_row": ("corner", rows)}


def _points(session: Session) -> dict[str, Any]:
    points = session.board.points
    if not points:
        return {}
    columns, rows = np.array([point.px for point in points]).T
    return {
        "point_column": ("point", columns),
        "point_row": ("point", rows),
        "point_x": ("point", np.array([point.x_mm for point in points])),
        "point_y": ("point", np.array([point.y_mm for point in points])),
    }


def _lens(session: Session, *, rows: int, columns: int) -> dict[str, Any]:
    """Return focal lengths and optical centre where they are given, and the lens coefficients where they are."""
    camera = session.camera
    if camera.focal_px is None:
        return {}
    column, row = camera.centre_px or ((columns - 1) / 2, (rows - 1) / 2)
    if not (0 <= column <= columns - 1 and 0 <= row <= rows - 1):
        wanted = f"must lie in the picture of {columns}x{rows} pixels"
        raise InputError("camera.centre_px", f"[{column:g}, {row:g}]", wanted)
    names = ("lens_focal_x", "lens_focal_y", "lens_centre_column", "lens_centre_row")
    made: dict[str, Any] = {
        name: ((), float(value)) for name, value in zip(names, (*camera.focal_px, column, row), strict=True)
    }
    if camera.distortion is not None and any(camera.distortion):
        made["lens_coefficients"] = ("lens_coefficient", np.array(camera.distortion))
    return made


def _parts(session: Session, *, folder: Path) -> dict[str, Any]:
    columns = ["name", "x_mm", "y_mm", "width_mm", "height_mm", "emissivity", "emissivity_uncertainty", "limit_degC"]
    tables = [pd.DataFrame([_region(region) for region in session.regions], columns=columns).assign(turned=False)]
    placed, off = _placed(session, folder)
    tables.append(placed)
    filled = [table for table in tables if len(table)]
    if not filled:
        return {}
    table = pd.concat([rows.astype(dict.fromkeys(columns[1:], float)) for rows in filled], ignore_index=True)
    table = table.drop_duplicates("name", keep="first")  # a region of the session file overrides a part of its name
    names = {"x": "x_mm", "y": "y_mm", "width": "width_mm", "height": "height_mm", "limit": "limit_degC"}
    arrays = {f"part_{name}": ("part", table[column].to_numpy(dtype=float)) for name, column in names.items()}
    for name in ("emissivity", "emissivity_uncertainty"):
        arrays[f"part_{name}"] = ("part", table[name].to_numpy(dtype=float))
    arrays["part_turned"] = ("part", table["turned"].eq(other=True).to_numpy(dtype=np.int8))
    return {**arrays, **_off(off), "part": ("part", table["name"].to_numpy(dtype=str))}


def _placed(session: Session, folder: Path) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the placement file's parts that lie on the board, wholly or in part, and those that do not."""
    board = session.board
    if board.parts is None:
        return pd.DataFrame(), pd.DataFrame()
    parts = read_parts(folder / board.parts, board=board)
    off = _is_off(parts, width=board.width_mm, height=board.height_mm)
    if off.all() and len(parts):
        size = f"{board.width_mm:g} x {board.height_mm:g} mm"
        found = f"{parts['name'].iloc[0]} at {parts['x_mm'].iloc[0]:g}, {parts['y_mm'].iloc[0]:g} mm"
        wanted = f"must lie on the board of {size}: see parts_unit and parts_origin"
        raise InputError(f"board.parts: {folder / board.parts}", f"without a part on the board ({found})", wanted)
    return parts[~off], parts[off]


def _is_off(parts: pd.DataFrame, *, width: float | None, height: float | None) -> npt.NDArray[np.bool_]:
    """Return which parts have nothing on a board whose size is known."""
    if width is None or height is None:
        return np.zeros(len(parts), dtype=bool)
    sides = (("x_mm", "width_mm", width), ("y_mm", "height_mm", height))
    off = [abs(parts[at] - length / 2) >= length / 2 + parts[size].fillna(0) / 2 for at, size, length in sides]
    return np.asarray(off[0] | off[1], dtype=bool)


def _off(parts: pd.DataFrame) -> dict[str, Any]:
    """Return the parts that are off the board: told, not measured."""
    if not len(parts):
        return {}
    places = {f"off_{axis}": ("part_off", parts[f"{axis}_mm"].to_numpy(dtype=float)) for axis in "xy"}
    return {**places, "part_off": ("part_off", parts["name"].to_numpy(dtype=str))}


def _region(region: Region) -> dict[str, Any]:
    """Return a region as a row of the parts' table, its emissivity as a number."""
    emissivity, _ = resolve_emissivity(region.emissivity)
    known = {
        "emissivity": emissivity,
        "emissivity_uncertainty": _spread(region.emissivity, region.emissivity_uncertainty),
    }
    return region.model_dump() | known


def _spread(emissivity: float | str | None, given: float | None) -> float:
    """Return the standard uncertainty of an emissivity: as given, else the named surface's, else NaN."""
    return resolve_emissivity(emissivity)[1] if given is None else given


def _openings(session: Session) -> dict[str, Any]:
    if not session.openings:
        return {}
    rows = session.openings
    return {
        "opening": ("opening", np.array([row.name for row in rows])),
        "opening_kind": ("opening", np.array([OPENING_KIND.index(row.kind) for row in rows], dtype=np.int8)),
        "opening_from_x": ("opening", np.array([row.from_mm[0] for row in rows])),
        "opening_from_y": ("opening", np.array([row.from_mm[1] for row in rows])),
        "opening_to_x": ("opening", np.array([row.to_mm[0] for row in rows])),
        "opening_to_y": ("opening", np.array([row.to_mm[1] for row in rows])),
    }


def _events(session: Session) -> dict[str, Any]:
    if not session.events:
        return {}
    return {
        "event": ("event", np.array([row.label for row in session.events])),
        "event_elapsed": ("event", np.array([row.elapsed_s for row in session.events])),
    }


def _ambient(
    session: Session, elapsed: npt.NDArray[np.float64], *, folder: Path, clock: pd.Timestamp | None
) -> npt.NDArray[np.float64]:
    if session.ambient is None:
        return np.full(len(elapsed), np.nan)
    if session.ambient.log is None:
        return np.full(len(elapsed), _nan(session.ambient.degC))
    seconds, degrees = read_ambient(folder / session.ambient.log, frames_start=clock)
    return np.interp(elapsed, seconds, degrees)


def _thermocouples(session: Session, *, folder: Path, clock: pd.Timestamp | None) -> dict[str, Any]:
    rows = session.thermocouples
    if not rows:
        return {}
    columns = tuple(row.heading for row in rows)
    seconds, degrees = read_thermocouples(folder / rows[0].log, columns=columns, frames_start=clock)
    return {
        "probe": ("probe", np.array([row.name for row in rows])),
        "probe_x": ("probe", np.array([row.x_mm for row in rows])),
        "probe_y": ("probe", np.array([row.y_mm for row in rows])),
        "probe_accuracy": ("probe", np.array([row.accuracy_K for row in rows])),
        "probe_log": (("probe", "probe_time"), degrees),
        "probe_elapsed": ("probe_time", seconds),
    }


def _pair(
    film: Film, frames: Frames, *, folder: Path, like: Recording, calibration: Calibration | None
) -> tuple[dict[str, Any], dict[str, list[Path]]]:
    arrays: dict[str, Any] = {}
    files: dict[str, list[Path]] = {}
    for name, source in (("bare", film.bare), ("covered", film.covered)):
        recording = open_recording(
            str(source), folder=folder, key=f"film.{name}", variable=_variable_of(frames, source)
        )
        if recording.shape[1:] != like.shape[1:]:
            found, wanted = recording.shape, like.shape
            raise InputError(
                f"film.{name}", f"{found[2]}x{found[1]} pixels", f"must be {wanted[2]}x{wanted[1]} like the frames"
            )
        dims = (f"{name}_frame", "row", "column")
        arrays[f"{name}_temperature"] = (dims, lazy_temperature(recording, frames, calibration=calibration))
        files[f"film.{name}"] = list(recording.files)
    return arrays, files


def _variable_of(frames: Frames, source: Path | None) -> str | None:
    """Return the variable's name for another recording, where that has named variables too."""
    return frames.variable if source is not None and source.suffix in NAMED_VARIABLES else None


def _named_files(session: Session) -> dict[str, Path]:
    """Return the side files that a session file names, by their keys."""
    named = {
        "frames.timestamps": session.frames.timestamps,
        "frames.calibration": session.frames.calibration,
        "camera.response": session.camera.response,
        "palette.limits": limits_file(session.palette),
        "ambient.log": session.ambient.log if session.ambient else None,
        "board.parts": session.board.parts,
        "thermocouples.log": session.thermocouples[0].log if session.thermocouples else None,
    }
    return {name: path for name, path in named.items() if path is not None}


def _other_files(session: Session, folder: Path) -> dict[str, list[Path]]:
    files = {name: [folder / path] for name, path in _named_files(session).items()}
    return files | {"session.toml": [folder / "session.toml"]}


def _require_files_within(session: Session, folder: Path) -> None:
    for key, path in _named_files(session).items():
        require_within(folder / path, folder=folder, key=key)


def _digest(paths: list[Path]) -> str:
    """SHA-256 over the bytes of the files, one after the other."""
    digest = hashlib.sha256()
    for path in paths:
        with path.open("rb") as file:
            while block := file.read(2**20):
                digest.update(block)
    return digest.hexdigest()
