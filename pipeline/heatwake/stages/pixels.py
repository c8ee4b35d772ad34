"""Faulty pixels of the sensor and the ends of its range, found once; frames are mended where they are read."""

import logging
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr
from pydantic import Field, PositiveFloat, PositiveInt

from heatwake.kernels.pixel_faults import NONE, SATURATED, FaultLimits, Faults, find_faults
from heatwake.kernels.pixel_repair import plan_repair
from heatwake.schema.settings import Settings
from heatwake.schema.variables import PIXEL_FAULT, label, require
from heatwake.stages.frame_blocks import FrameBlock, some_frames
from heatwake.stages.stage import Stage
from heatwake.workers import in_order

Array = npt.NDArray[Any]

logger = logging.getLogger(__name__)

LISTED: Final = 8  # faulty pixels of a kind that are told one by one


class PixelSettings(Settings):
    """From where a pixel is faulty."""

    sample: PositiveInt = 32  # frames, evenly over the recording, that are looked at
    least_spike_K: PositiveFloat = 0.5  # smallest lasting departure from the neighbours that is a fault
    least_noise_K: PositiveFloat = 0.2  # smallest noise of a flickering pixel
    noise_factor: float = Field(default=6.0, ge=3)  # its noise in those of the others
    pattern_factor: float = Field(default=8.0, ge=3)  # a spike in standard deviations of the sensor's pattern
    most_share: float = Field(default=0.005, gt=0, le=0.1)  # of the pixels; were more faulty, none is


def check_pixels(session: xr.Dataset, settings: PixelSettings) -> xr.Dataset:
    """Add ``pixel_fault`` (row, column), and where readings are bounds: ``range_low``, ``range_high`` [degC].

    An even sample of frames is looked at (:func:`heatwake.kernels.pixel_faults.find_faults`). Faulty pixels alone or in
    clusters of up to 2 x 2 get the median of their sound neighbours in every frame that is read, larger clusters lose
    their reading. Where readings pile up at an end of the range, they are bounds and no reading either; neighbours say
    nothing of what they would have been. ``pixels_repaired``, ``pixels_masked`` and ``clipped_share``, the largest
    share of a sampled picture beyond the range, count all that; what was done is also warned of. Where nothing is
    found, frames stay as they are to the last bit. A level picture, and one without noise, tells nothing.

    Parameters
    ----------
    session : Dataset
        With ``indicated_temperature`` (frame, row, column) [degC], and ``stored_level`` where levels are read.
    settings : PixelSettings

    Raises
    ------
    DataModelError
        The frames aren't there.
    """
    require(session, STAGE.needs)
    pictures = _sample(session, settings.sample)
    limits = FaultLimits(
        least_spike=settings.least_spike_K,
        least_noise=settings.least_noise_K,
        pattern_factor=settings.pattern_factor,
        noise_factor=settings.noise_factor,
    )
    faults = find_faults(pictures, limits=limits)
    flags, doubt = _plausible(faults, settings.most_share)
    doubt = doubt or _level(pictures)
    plan = plan_repair(flags)
    beyond = (pictures <= faults.below) | (pictures >= faults.above)
    share = float(beyond.mean(axis=(1, 2)).max()) if len(pictures) else 0.0
    made = session.assign(_bounds(session, faults, needs_mask=bool(len(plan.masked))))
    made["pixel_fault"] = (("row", "column"), flags)
    counts = {"pixels_repaired": len(plan.repaired), "pixels_masked": len(plan.masked)}
    scalars = counts | {"range_low": faults.below, "range_high": faults.above, "clipped_share": share}
    made = made.assign({name: ((), value) for name, value in scalars.items()})
    made["pixel_fault"].attrs["comment"] = doubt
    for sentence in pixel_sentences(made):
        logger.warning("%s", sentence)
    return label(made)


def _sample(session: xr.Dataset, most: int) -> Array:
    """Return an even sample of the frames [degC], without those that have no reading at all."""
    count = session.sizes["frame"]
    shape = (session.sizes["row"], session.sizes["column"])
    if not count:
        return np.zeros((0, *shape), dtype=np.float32)
    chosen = np.unique(np.linspace(0, count - 1, most).round().astype(int)).tolist()
    levels = session["level_temperature"].to_numpy().astype(np.float32) if "stored_level" in session else None
    tasks = ((some_frames(session, one, one + 1), levels) for one in chosen)
    pictures = np.empty((len(chosen), *shape), dtype=np.float32)
    kept = 0
    for picture in in_order(temperatures_of, tasks):
        pictures[kept] = picture
        kept += bool(np.isfinite(picture).any())
    return pictures[:kept]


def temperatures_of(block: FrameBlock, levels: Array | None) -> Array:
    """Return the temperatures of a block's first frame [degC], float32."""
    frame = block.read()[0]
    return np.asarray(frame if levels is None else levels[frame], dtype=np.float32)


def _plausible(faults: Faults, most: float) -> tuple[npt.NDArray[np.int8], str]:
    """Return the flags, and what speaks against them: where much looks faulty it is the scene."""
    faulty = (faults.flags > NONE) & (faults.flags < SATURATED)
    if np.count_nonzero(faulty) <= most * faults.flags.size:
        return faults.flags, ""
    doubt = f"{np.count_nonzero(faulty)} pixels look faulty, more than {most:.1%} of all: none was repaired"
    return np.where(faulty, NONE, faults.flags).astype(np.int8), doubt


def _level(pictures: Array) -> str:
    """Return what to say of a recording whose readings are all alike; empty where they are not."""
    seen = pictures[np.isfinite(pictures)]
    if seen.size < 2 or np.ptp(seen) > 0:
        return ""
    return f"every reading looked at is {seen[0]:.1f} °C: saturated, or no scene was recorded"


def _bounds(session: xr.Dataset, faults: Faults, *, needs_mask: bool) -> dict[str, Any]:
    """Return the levels' temperatures, infinite where a level is a bound; nothing where they stay as they are."""
    if "stored_level" not in session or not (needs_mask or np.isfinite([faults.below, faults.above]).any()):
        return {}
    levels = session["level_temperature"].to_numpy().astype(np.float32)
    bounded = np.where(levels >= faults.above, np.inf, np.where(levels <= faults.below, -np.inf, levels))
    if needs_mask and not np.isnan(bounded).any():
        bounded[-1] = np.nan  # the last level is an end of the range at any rate
    return {"level_temperature": ("level", bounded.astype(np.float32), dict(session["level_temperature"].attrs))}


def pixel_sentences(session: xr.Dataset) -> list[str]:
    """Return what was found and done, a sentence each; none where all is well.

    Parameters
    ----------
    session : Dataset
        With what :func:`check_pixels` makes.
    """
    flags = session["pixel_fault"].to_numpy()
    plan = plan_repair(flags)
    sentences = []
    if len(plan.repaired):
        sentences.append(f"{_pixels(len(plan.repaired))} repaired from sound neighbours: {_list(flags, plan.repaired)}")
    if len(plan.masked):
        sentences.append(
            f"{_pixels(len(plan.masked))} masked, too few neighbours are sound: {_list(flags, plan.masked)}"
        )
    share = float(session["clipped_share"])
    for name, where, kind in (("range_high", "above", "hotter"), ("range_low", "below", "colder")):
        end = float(session[name])
        if np.isfinite(end):
            sentences.append(
                f"readings pile up at {end:.1f} °C, the range ends there: {where} it they are bounds and not used "
                f"(saturated, up to {share:.2%} of a frame); a part that reaches it is {kind} than stated"
            )
    doubt = str(session["pixel_fault"].attrs.get("comment", ""))
    return [*sentences, doubt] if doubt else sentences


def _pixels(count: int) -> str:
    return "1 faulty pixel" if count == 1 else f"{count} faulty pixels"


def _list(flags: npt.NDArray[np.int8], places: npt.NDArray[np.intp]) -> str:
    """Return pixels as (row, column) by the kind of their fault."""
    words = []
    for number, kind in enumerate(PIXEL_FAULT):
        some = [(int(row), int(column)) for row, column in places if flags[row, column] == number]
        more = f" and {len(some) - LISTED} more" if len(some) > LISTED else ""
        if some:
            words.append(f"{kind} {', '.join(map(str, some[:LISTED]))}{more}")
    return "; ".join(words) + " (row, column)"


STAGE: Final = Stage(
    name="pixels",
    settings=PixelSettings,
    apply=check_pixels,
    needs=("indicated_temperature",),
    makes=("pixel_fault", "pixels_repaired", "pixels_masked", "range_low", "range_high", "clipped_share"),
    version=2,
)
