"""What a stage is."""

from collections.abc import Callable
from dataclasses import dataclass

import xarray as xr

from heatwake.schema.settings import Settings


@dataclass(frozen=True)
class Stage:
    """One step of the pipeline: a name, a settings class and a function from dataset to dataset.

    Attributes
    ----------
    name : str
        Also the name of the stage's table in a workflow file.
    settings : type of Settings
        Its settings; every field has a default.
    apply : callable
        ``(dataset, settings) -> dataset`` with what the stage makes; the input is never changed.
    needs, makes : tuple of str
        Variables of the data model.
    version : int
        Raised whenever results change; part of the fingerprint.
    """

    name: str
    settings: type[Settings]
    apply: Callable[..., xr.Dataset]
    needs: tuple[str, ...]
    makes: tuple[str, ...]
    version: int
