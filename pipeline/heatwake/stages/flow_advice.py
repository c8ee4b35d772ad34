"""Which further recording would settle a direction that one recording leaves open."""

import json
from typing import Final

import numpy as np
import xarray as xr

_IDENTIFIED: Final = 0
_STANDS: Final = {"off", "stopped", "none"}


def further_recording(session: xr.Dataset, flow: xr.Dataset) -> str:
    """Return one sentence: what to record next so that the direction can be told; empty where it is told.

    Parameters
    ----------
    session : Dataset
        What the session file says, with ``conditions`` among its attributes; and, where at hand, its maps.
    flow : Dataset
        What the flow stage made of it, with its notes among the attributes.
    """
    status = flow["board_flow_status"].values if "board_flow_status" in flow else np.zeros(0)
    if status.size and (status == _IDENTIFIED).any():
        return ""
    if not session.sizes.get("opening", 0):
        return "Declare the fan and the vents as openings: without them the half of the board is all that can be told."
    if flow.attrs.get("flow_outcome") == "no contrast on the board":
        return "Record with more power on: the parts hardly warm up, and there is no heat whose way could be seen."
    if not np.isfinite(_scalar(session, "power_on")):
        return (
            "Record from before power-on: the first 80 s of warming up tell what a settled map does not. "
            f"{_second(session)}"
        )
    return _second(session)


def _second(session: xr.Dataset) -> str:
    """The second recording, whose difference from this one takes copper, parts and emissivity out."""
    fan = json.loads(str(session.attrs.get("conditions", "{}"))).get("fan")
    alike = "same set-up, equal power, from before power-on"
    if fan in _STANDS:
        return f"The fan stands in this recording; record again with it running ({alike}) and compare the two."
    if fan is None:
        return (
            f"Record again with the fan off ({alike}), and say in both sessions' conditions what the fan does: "
            "one recording cannot tell a flow from copper that carries heat one way, a pair can."
        )
    return (
        f"Record again with the fan off, or turned round ({alike}), and compare the two: one recording cannot tell "
        "a flow from copper that carries heat one way, a pair can."
    )


def _scalar(session: xr.Dataset, name: str) -> float:
    return float(session[name]) if name in session else float("nan")
