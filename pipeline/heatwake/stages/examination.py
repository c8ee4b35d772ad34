"""A recording examined for what commonly goes wrong, before or while it is run: one look, many signs."""

from collections.abc import Callable, Iterator
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import xarray as xr

from heatwake.kernels.signs_of_film import LEAST_ACROSS_PX, shows_folds
from heatwake.schema.findings import SEVERITIES, Examination, Finding
from heatwake.stages import findings_of_camera, findings_of_film, findings_of_test
from heatwake.stages.case import LEAST_LOOKS, Case
from heatwake.stages.look import Look, take_look

VERSION: Final = 3  # raised whenever findings change
LEAST_FRAMES: Final = 8
SIGNS: Final[tuple[Callable[[Case], Iterator[Finding]], ...]] = (
    findings_of_camera.clipping,
    findings_of_camera.coarse_readings,
    findings_of_camera.drawn_in,
    findings_of_camera.blurred,
    findings_of_camera.steps,
    findings_of_camera.range_jumps,
    findings_of_camera.drift,
    findings_of_film.layers,
    findings_of_film.creases,
    findings_of_film.moving_and_jumping,
    findings_of_test.small_parts,
    findings_of_test.ambient_sensor,
    findings_of_test.not_at_ambient,
    findings_of_test.unsettled,
)
HIDES: Final[dict[str, tuple[str, ...]]] = {  # what a fault looks like as well, so that it cannot be told beside it
    "visible overlay": (
        "moving reflection",
        "film touches a part",
        "film bulge",
        "emissivity pattern",
        "range jump",
        "film crease",
    ),
    "moving reflection": ("range jump", "offset steps", "unsettled end", "film touches a part", "film bulge"),
    "range jump": ("offset steps", "offset drift", "unsettled end", "film touches a part", "film bulge"),
    "clipping": ("unsettled end", "film crease", "visible overlay"),  # a clipped spot's rim is sharper than any lens
    "film touches a part": ("unsettled end",),
}


def examine(session: xr.Dataset, look: Look | None = None, *, offsets: npt.NDArray[Any] | None = None) -> Examination:
    """Return what a session's recording and description show that is wrong or doubtful.

    About a hundred frames are read, however long the recording is. Each sign is published or common practice; see its
    kernel. What cannot be judged is told as well.

    Parameters
    ----------
    session : Dataset
        As read.
    look : Look, optional
        At the recording, where one was taken already.
    offsets : (frame,) array, optional
        By how much the camera reads high, of steps so far [K], where all frames have been looked at.
    """
    if session.sizes["frame"] < LEAST_FRAMES:
        return Examination((), (f"fewer than {LEAST_FRAMES} frames: the recording was not examined",))
    seen = take_look(session) if look is None else look
    if not np.isfinite(seen.pictures).any():
        return Examination((), ("no reading in the frames looked at: the recording was not examined",))
    case = Case(session, seen, offsets)
    found: list[Finding] = []
    for sign in SIGNS:
        found.extend(sign(case))
    found.extend(findings_of_film.cold_picture(case, found))
    hidden = {kind for one in found for kind in HIDES.get(one.kind, ())}
    found = [one for one in found if one.kind not in hidden]
    order = sorted(found, key=lambda one: (SEVERITIES.index(one.severity), -np.nan_to_num(one.effect_K, nan=1e3)))
    untold = [*_untold(case), *_hidden_by({one.kind for one in found})]
    return Examination(tuple(order), tuple(untold))


def _hidden_by(kinds: set[str]) -> Iterator[str]:
    for kind, hidden in HIDES.items():
        if kind in kinds:
            yield f"beside the {kind}: {', '.join(hidden)}"


def _untold(case: Case) -> Iterator[str]:
    look = case.look
    if case.corners is None:
        yield (
            "without corners_px: drift, sharpness, the camera's own reflection and the cold board's pattern were not "
            "looked for"
        )
    elif not len(findings_of_camera.beside(case)[3]):
        yield "nothing beside the board is in view: drift of the camera was not looked for"
    if case.corners is not None and np.isnan(findings_of_camera.outline_spread(case)):
        yield "too little to see around the board's outline: sharpness was not looked for"
    if case.explained[2].sum() < LEAST_LOOKS:
        yield "too few frames to tell what moves or jumps from heat"
    if not bool(case.session["film_present"]):
        yield "no film: folds, bulges and touching were not looked for"
    elif not shows_folds(case.inside):
        yield f"the board is less than {LEAST_ACROSS_PX} px across: folds were not looked for"
    if np.isnan(look.power_on):
        yield "no power-on in the recording: whether it settles was not looked for"
    elif not len(case.cold):
        yield (
            "no frames of the cold board: emissivity pattern and own reflection were not looked for; record ten "
            "seconds before power-on"
        )
    if not np.isfinite(look.ambient).all():
        yield "no ambient: whether its sensor is in the right place was not looked for"
