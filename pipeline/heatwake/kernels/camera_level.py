"""What a wrong level of the camera leaves on a rise that was zeroed: it depends on how the camera goes wrong.

A board at ambient shows by how much a camera reads too high there [K]. Zeroing takes that off in radiance, as a
detector's own warmth adds it. An error that stays the same in degrees, as makers state theirs, is larger in radiance on
what is hot, and zeroing leaves the difference of the two.
"""

from typing import Any, Final

import numpy as np
import numpy.typing as npt

from heatwake.kernels.planck import BandTable

Array = npt.NDArray[np.floating[Any]]

HALF: Final = 0.5  # of what an error of the camera's level may bring is taken off: it may be all or nothing


def level_left(
    temperature: npt.ArrayLike,
    *,
    reading: npt.ArrayLike,
    zero: npt.ArrayLike,
    table: BandTable,
    seen: npt.ArrayLike,
) -> Array:
    """Return what zeroing leaves on a temperature of one kelvin that the camera reads too high everywhere [1].

    Parameters
    ----------
    temperature, reading : array
        Of the surface, and of a blackbody that gives the camera as much radiance [degC].
    zero : array
        Of the board when it was zeroed [degC].
    table : BandTable
        The camera's band.
    seen : array
        Share of the surface's blackbody radiance that reaches the camera: emissivity times transmittance.

    Examples
    --------
    >>> table = BandTable.for_band(7.5, 14.0)
    >>> float(level_left(60.0, reading=60.0, zero=23.0, table=table, seen=1.0).round(2))  # 1 - L'(23) / L'(60)
    0.27
    """
    more = table.slope(reading) - table.slope(zero)
    return np.asarray(more / (np.asarray(seen) * table.slope(temperature)))
