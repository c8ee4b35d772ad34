"""The page of a validation, and the same for programs."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from heatwake.kernels.direction_scores import arrows_needed
from heatwake.report.as_json import plain
from heatwake.report.film_lid import FilmLidFinding
from heatwake.report.page import identity, record, render, two_forms
from heatwake.report.probe_agreement import ProbeFinding
from heatwake.report.tuft_scores import DirectionFinding
from heatwake.report.validation_figures import angles_figure, film_lid_figure, probes_figure


@dataclass(frozen=True)
class Findings:
    """What was found of each protocol; None where it was not carried out."""

    film_lid: FilmLidFinding | None = None
    thermocouples: ProbeFinding | None = None
    directions: DirectionFinding | None = None

    @property
    def is_borne_out(self) -> bool:
        """Whether every protocol shows what it is to show."""
        shown = [
            None if self.film_lid is None else self.film_lid.is_shown,
            None if self.thermocouples is None else self.thermocouples.agrees,
            None if self.directions is None else self.directions.is_shown,
        ]
        return False not in shown

    @property
    def answers(self) -> list[str]:
        """A sentence or two of each."""
        return [one.answer for one in (self.film_lid, self.thermocouples, self.directions) if one is not None]


def validation_page(
    findings: Findings, *, title: str, settings: Mapping[str, Any], provenance: Mapping[str, Any]
) -> str:
    """Return the page: self-contained, nothing fetched."""
    directions = findings.directions
    return render(
        "validation.html",
        explorer=None,
        title=title,
        identity=identity(title, settings, provenance),
        answers=findings.answers,
        film_lid=findings.film_lid,
        probes=findings.thermocouples,
        directions=directions,
        needed=0 if directions is None else arrows_needed(directions.limit),
        figures=_figures(findings),
        settings=record(settings),
        provenance=record(provenance),
    )


def _figures(findings: Findings) -> dict[str, dict[str, Any]]:
    made: dict[str, dict[str, Any]] = {}
    lid, probes, directions = findings.film_lid, findings.thermocouples, findings.directions
    if lid is not None:
        alt = "Each place's rise with the film less that with the lid, as intervals beside the bound"
        made["filmlid"] = two_forms(lambda width: film_lid_figure(lid, width=width), name="filmlid", alt=alt)
    if probes is not None:
        alt = "Camera less thermocouple over the rise, with the mean and the limits of agreement"
        made["probes"] = two_forms(lambda width: probes_figure(probes, width=width), name="probes", alt=alt)
    if directions is not None and directions.wrong.count:
        alt = "Histogram of the angle from tuft to arrow"
        made["angles"] = two_forms(lambda width: angles_figure(directions, width=width), name="angles", alt=alt)
    return made


def findings_as_json(findings: Findings) -> dict[str, Any]:
    """Return everything found, as plain values."""
    found: dict[str, Any] = {"is_borne_out": findings.is_borne_out, "answers": findings.answers}
    if (lid := findings.film_lid) is not None:
        told = {name: getattr(lid, name) for name in ("is_shown", "is_power_equal", "power_difference", "least_bound")}
        places = [asdict(row) | {"is_shown": row.test.is_shown} for row in lid.places]
        found["film_lid"] = asdict(lid) | told | {"places": places}
    if (probes := findings.thermocouples) is not None:
        rows = [asdict(row) | {"agrees": row.agrees} for row in probes.rows]
        content = asdict(probes) | {"agrees": probes.agrees, "rows": rows}
        found["thermocouples"] = {name: value for name, value in content.items() if name != "points"}
    if (directions := findings.directions) is not None:
        told = {name: getattr(directions, name) for name in ("is_shown", "is_still_clean")}
        told["arrows_needed"] = arrows_needed(directions.limit, wrong=directions.wrong.hits)
        found["directions"] = asdict(directions) | told
    return dict(plain(_lists(found)))


def _lists(value: Any) -> Any:
    """Return arrays as lists."""
    if isinstance(value, Mapping):
        return {key: _lists(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_lists(inner) for inner in value]
    return value.tolist() if isinstance(value, np.ndarray) else value
