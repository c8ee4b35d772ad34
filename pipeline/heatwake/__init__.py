"""Numbers from thermal recordings of fan-cooled electronics seen through a film lid."""

from os import PathLike
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from xarray import DataTree

__all__ = ["__version__", "open_results"]

__version__ = "0.1.0"


def open_results(path: str | PathLike[str]) -> "DataTree":
    """Return a folder of results as one tree of data sets: ``open_results("results/x")["fan_out/regions"]``.

    See :func:`heatwake.store.tree.open_results`.
    """
    from pathlib import Path

    from heatwake.store import tree  # slow to import

    return tree.open_results(Path(path))
