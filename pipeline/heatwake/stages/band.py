"""The camera's band as every stage sees it."""

import xarray as xr

from heatwake.kernels.planck import BandTable


def band_table(session: xr.Dataset) -> BandTable:
    """Return the table of the camera's spectral response where the session has one, else of its flat band.

    Parameters
    ----------
    session : Dataset
        With ``response_wavelength`` and ``response_value`` (response_sample), or ``band_low`` and ``band_high``.
    """
    if "response_value" in session:
        return BandTable.for_response(session["response_wavelength"].to_numpy(), session["response_value"].to_numpy())
    return BandTable.for_band(float(session["band_low"]), float(session["band_high"]))
