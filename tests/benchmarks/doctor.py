"""How often an examination finds a planted fault, and how often it cries wolf.

``PYTHONPATH=tests python tests/benchmarks/doctor.py`` (``--first 7000 --seeds 20 --sound 40 --folder DIR --kinds``).

Recordings are drawn by seed (`tests/doctor_scenes.py`) and written once; they are kept with ``--folder``. Limits were
set on seeds 0 to 29; judge on seeds from 7000 on. Prints recall for each kind of fault with what else was found beside
it, and for sound recordings the share with each kind of finding, and with any.
"""

import argparse
import sys
import tempfile
from collections import Counter
from pathlib import Path

import cv2
from scipy.stats import beta

from doctor_scenes import PLANTS, SOUND, write_case
from heatwake.stages.examination import examine
from heatwake.store.session import open_session


def kinds_found(kind: str, seed: int, root: Path) -> set[str]:
    """Return the kinds of findings of one recording, written first where it is not there."""
    folder = root / f"{kind.replace(' ', '_')}_{seed}"
    if not (folder / "parts.csv").exists():
        write_case(kind, seed=seed, folder=folder)
    return {one.kind for one in examine(open_session(folder).dataset).findings}


def interval(hits: int, of: int) -> str:
    """Return a 95 % Clopper-Pearson interval."""
    low = beta.ppf(0.025, hits, of - hits + 1) if hits else 0.0
    high = beta.ppf(0.975, hits + 1, of - hits) if hits < of else 1.0
    return f"{low:.2f} to {high:.2f}"


def say(text: str) -> None:
    """Show a line at once."""
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def main() -> None:
    """Draw, examine, count, print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--first", type=int, default=7000)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--sound", type=int, default=40)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--kinds", nargs="*", default=list(PLANTS))
    options = parser.parse_args()
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as scratch:
        root = options.folder or Path(scratch)
        for sound in SOUND:
            found = [kinds_found(sound, options.first + one, root) for one in range(options.sound)]
            wolf = Counter(name for one in found for name in one)
            say(f"{sound}: {sum(map(bool, found))} of {len(found)} with any finding {dict(wolf)}")
        say(f"{'fault':30s} found      95 %            found besides")
        for kind in options.kinds:
            found = [kinds_found(kind, options.first + one, root) for one in range(options.seeds)]
            told = kind.removesuffix(" throughout")
            hits, besides = sum(told in one for one in found), Counter(name for one in found for name in one - {told})
            say(f"{kind:30s} {hits:3d} of {len(found):3d} {interval(hits, len(found))}   {dict(besides)}")


if __name__ == "__main__":
    main()
