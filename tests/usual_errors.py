"""Uncertainties as a session has them by default, for tests of the budget and of what it must agree with."""

from heatwake.kernels.budget import InputErrors

USUAL = InputErrors(
    transmittance=0.01,
    film_reflectance=0.02,
    emissivity=0.02,
    reflected=3.0,
    film_temperature=3.0,
    ambient=0.2,
    drift=0.1,
    accuracy=2.0,
    accuracy_percent=2.0,
    netd=0.05,
)
