"""What several tests need."""

from pathlib import Path

import numpy as np
import pytest
import tifffile

ROOT = Path(__file__).resolve().parents[1]
SAMPLES = ROOT / "sample_frames"
LEAF = ROOT.parent / "shared" / "data" / "leaf_ir_outdoor"


@pytest.fixture(scope="session")
def leaf() -> Path:
    """Folder of the real recording; tests that need it are skipped where it is not there."""
    if not LEAF.is_dir():
        pytest.skip(f"needs the real recording in {LEAF}, which is not part of this repository")
    return LEAF


@pytest.fixture
def write_session(tmp_path):
    """Return a function that writes a small session: a warm spot on a 40 x 30 picture, 12 frames, 1 s apart."""

    def write(text: str = "", *, name: str = "one", frames: np.ndarray | None = None, head: str = "") -> Path:
        folder = tmp_path / name
        folder.mkdir(parents=True, exist_ok=True)
        if frames is None:
            frames = small_frames()
        tifffile.imwrite(folder / "frames.tif", frames, photometric="minisblack", compression="zlib")
        start = (
            head or '[frames]\nsource = "frames.tif"\nunit = "degC"\nscale = 0.01\noffset = -100.0\ninterval_s = 1.0\n'
        )
        (folder / "session.toml").write_text('title = "Small"\n' + start + text)
        return folder

    return write


def small_frames(*, seed: int = 1, count: int = 12) -> np.ndarray:
    """Uint16 frames of (T + 100) / 0.01: 23 degC, and a spot that warms by 8 K after the fourth frame."""
    rng = np.random.default_rng(seed)
    columns, rows = np.meshgrid(np.arange(40), np.arange(30))
    shape = np.exp(-((columns - 22) ** 2 + (rows - 14) ** 2) / 30)
    texture = rng.normal(0, 0.3, shape.shape)
    warm = 8 * (1 - np.exp(-np.maximum(np.arange(count) - 4, 0) / 3))
    degrees = 23 + texture + warm[:, None, None] * shape + rng.normal(0, 0.05, (count, 30, 40))
    return np.round((degrees + 100) / 0.01).astype(np.uint16)
