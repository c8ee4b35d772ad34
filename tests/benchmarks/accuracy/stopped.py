"""What a plan foresees of a stopped fan, beside the truth of drawn boards whose rises and time constants it is told.

``PYTHONPATH=tests nice python tests/benchmarks/accuracy/stopped.py [--boards 60] [--first 20]`` prints how many settled
rises lie in the range stated, how wide that is, when a made-up limit was reached over the soonest stated, and at how
many parts it was denied. Boards before 20 set how unevenly parts gain.
"""

import argparse
import sys

import numpy as np

from drawn_plans import PARTWAY, board, heating, plan_of, settled


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--boards", type=int, default=60)
    parser.add_argument("--first", type=int, default=20)
    given = parser.parse_args()
    inside, places, widths, sooner, denied = [], [], [], [], 0
    for number in range(given.first, given.first + given.boards):
        scene = board(number)
        true = settled(scene.with_fan("off"))
        warm, hot = heating(scene), heating(scene.with_fan("off"))
        on, curves = warm["part_rise_mean"].to_numpy()[:, -1], hot["part_rise_mean"].to_numpy()
        limits = on + PARTWAY * (curves[:, -1] - on)
        stop = plan_of(scene, on, constants=warm["part_time_constant"].to_numpy(), limits=limits).stop
        for part, off, limit, curve in zip(stop.parts, true, limits, curves, strict=True):
            inside.append(part.low <= off <= part.high)
            places.append((off - part.low) / (part.high - part.low))
            widths.append((part.high - part.low) / off)
            denied += part.verdict == "stays below"
            if part.of == part.name and part.cold > 0:
                sooner.append(np.interp(limit, curve, hot["elapsed"].to_numpy()) / part.cold)
    write = sys.stdout.write
    write(f"settled rises in their range: {sum(inside)} of {len(inside)} ({np.mean(inside):.1%})\n")
    write(f"true place in the range (0 to 1): {np.percentile(places, [0, 5, 50, 95, 100]).round(2)}\n")
    write(f"width of the range over the true rise: {np.median(widths):.2f} in the median\n")
    write(f"time to the limit over the soonest stated: {np.percentile(sooner, [0, 5, 50, 95, 100]).round(2)}\n")
    write(f"said to stay below a limit that is passed: {denied} of {len(inside)}\n")


if __name__ == "__main__":
    main()
