"""What an examination of a recording finds: one record a finding, plain values only."""

from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]
Severity = Literal["note", "doubtful", "wrong"]

SEVERITIES: Final[tuple[Severity, ...]] = ("wrong", "doubtful", "note")  # the worst first


@dataclass(frozen=True, eq=False)
class Scene:
    """A picture as evidence: readings, where to look, what their colours mean.

    Attributes
    ----------
    picture : (rows, columns) array
        NaN where nothing is seen.
    lines : tuple of (n, 2) arrays
        Column and row of what is drawn over it [px].
    label : str
        Of the colours, with unit.
    """

    picture: Array
    lines: tuple[Array, ...] = ()
    label: str = "indicated temperature, °C"


@dataclass(frozen=True, eq=False)
class Course:
    """Curves over time as evidence.

    Attributes
    ----------
    elapsed : (n,) array
        [s]
    curves : tuple of (str, (n,) array)
        Name and values.
    label : str
        Of the values, with unit.
    """

    elapsed: Array
    curves: tuple[tuple[str, Array], ...]
    label: str


@dataclass(frozen=True)
class Finding:
    """One thing that a recording or its description shows.

    Attributes
    ----------
    kind : str
        One of :data:`KINDS`.
    severity : {"note", "doubtful", "wrong"}
        A note is dealt with or small; what is doubtful may shift results by its effect; what is wrong makes them
        useless where it is.
    sentence : str
        What is seen.
    effect_K : float
        On a reading at the place that suffers most [K]; NaN where it cannot be told.
    cure : str
        What to do about it.
    frames : tuple of int
        In which it is seen, some of them.
    elapsed_s : tuple of float
        When [s].
    places_px : tuple of (float, float)
        Column and row on the first frame.
    places_mm : tuple of (float, float)
        x and y on the board; empty where its place is not known.
    evidence : Scene, Course or None
        What to draw.
    """

    kind: str
    severity: Severity
    sentence: str
    effect_K: float
    cure: str
    frames: tuple[int, ...] = ()
    elapsed_s: tuple[float, ...] = ()
    places_px: tuple[tuple[float, float], ...] = ()
    places_mm: tuple[tuple[float, float], ...] = ()
    evidence: Scene | Course | None = None

    def as_json(self) -> dict[str, Any]:
        """Return it as plain values without its evidence, None for what is not known."""
        return {
            "kind": self.kind,
            "severity": self.severity,
            "sentence": self.sentence,
            "effect_K": round(self.effect_K, 3) if np.isfinite(self.effect_K) else None,
            "cure": self.cure,
            "frames": list(self.frames),
            "elapsed_s": [round(one, 3) for one in self.elapsed_s],
            "places_px": [[round(one, 1) for one in place] for place in self.places_px],
            "places_mm": [[round(one, 1) for one in place] for place in self.places_mm],
        }


@dataclass(frozen=True)
class Examination:
    """All findings of a recording, the worst first, and what could not be looked for.

    Attributes
    ----------
    findings : tuple of Finding
    untold : tuple of str
        What could not be judged, and why, a sentence each.
    """

    findings: tuple[Finding, ...] = ()
    untold: tuple[str, ...] = ()


KINDS: Final[dict[str, str]] = {  # and what to do about it
    "emissivity pattern": "Paint or tape what is bare metal, or give its emissivity; shroud what it mirrors.",
    "moving reflection": "Shroud board and camera with matt black cloth; nobody and no lamp in view of the film.",
    "own reflection": "Tilt camera or film until the camera does not see itself, or put black cloth round the lens.",
    "film crease": "Stretch the film anew before the next recording; leave parts under the line out of the verdict.",
    "film touches a part": "Give the film 5 mm of air over every part; leave the touched part out of the verdict.",
    "film bulge": "Stretch the film tighter; take the cold picture with the fan as in the test.",
    "film layers": "Use one layer of thin polyethylene film, not PVC, and measure its transmittance.",
    "out of focus": "Focus on a straight edge of the board and record again; sharpness cannot be put back.",
    "part too small": "Go nearer or take a longer lens until ten pixels lie across the part.",
    "offset drift": "Let the camera warm up for an hour, out of the exhaust and behind a baffle; keep bench in view.",
    "offset steps": "Nothing to do where frames follow closely; else note when the shutter closes, or record faster.",
    "range jump": "Fix the measuring range before recording; keep only the frames of one range.",
    "clipping": "Choose the measuring range above the hottest part.",
    "few levels": "Record radiometric data of 14 or 16 bit, not a colour video.",
    "visible overlay": "Switch image fusion off and record again.",
    "ambient sensor": "Hang it before an inlet, one or two opening widths away, shaded from the item and its exhaust.",
    "not at ambient": "Let the board rest until it is as cool as the room, and check the ambient's sensor.",
    "unsettled end": "Record longer, or quote the forecast with its interval.",
    "unequal power": "Meter the power of both runs and report K/W.",
}
