"""What is written can be read back by the formats' own readers."""

import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import tifffile

from heatwake.scene import (
    Camera,
    FilmPair,
    Handling,
    Recording,
    Scene,
    charger,
    click_corners,
    record,
    simulate,
    write_parts,
    write_session,
)


def recorded(scene: Scene) -> Recording:
    """Return a short recording."""
    truth = simulate(scene, np.array([0.0, 10.0, 20.0]))
    return record(truth, Camera(), Handling(), rng=np.random.default_rng(1))


def write(folder: Path, scene: Scene, **choices: object) -> dict[str, object]:
    """Write a session and return its parsed ``session.toml``."""
    recording = recorded(scene)
    corners = click_corners(recording, error=0.2, rng=np.random.default_rng(2))
    write_session(
        folder,
        scene,
        recording=recording,
        title='A "quoted" title',
        corners=corners,
        conditions={"fan": "out"},
        **choices,
    )
    return tomllib.loads((folder / "session.toml").read_text(encoding="utf-8"))


@pytest.mark.parametrize("compression", ["zlib", "jpeg2000"])
def test_frames_come_back_unchanged(tmp_path: Path, compression: str) -> None:
    scene = charger(cell=2.0)
    write(tmp_path, scene, compression=compression)
    np.testing.assert_array_equal(tifffile.imread(tmp_path / "frames.tif"), list(recorded(scene).frames()))


def test_session_file_says_what_a_user_knows(tmp_path: Path) -> None:
    session = write(tmp_path, charger(cell=2.0, left_vent="covered"), film_pair=FilmPair("b.tif", "c.tif"))
    assert session["title"] == 'A "quoted" title'
    assert session["frames"]["timestamps"] == "times.csv"
    assert session["film"] == {"bare": "b.tif", "covered": "c.tif", "reflectance": 0.08}
    assert [opening["name"] for opening in session["openings"]] == ["right fan", "top vent"]
    assert session["events"] == [{"elapsed_s": 10.0, "label": "power on"}]


def test_no_film_no_table(tmp_path: Path) -> None:
    assert "film" not in write(tmp_path, charger(cell=2.0, film=None))


def test_without_a_pair_the_transmittance_is_given(tmp_path: Path) -> None:
    assert write(tmp_path, charger(cell=2.0))["film"]["transmittance"] == 0.89


def test_tables_beside_the_session(tmp_path: Path) -> None:
    scene = charger(cell=2.0)
    write(tmp_path, scene)
    write_parts(tmp_path / "parts.csv", scene)
    np.testing.assert_array_equal(pd.read_csv(tmp_path / "times.csv")["time"], [0, 10, 20])
    log = pd.read_csv(tmp_path / "ambient.csv")
    np.testing.assert_allclose(log["ambient_degC"], scene.ambient.at(log["elapsed_s"].to_numpy()), atol=0.0051)
    parts = pd.read_csv(tmp_path / "parts.csv", index_col="name")
    assert parts.loc["HS2", "emissivity"] == 0.45
    assert np.isnan(parts.loc["HS1", "limit_degC"])


def test_clicks_miss_by_the_error_asked_for() -> None:
    recording = recorded(charger(cell=2.0))
    rng = np.random.default_rng(3)
    misses = np.concatenate([click_corners(recording, error=0.2, rng=rng) - recording.corners for _ in range(200)])
    # 1600 draws: their spread is known to 2 %; rounding to a tenth adds 0.03 px in quadrature.
    assert misses.std() == pytest.approx(np.hypot(0.2, 0.029), rel=0.06)
