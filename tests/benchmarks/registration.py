"""Following a shaken camera: speed and accuracy beside a masked ECC pipeline of OpenCV, same frames, one core.

``PYTHONPATH=tests python tests/benchmarks/registration.py [--sizes 320x240]`` prints tables; nothing else should run
meanwhile. The other pipeline is phase correlation, then ECC (Evangelidis and Psarakis, IEEE PAMI 30 (2008) 1858) of
locally normalised contrast with a rigid movement, a mask of places where the residual is large, and ECC once more with
the mask; it looks for the same kind of picture, a median of the recording's warm frames. Errors are rms over four
corners and the centre, from the mean error over the last half of the frames.
"""

import argparse
import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final
from unittest.mock import patch

import cv2
import numpy as np
from rich.console import Console
from rich.table import Table

from heatwake.kernels.reference_picture import build_reference
from heatwake.stages import registration
from heatwake.workers import Threads, working_with
from shaken_recordings import SIZES, VARIANTS, Shaken, error_vectors, pose_errors, shaken_recording, slow_bias

CRITERIA: Final = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-6)
FILTER: Final = 3  # [px] of the ECC's own smoothing
FLOOR: Final = 0.05  # [K] contrast below which nothing is raised
RESIDUAL_LIMIT: Final = 2.2  # times the median residual, above which a place is masked
SAMPLE: Final = 32  # frames for the reference picture
TARGET: Final = 4.0  # times as fast
NOT_FOUND: Final = np.full(3, np.nan)


@dataclass
class Followed:
    """Poses (n, 3) of one recording, which frames count, and what they took [s] frame by frame and in all."""

    poses: np.ndarray
    usable: np.ndarray
    frame_seconds: float
    whole_seconds: float


@dataclass
class Clock:
    """Stands in for a function and adds up what it takes."""

    work: Callable[..., Any]
    seconds: float = 0.0

    def __call__(self, *arguments: Any) -> Any:
        """Do the work."""
        started = time.perf_counter()
        result = self.work(*arguments)
        self.seconds += time.perf_counter() - started
        return result


def by_heatwake(recording: Shaken) -> Followed:
    """Follow by the registration stage, in one thread; frame by frame is what each block takes."""
    clock = Clock(registration.measure_block)
    session = recording.session()
    started = time.perf_counter()
    with patch.object(registration, "measure_block", clock), working_with(Threads(1)):
        made = registration.register(session, registration.RegistrationSettings())
    whole = time.perf_counter() - started
    poses = np.stack([made[name].values for name in ("shift_x", "shift_y", "rotation")], axis=1)
    return Followed(poses, made["usable"].values == 1, clock.seconds, whole)


def by_ecc(recording: Shaken) -> Followed:
    """Follow by masked ECC."""
    started = time.perf_counter()
    frames = recording.degrees
    sample = frames[np.unique(np.linspace(0, len(frames) - 1, SAMPLE).round().astype(int))]
    picture = build_reference(list(sample))
    target = np.where(np.isfinite(picture), picture, np.float32(np.nanmedian(picture)))
    begun = time.perf_counter()
    prepared = band_pass(target), local_contrast(band_pass(target))
    poses = np.array([masked_ecc(band_pass(frame), *prepared) for frame in frames])
    ended = time.perf_counter()
    return Followed(poses, np.isfinite(poses).all(axis=1), ended - begun, ended - started)


def band_pass(frame: np.ndarray) -> np.ndarray:
    """Return a difference of Gaussians, 1 and 5 px [K]."""
    return cv2.GaussianBlur(frame, (0, 0), 1.0) - cv2.GaussianBlur(frame, (0, 0), 5.0)


def local_contrast(band: np.ndarray) -> np.ndarray:
    """Return what a band-pass left over its standard deviation near by."""
    return (band / np.sqrt(cv2.GaussianBlur(band * band, (0, 0), 8.0) + FLOOR**2)).astype(np.float32)


def masked_ecc(band: np.ndarray, target_band: np.ndarray, target: np.ndarray) -> np.ndarray:
    """Return the pose (3,) of the target's content on a band-passed frame; NaN where ECC does not converge."""
    image, size = local_contrast(band), target.shape[::-1]
    (right, down), _ = cv2.phaseCorrelate(target_band, band, cv2.createHanningWindow(size, cv2.CV_32F))
    matrix = np.array([[1, 0, right], [0, 1, down]], dtype=np.float32)
    whole = np.full(target.shape, 255, dtype=np.uint8)
    how = (cv2.MOTION_EUCLIDEAN, CRITERIA, FILTER)
    try:
        _, matrix = cv2.findTransformECCWithMask(target, image, whole, whole, matrix, *how)
        back = cv2.warpAffine(image, matrix, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
        residual = cv2.GaussianBlur(np.abs(back - target), (0, 0), 3.0)
        mask = np.where(residual < RESIDUAL_LIMIT * np.median(residual), 255, 0).astype(np.uint8)
        _, matrix = cv2.findTransformECCWithMask(target, image, mask, whole, matrix, *how)
    except cv2.error:
        return NOT_FOUND
    middle = (np.array(size) - 1) / 2
    shift = matrix[:, :2] @ middle + matrix[:, 2] - middle
    return np.array([*shift, np.degrees(np.arctan2(-matrix[1, 0], matrix[0, 0]))])


def judged(recording: Shaken, followed: Followed) -> dict[str, str]:
    """Return what a line of the table tells of one recording."""
    usable, poses = followed.usable, np.where(followed.usable[:, None], followed.poses, np.nan)
    measure = {"shape": recording.shape, "from_late": True}
    late = np.flatnonzero(usable[len(poses) // 2 :]) + len(poses) // 2
    order = np.concatenate([np.flatnonzero(usable[: len(poses) // 2]), late])
    errors = pose_errors(poses[order], recording.poses[order], **measure)
    vectors = error_vectors(poses[order], recording.poses[order], **measure)
    tenths = " ".join(f"{100 * one:.0f}" for one in slow_bias(vectors))
    hands = errors[recording.obstructed[order]]
    return {
        "median": f"{np.median(errors):.3f}",
        "p95": f"{np.percentile(errors, 95):.3f}",
        "> 1 px": f"{(errors > 1).sum()}",
        "left out": f"{(~usable).sum()}",
        "hand frames": f"{np.median(hands):.3f}" if hands.size else "",
        "bias by tenth, 0.01 px": tenths,
    }


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--sizes", nargs="+", default=["320x240", "640x512"], choices=SIZES)
    parser.add_argument("--variants", nargs="+", default=["shaken", "hand", "inverted"], choices=VARIANTS)
    parser.add_argument("--seeds", nargs="+", type=int, default=[1, 2, 3])
    parser.add_argument("--count", type=int, default=120)
    asked = parser.parse_args()
    os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[-1:])
    cv2.setNumThreads(1)
    console = Console(width=150)
    by_heatwake(shaken_recording(size="160x120", count=20))  # compiles
    for size in asked.sizes:
        table = Table("recording", "by", *("median", "p95", "> 1 px", "left out", "hand frames"))
        table.add_column("bias by tenth, 0.01 px")
        seconds = {by_heatwake: [0.0, 0.0], by_ecc: [0.0, 0.0]}
        frames = 0
        for variant in asked.variants:
            for seed in asked.seeds:
                recording = shaken_recording(variant, size=size, seed=seed, count=asked.count)
                frames += len(recording.frames)
                for name, follow in (("heatwake", by_heatwake), ("masked ECC", by_ecc)):
                    followed = follow(recording)
                    seconds[follow][0] += followed.frame_seconds
                    seconds[follow][1] += followed.whole_seconds
                    table.add_row(f"{variant} {seed}", name, *judged(recording, followed).values())
        console.print(f"{size}: error in px, one core")
        console.print(table)
        for place, what in enumerate(("frame by frame", "with the making of references")):
            ours, other = (frames / seconds[follow][place] for follow in (by_heatwake, by_ecc))
            console.print(
                f"{size}, {what}: {ours:.0f} frames/s beside {other:.1f}: "
                f"ratio {ours / other:.1f}, target {TARGET:.0f} or more"
            )


if __name__ == "__main__":
    main()
