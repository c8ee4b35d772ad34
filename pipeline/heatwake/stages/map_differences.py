"""Two maps less each other on the reference's grid, and where they differ by more than noise."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from heatwake.kernels.significance import gradient_uncertainty, significant, without_small
from heatwake.stages.aligned import U_SHAPED, Aligned
from heatwake.stages.pair import ComparisonSettings, Pair, scaled_share

Array = npt.NDArray[Any]

EXPLAINED: Final = 2.58  # standard uncertainties: 99 of 100
LEAST_SHARE: Final = 0.25  # of what a place stands out by: its own difference


@dataclass(frozen=True)
class MapDifference:
    """Two maps less each other.

    Attributes
    ----------
    difference, uncertainty, local : (y, x) arrays
        [K]; the last is the standard uncertainty of a difference against that of the board as a whole.
    rise : (y, x) array
        Of the reference [K].
    shift, common : float
        Median difference of the board, and standard uncertainty of what all its places share [K].
    freedom : (y, x) array
        Degrees of freedom of the uncertainties.
    """

    difference: Array
    uncertainty: Array
    local: Array
    rise: Array
    shift: float
    common: float
    freedom: Array

    @classmethod
    def of(cls, aligned: Aligned, pair: Pair, settings: ComparisonSettings) -> "MapDifference":
        """Return the session's map less the reference's, on the reference's grid."""
        here, base = aligned.here, aligned.there
        level = pair.factor * aligned.map_level
        rise, own, local = (pair.factor * array.to_numpy() for array in (here.rise, here.own, here.local))
        rise = rise - level
        there = base.rise.to_numpy()
        # A shared error of place moves the edges of what is hot in both maps alike; what differs is one map's own.
        placement = gradient_uncertainty(there, placement=aligned.placement_px(settings))
        scaled = scaled_share(pair, settings) * np.maximum(np.abs(rise), np.abs(there))
        beside = placement**2 + 2 * settings.local_K**2 + scaled**2
        middle = np.nanmedian(level) if np.isfinite(level).any() else 0.0
        whole = np.sqrt(own**2 + base.own.to_numpy() ** 2 + beside + (level / U_SHAPED) ** 2)
        alone = np.sqrt(local**2 + base.local.to_numpy() ** 2 + beside + ((level - middle) / U_SHAPED) ** 2)
        shared = np.sqrt(np.maximum(whole**2 - alone**2, 0))
        common = float(np.nanmedian(shared)) if np.isfinite(shared).any() else np.nan
        if pair.repeats is not None:  # enough of them tell what ambient sensor and camera bring
            assumed = 0.0 if pair.trusts_repeats else common
            common = max(assumed, np.sqrt(2) * pair.repeats.constant)
            whole = alone if pair.trusts_repeats else whole
        whole, freedom = pair.at_least(whole, there)
        alone, alone_freedom = pair.at_least(alone, there, constant=False)
        difference = rise - there
        shift = float(np.nanmedian(difference)) if np.isfinite(difference).any() else np.nan
        return cls(difference, whole, alone, there, shift, common, np.minimum(freedom, alone_freedom))

    def significant(self, settings: ComparisonSettings, *, least: int) -> Array:
        """Return where the maps differ by more than noise."""
        flags = stands_out(
            self.difference,
            self.uncertainty,
            local=self.local,
            shift=self.shift,
            common=self.common,
            rate=settings.false_discovery_rate,
            freedom=self.freedom,
        )
        return without_small(flags, least=least)


def stands_out(
    difference: Array,
    uncertainty: Array,
    *,
    local: Array,
    shift: float,
    common: float,
    rate: float,
    freedom: Array | float = np.inf,
) -> Array:
    """Tell which differences are more than noise: by themselves, or against a shift that all places share.

    What ambient sensor and camera may be wrong by shifts a whole map; a place that differs where the board as a whole
    does not has changed, though by less than that. Counted only where the board's shift is no more than such errors
    explain (in 99 of 100), and where the place's own difference has the sign of what it stands out by and is at least
    a quarter of it: a place that stays while the board changes is none that changed. More than a quarter costs hits
    (half: 8 in 100 of changes of 0.5 K under sensors 0.12 K off), for a shift the other way hides part of a change.

    Parameters
    ----------
    difference, uncertainty, local : arrays of one shape
        [K]; ``local`` is the uncertainty without what all places share.
    shift, common : float
        Median difference of the board and standard uncertainty of what all places share [K].
    rate : float
        False discovery rate, half of it for either test.
    freedom : float or array
        Degrees of freedom of the uncertainties.
    """
    flags = significant(difference, uncertainty, rate=rate / 2, freedom=freedom)
    if not abs(shift) <= EXPLAINED * common:
        return flags
    apart = difference - shift
    against = significant(apart, local, rate=rate / 2, freedom=freedom)
    return np.asarray(
        flags | (against & (difference * apart > 0) & (np.abs(difference) >= LEAST_SHARE * np.abs(apart)))
    )
