"""What several tests need."""

import compileall
import importlib
import os
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import tifffile
from scipy.ndimage import gaussian_filter
from threadpoolctl import threadpool_limits

ROOT = Path(__file__).resolve().parents[1]
SAMPLES = ROOT / "sample_frames"
LEAF = ROOT.parent / "shared" / "data" / "leaf_ir_outdoor"

# Files that take longest, in this order: begun first, they leave no worker alone with a long one at the end.
LONGEST = (
    *("test_run.py", "test_faults.py", "test_explain.py", "test_cluster.py", "test_house.py", "test_pages.py"),
    *("test_null.py", "test_real_recording.py", "test_security.py", "test_watch.py", "test_registration.py"),
    *("test_thermocouples.py", "test_cli.py", "test_notebook_way.py", "test_fuzz.py", "test_region_search.py"),
    *("test_board.py", "test_flow.py", "test_forecast.py", "test_joint_flow.py", "test_sample_frames.py"),
    *("test_experiment_run.py", "test_film_metrology.py", "test_budget.py", "test_planck.py", "test_plan_rehearsal.py"),
)

# Modules of compiled loops, by how long a compiler takes over them: half a minute in all on a fresh clone.
COMPILED = ("interpolation", "pose_search", "frame_reduction", "block_factors", "correction_loops", "plates")

# Folders whose files share results of a session's scope: one worker does all of them, and makes those once.
TOGETHER = ("tests/report/",)


def pytest_configure(config: pytest.Config) -> None:
    """Hear Ctrl-C, compile what is not compiled yet, and keep libraries from threads of their own as a run does.

    What a shell starts in the background is deaf to Ctrl-C, and so would be what tests start. Where Python is told to
    write no byte code, each of the dozens of processes that tests start would compile the package anew. Threads of
    linear algebra make fits of small systems half as long again, and take the other worker's core.
    """
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    worker = os.environ.get("PYTEST_XDIST_WORKER", "")
    if not worker:  # before there are workers
        compileall.compile_dir(ROOT / "pipeline" / "heatwake", quiet=1)
    if not worker and config.getoption("numprocesses", None):
        return
    for name in reversed(COMPILED) if worker.endswith("1") else COMPILED:
        importlib.import_module(f"heatwake.kernels.{name}")  # from both ends: each finds what the other has compiled
    cv2.setNumThreads(1)
    threadpool_limits(limits=1, user_api="blas")  # of SciPy too, which is in by now


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Give whole files to workers, and some folders whole."""
    from xdist.scheduler import LoadFileScheduling

    class Scheduling(LoadFileScheduling):
        def _split_scope(self, nodeid: str) -> str:
            return next((place for place in TOGETHER if nodeid.startswith(place)), super()._split_scope(nodeid))

    return Scheduling(config, log) if config.getoption("dist") == "loadfile" else None


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
    texture = 3.0 * gaussian_filter(rng.standard_normal(shape.shape), 1.5)  # the print: half a kelvin, seen when cold
    warm = 8 * (1 - np.exp(-np.maximum(np.arange(count) - 4, 0) / 3))
    degrees = 23 + texture + warm[:, None, None] * shape + rng.normal(0, 0.05, (count, 30, 40))
    return np.round((degrees + 100) / 0.01).astype(np.uint16)
