"""What several tests need."""

import signal
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import tifffile

ROOT = Path(__file__).resolve().parents[1]
SAMPLES = ROOT / "sample_frames"
LEAF = ROOT.parent / "shared" / "data" / "leaf_ir_outdoor"

# Files that take longest, in this order: begun first, they leave no worker alone with a long one at the end.
LONGEST = (
    *("test_run.py", "test_faults.py", "test_explain.py", "test_cluster.py", "test_house.py", "test_null.py"),
    *("test_security.py", "test_real_recording.py", "test_fuzz.py", "test_thermocouples.py", "test_watch.py"),
    *("test_notebook_way.py", "test_cli.py", "test_registration.py", "test_pages.py", "test_sample_frames.py"),
    *("test_joint_flow.py", "test_flow.py", "test_film_metrology.py", "test_budget.py", "test_planck.py"),
)


def pytest_configure() -> None:
    """Hear Ctrl-C: what a shell starts in the background is deaf to it, and so would be what tests start."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the longest files; the order within a file stays."""
    places = {name: place for place, name in enumerate(LONGEST)}
    items.sort(key=lambda item: places.get(item.path.name, len(LONGEST)))


@pytest.fixture(scope="session")
def leaf() -> Iterator[Path]:
    """Folder of the real recording; tests that need it are skipped where it is not there."""
    if not LEAF.is_dir():
        pytest.skip(f"needs the real recording in {LEAF}, which is not part of this repository")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("HEATWAKE_INPUTS", str(LEAF))
        yield LEAF


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
