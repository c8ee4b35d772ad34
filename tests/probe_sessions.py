"""A recorded charger with thermocouples on its parts: the log that a logger of another clock writes."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from heatwake.scene import Camera, Handling, Scene, charger, click_corners, record, simulate, write_parts, write_session

CAMERA = Camera(columns=104, rows=78, focal=228.0)
ELAPSED = np.arange(0.0, 180.0, 1.0)
ON = {"BR1": (24, 24), "L1": (46, 74), "T1": (100, 70), "Q1": (60, 43), "board": (150, 12)}


def write_recording(
    folder: Path,
    *,
    film_says: float | None = None,
    clock: float = 0.0,
    errors: dict[str, float] | None = None,
    camera: Camera = CAMERA,
    cold: bool = True,
    bare: bool = False,
) -> tuple[Scene, xr.Dataset]:
    """Write a session of a charger with five thermocouples; return its scene and truth.

    Parameters
    ----------
    film_says : float, optional
        Transmittance in the session file; the true one where not given.
    clock : float
        What has to be added to the log's times [s].
    errors : dict, optional
        Error of each thermocouple [K].
    cold : bool
        Whether the recording starts before power-on.
    bare : bool
        Whether there is no film.
    """
    scene = charger(cell=2.0, load=1.6, **({"film": None} if bare else {}))
    scene = replace(scene, power_on=20.0)
    truth = simulate(scene, ELAPSED)
    recorded = truth if cold else truth.isel(time=slice(60, None)).assign_coords(elapsed=("time", ELAPSED[:-60]))
    recording = record(recorded, camera, Handling(), rng=np.random.default_rng(3))
    write_parts(folder / "parts.csv", scene)
    corners = click_corners(recording, error=0.1, rng=np.random.default_rng(4))
    write_session(folder, scene, recording=recording, title="charger", corners=corners, conditions={"power_W": 29.0})
    first = 0.0 if cold else 60.0
    _write_log(folder / "thermocouples.csv", truth, clock=clock + first, errors=errors or {})
    path = folder / "session.toml"
    text = path.read_text()
    if not cold:
        text = text.replace("elapsed_s = 20.0", "elapsed_s = -40.0")
    if film_says is not None:
        text = text.replace("transmittance = 0.89", f"transmittance = {film_says}")
    path.write_text(text + "".join(_table(name, place) for name, place in ON.items()))
    return scene, truth


def _table(name: str, place: tuple[float, float]) -> str:
    x, y = place
    return f'\n[[thermocouples]]\nname = "{name}"\ncolumn = "{name}_degC"\nx_mm = {x}\ny_mm = {y}\naccuracy_K = 0.5\n'


def _write_log(path: Path, truth: xr.Dataset, *, clock: float, errors: dict[str, float]) -> None:
    """Write a log of 1 Hz whose own clock runs off by ``clock``, with noise of 0.03 K."""
    rng = np.random.default_rng(5)
    logged = np.arange(0.0, ELAPSED[-1] + 1, 1.0) + 0.37
    logged = logged[logged <= ELAPSED[-1]]
    columns = {"elapsed_s": logged - clock}
    for name, (x, y) in ON.items():
        at = truth["temperature"].interp(x=x, y=y).to_numpy()
        seen = np.interp(logged, ELAPSED, at) + errors.get(name, 0.0) + rng.normal(0, 0.03, len(logged))
        columns[f"{name}_degC"] = seen
    pd.DataFrame(columns).to_csv(path, index=False, float_format="%.3f")
