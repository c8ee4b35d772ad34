"""Make the example readings of ``validation.toml`` again: ``python workflows/validation/make.py`` (some seconds).

Everything is invented and seeded, for the simulated charger of ``sample_frames``: nobody has put a film on anything for
these tables. Tufts are what threads of silk would show in the simulated air, read to some degrees; below 0.15 m/s they
hang limp.
"""

from pathlib import Path

import numpy as np
import pandas as pd

from heatwake.scene import charger, simulate

HERE = Path(__file__).parent
EXHAUST = {f"exhaust {number}": 11.0 + 0.6 * number for number in range(1, 6)}  # rises with the lid [K]
PARTS = {"Q1": 45.6, "T1": 38.2, "L1": 35.1}
FILM_EFFECT = -0.12  # what the film is made to change [K]
ORDER = ("lid", "film", "film", "lid") * 2  # A-B-B-A twice
LIMP = 0.15  # [m/s] a thread of silk hangs below (common practice, no source)
READING = 7.0  # [deg] to which a tuft's direction is read
PITCH = 18.0  # [mm] between tufts
STATES = {"fan_out": charger(fan="out", cell=2.0), "fan_in": charger(fan="in", cell=2.0)}


def film_lid(rng: np.random.Generator) -> pd.DataFrame:
    """Return eight runs, alternately with lid and with film, of eight sensors."""
    rows = []
    for number, state in enumerate(ORDER, start=1):
        ambient = 23.5 + 0.05 * number
        run = 0.12 * rng.standard_normal() + (FILM_EFFECT if state == "film" else 0.0)
        power, speed = 18.0 + 0.02 * rng.standard_normal(), 2810 + 8 * rng.standard_normal()
        for kind, places in (("exhaust", EXHAUST), ("part", PARTS)):
            for place, rise in places.items():
                degrees = ambient + rise + run + 0.06 * rng.standard_normal()
                about = {"run": number, "state": state, "block": (number + 1) // 2, "place": place, "kind": kind}
                read = {"degC": round(degrees, 2), "ambient_degC": round(ambient, 2)}
                rows.append(about | read | {"power_W": round(power, 2), "fan_rpm": round(speed)})
    return pd.DataFrame(rows)


def thermocouples(rng: np.random.Generator) -> pd.DataFrame:
    """Return two sessions of eight taped thermocouples and what the picture shows there."""
    rises = {"BR1": 35.0, "L1": 35.2, "Q1": 45.4, "Q2": 40.7, "T1": 38.0, "D1": 36.5, "D2": 34.0, "U1": 14.0}
    own = {place: 0.8 * rng.standard_normal() for place in rises}
    rows = []
    for session, ambient in (("fan_out", 23.6), ("fan_out again", 24.1)):
        level = 0.3 * rng.standard_normal()
        for place, rise in rises.items():
            thermocouple = ambient + rise + own[place] + 0.1 * rng.standard_normal()
            camera = ambient + 1.01 * rise + level + 0.15 * rng.standard_normal()
            read = {"camera_degC": round(camera, 2), "thermocouple_degC": round(thermocouple, 2)}
            stated = {"ambient_degC": ambient, "camera_uncertainty_K": 0.9, "thermocouple_uncertainty_K": 0.9}
            rows.append({"place": place, "session": session} | read | stated)
    return pd.DataFrame(rows)


def tufts(state: str, rng: np.random.Generator) -> pd.DataFrame:
    """Return what tufts on a grid show of a state."""
    truth = simulate(STATES[state], np.array([0.0, 1.0]))
    board = truth.sizes["x"] * 2.0, truth.sizes["y"] * 2.0
    rows = []
    for y in np.arange(PITCH / 2, board[1], PITCH):
        for x in np.arange(PITCH / 2, board[0], PITCH):
            there = truth.sel(x=x, y=y, method="nearest")
            velocity = complex(float(there["velocity_x"]), float(there["velocity_y"]))
            place = {"x_mm": x, "y_mm": y}
            if abs(velocity) < LIMP:
                rows.append(place | {"direction_deg": np.nan, "spread_deg": np.nan, "state": "limp"})
                continue
            spread = 5 + 8 * rng.random()
            degrees = np.degrees(np.angle(velocity)) + READING * rng.standard_normal()
            kind = "steady" if spread < 10 else "unsteady"
            rows.append(place | {"direction_deg": round(degrees), "spread_deg": round(spread), "state": kind})
    return pd.DataFrame(rows)


def main() -> None:
    """Write the tables."""
    film_lid(np.random.default_rng(1)).to_csv(HERE / "film_lid.csv", index=False)
    thermocouples(np.random.default_rng(2)).to_csv(HERE / "thermocouples.csv", index=False)
    for seed, state in enumerate(STATES, start=3):
        tufts(state, np.random.default_rng(seed)).to_csv(HERE / f"tufts_{state}.csv", index=False)


if __name__ == "__main__":
    main()
