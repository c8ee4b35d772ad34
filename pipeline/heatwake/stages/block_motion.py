"""What one block of frames shows: movement, repeats, coarse pictures, sums by analysis step.

Each frame is aligned on its own, from a pose that does not depend on the frames before it, and sums are exact: nothing
depends on how a recording is cut into blocks or on who does them.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from heatwake.errors import InputError
from heatwake.kernels.alignment import resample
from heatwake.kernels.changing_reference import ChangingReference, Look, look_at_a_time
from heatwake.kernels.frame_quality import is_repeat, thumbnail
from heatwake.kernels.frame_reduction import FrameReducer, shrink_factor
from heatwake.kernels.reference_picture import Reference, locate
from heatwake.stages.bin_means import BinSum
from heatwake.stages.frame_blocks import FrameBlock

Array = npt.NDArray[Any]
Mask = npt.NDArray[np.bool_]

WANTED: Final = "must hold readings; leave it out and give timestamps"


@dataclass(frozen=True)
class BlockWork:
    """What a block is measured with.

    Attributes
    ----------
    reducer : FrameReducer
    reference : ChangingReference
        For these frames.
    good_quality : float
        Correlation below which other ways of aligning are tried.
    cells, places : int
        Of the coarse pictures, along the longer side.
    """

    reducer: FrameReducer
    reference: ChangingReference
    good_quality: float
    cells: int
    places: int


@dataclass(frozen=True)
class BlockMotion:
    """What a block shows, frame by frame.

    Attributes
    ----------
    poses : (n, 3) array
        Shift right and down [px], rotation [deg].
    quality : (n,) array
    uncertainty : (n,) array
        Of the poses [px rms over the picture].
    frozen : (n,) array of bool
        The frame before once more; of the first frame not known here.
    levels : (n, places) float32 array
        Mean temperatures of places spread over the picture brought back [degC].
    cells : (n, rows, columns) float32 array
        The picture brought back, coarse [degC].
    first, last : arrays
        Small pictures of the first and last frame.
    sums : list of BinSum
    """

    poses: Array
    quality: Array
    uncertainty: Array
    frozen: Mask
    levels: Array
    cells: Array
    first: Array
    last: Array
    sums: list[BinSum]


def small_picture(block: FrameBlock, reducer: FrameReducer) -> Array:
    """Return the small picture of the block's first frame."""
    return reducer.small(block.read()[0])


def look_at_frames(blocks: list[FrameBlock], reducer: FrameReducer, anchor: Reference, guess: Array) -> Look | None:
    """Return what the board looks like in the first frames of some blocks; see :func:`look_at_a_time`."""
    pictures = [small_picture(block, reducer) for block in blocks]
    seen = [picture for picture in pictures if np.isfinite(picture).any()]
    return look_at_a_time(seen, anchor, guess=guess) if len(seen) == len(pictures) else None


def measure_block(block: FrameBlock, work: BlockWork, guesses: Array, bins: npt.NDArray[np.intp] | None) -> BlockMotion:
    """Read a block of frames and measure it.

    Parameters
    ----------
    block : FrameBlock
    work : BlockWork
    guesses : (n, 3) array
        Poses to search from, in pixels of the small picture.
    bins : (n,) array of int, optional
        Number of the analysis step of each frame, rising; without it no sums are made.

    Raises
    ------
    InputError
        A frame has no finite value.
    """
    values = block.read()
    count, factor = len(values), shrink_factor(values.shape[1:])
    poses, quality, frozen = np.zeros((count, 3)), np.zeros(count), np.zeros(count, dtype=np.bool_)
    uncertainty = np.full(count, np.inf)
    sums: list[BinSum] = []
    coarse: list[tuple[Array, Array]] = []
    first = previous = None
    for index, frame in enumerate(values):
        small = work.reducer.small(frame)
        if not np.isfinite(small).any() and not work.reducer.has_reading(frame):
            raise InputError(f"frame {block.start + index}", "without one finite value", WANTED)
        frozen[index] = previous is not None and is_repeat(small, previous)
        first, previous = small if first is None else first, small
        if bins is not None:
            _sum(sums, int(bins[index]), frame, work.reducer, takes_part=not frozen[index])
        reference = work.reference.at(block.start + index)
        found = locate(small, reference, guess=guesses[index], good=work.good_quality)
        poses[index], quality[index], uncertainty[index] = found.pose, found.quality, factor * found.uncertainty
        cells = thumbnail(resample(small, found.pose), longest=work.cells)
        coarse.append((thumbnail(cells, longest=work.places).ravel(), cells))
    poses[:, :2] *= factor
    levels, cells_of_all = (np.stack(each) for each in zip(*coarse, strict=True))
    if first is None or previous is None:
        raise ValueError("a block without frames")
    return BlockMotion(poses, quality, uncertainty, frozen, levels, cells_of_all, first, previous, sums)


def _sum(sums: list[BinSum], number: int, frame: Array, reducer: FrameReducer, *, takes_part: bool) -> None:
    if not sums or sums[-1].number != number:
        sums.append(BinSum(number, None, 0))
    if takes_part:
        one = sums[-1]
        one.total = np.zeros(frame.shape) if one.total is None else one.total
        reducer.add(frame, one.total)
        one.count += 1
