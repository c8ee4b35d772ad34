"""What was wrong with the recording itself, in sentences: pixels, ends of the range, steps and drift of the camera."""

import numpy as np
import xarray as xr

from heatwake.report.words import count, number
from heatwake.stages.offset_drift import drift_sentence
from heatwake.stages.pixels import pixel_sentences

FAR = 4.0  # from the palette: from here on pixels of plain video are no readings
_SHOWN = 6  # steps that are told one by one


def data_quality(results: xr.Dataset) -> list[str]:
    """Return what to bear in mind of the recording's own quality, a sentence each; "nothing" is said as well.

    Parameters
    ----------
    results : Dataset
        With what the registration's product holds; its times may be called ``frame_elapsed``.
    """
    sentences = []
    if "pixel_fault" in results:
        told = [_sentence(text) for text in pixel_sentences(results)]
        sentences += told or ["No faulty pixel and no reading beyond the range was found in the frames sampled."]
    if "colour_distance" in results:
        sentences.append(_colours(results))
    if "offset_step" in results and "offset_step_uncertainty" in results:
        sentences.append(_steps(results))
    if "offset_drift" in results:
        sentences.append(_drift(results))
    return sentences


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def _colours(results: xr.Dataset) -> str:
    """How near the palette the colours of a video lie, and how much worse edges are read."""
    distance, error = (results[name].to_numpy() for name in ("colour_distance", "reading_uncertainty"))
    usual, far = np.nanquantile(distance, [0.5, 0.95])
    known, edges = np.nanquantile(error, [0.0, 0.95])
    return (
        f"Temperatures were read off the colour bar: colours lie {number(usual)} from its palette in the middle place "
        f"and {number(far)} at the worst twentieth (CIE L*a*b*; {FAR:g} and more at most places would be a doubtful "
        f"palette). A reading is known to {number(known, digits=2)} K by the bar and the compression alone, at the "
        f"steepest twentieth of the picture to {number(edges, digits=2)} K and worse."
    )


def _steps(results: xr.Dataset) -> str:
    steps, spread = (results[name].to_numpy() for name in ("offset_step", "offset_step_uncertainty"))
    at = np.flatnonzero(np.diff(steps, prepend=0.0))
    if not len(at):
        return "The camera's offset took no step common to all pixels."
    elapsed = results["frame_elapsed" if "frame_elapsed" in results else "elapsed"].to_numpy()
    variance = np.diff(np.square(spread), prepend=0.0)
    sizes = np.diff(steps, prepend=0.0)
    told = [
        f"{number(sizes[one], digits=2, signed=True)} ± {number(np.sqrt(max(variance[one], 0.0)), digits=3)} K at "
        f"{number(elapsed[one], digits=0)} s"
        for one in at[:_SHOWN]
    ]
    more = f" and {len(at) - _SHOWN} more" if len(at) > _SHOWN else ""
    return (
        f"{count(len(at), 'step')} of the camera's offset, common to all pixels, taken off: {', '.join(told)}{more}; "
        "their uncertainty counts in every budget after them."
    )


def _drift(results: xr.Dataset) -> str:
    drift, spread = (results[name].to_numpy() for name in ("offset_drift", "offset_drift_uncertainty"))
    if not np.isfinite(drift).any():
        return (
            "Drift of the camera's offset cannot be told: it takes the board's corners, surroundings in view beside it "
            "and an ambient log."
        )
    if told := drift_sentence(results):
        return _sentence(told)
    largest = int(np.nanargmax(np.abs(drift)))
    size = f"{number(drift[largest], digits=2, signed=True)} ± {number(spread[largest], digits=2)} K"
    return f"Beside the board the reading kept to the logged ambient: it moved by {size} at most."
