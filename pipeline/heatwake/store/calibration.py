"""Counts of a camera without a scale of its own, through its owner's calibration on blackbodies."""

import logging
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from heatwake.kernels.planck import BandTable
from heatwake.schema.session import Camera, Frames
from heatwake.store.frames import Recording
from heatwake.store.tables import read_calibration, read_response

Array = npt.NDArray[np.float64]

logger = logging.getLogger(__name__)

MENTIONED: Final = 1e-4  # share of pixels outside a calibration that is worth a word


@dataclass(frozen=True, eq=False)
class Calibration:
    """Blackbody temperatures of counts; between the calibrated ones the band's radiance is linear in counts.

    A thermal detector's signal follows the power that it receives. Of points 40 K apart straight lines in radiance err
    by what the detector itself is not linear; straight lines in degrees err by some 2 K between them.

    Attributes
    ----------
    counts, degrees : (n,) array
        Both increasing; [degC].
    table : BandTable
        The camera's band.
    """

    counts: Array
    degrees: Array
    table: BandTable

    def temperature(self, counts: Array) -> Array:
        """Return blackbody temperatures [degC]; NaN outside the calibration, for nothing is known there."""
        known = self.table.radiance(self.degrees)
        radiances = np.interp(counts, self.counts, known, left=np.nan, right=np.nan)
        return np.asarray(self.table.temperature(radiances), dtype=np.float64)

    def tell_outside(self, recording: Recording, frames: Frames) -> None:
        """Warn where pixels of the first, the middle or the last frame lie outside the calibration."""
        last = recording.shape[0] - 1
        shares = [self._outside(recording[slice(n, n + 1), :, :], frames) for n in sorted({0, last // 2, last})]
        if shares and max(shares) > MENTIONED:
            low, high = (float(self.counts[end]) for end in (0, -1))
            text = "up to %.2g %% of a frame's pixels lie outside the calibration (%g to %g counts): no reading there"
            logger.warning(text, 100 * max(shares), low, high)

    def _outside(self, stored: npt.NDArray[Any], frames: Frames) -> float:
        counts = stored.astype(np.float64) * frames.scale + frames.offset
        seen = np.isfinite(counts)
        if stored.dtype.kind == "u" and frames.masked is not None:
            seen &= stored != frames.masked
        outside = seen & ((counts < self.counts[0]) | (counts > self.counts[-1]))
        return float(outside.sum() / max(seen.sum(), 1))


def open_calibration(frames: Frames, camera: Camera, *, folder: Path) -> Calibration | None:
    """Return the calibration of frames in counts; None where they hold temperatures."""
    if frames.unit != "counts" or frames.calibration is None:
        return None
    counts, degrees = read_calibration(folder / frames.calibration)
    if camera.response is not None:
        table = BandTable.for_response(*read_response(folder / camera.response))
    else:
        table = BandTable.for_band(*camera.band_um)
    return Calibration(counts, degrees, table)
