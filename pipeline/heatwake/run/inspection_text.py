"""An inspection in words, for the screen."""

from collections.abc import Iterator

import numpy as np

from heatwake.run.inspect import Inspection, PartSize
from heatwake.schema.findings import Finding

SHOWN = 4  # places or frames that are told one by one


def inspection_lines(found: Inspection) -> list[str]:
    """Return what was found, line by line: the facts, then what is wrong and what is doubtful."""
    lines = [f"{found.session}: {found.title}" if found.title else found.session]
    if found.frames:
        lines += [f"  {name:<13}{text}" for name, text in _facts(found)]
    lines += [f"WRONG: {sentence}" for sentence in found.wrong]
    lines += [f"doubtful: {sentence}" for sentence in found.doubtful]
    lines += [line for finding in found.findings for line in _finding(finding)]
    lines += [f"not told: {sentence}" for sentence in found.untold]
    if not (found.wrong or found.doubtful or found.findings):
        lines.append("nothing wrong, nothing doubtful")
    return lines


def _finding(finding: Finding) -> Iterator[str]:
    """Yield what was found, what it costs, where and when, and the cure."""
    word = finding.severity.upper() if finding.severity == "wrong" else finding.severity
    yield f"{word}: {finding.kind}: {finding.sentence}"
    facts = [f"effect {finding.effect_K:.2g} K"] if np.isfinite(finding.effect_K) else []
    if finding.places_mm:
        facts.append("at " + "; ".join(f"{x:.0f}, {y:.0f} mm" for x, y in finding.places_mm[:SHOWN]))
    elif finding.places_px:
        facts.append("at " + "; ".join(f"column {x:.0f}, row {y:.0f}" for x, y in finding.places_px[:SHOWN]))
    if finding.frames:
        more = " and others" if len(finding.frames) > SHOWN else ""
        facts.append(
            f"frame{'s' if len(finding.frames) > 1 else ''} {', '.join(map(str, finding.frames[:SHOWN]))}{more}"
        )
    if facts:
        yield f"  {'; '.join(facts)}"
    yield f"  cure: {finding.cure}"


def _facts(found: Inspection) -> Iterator[tuple[str, str]]:
    yield "frames", f"{found.frames} of {found.columns}x{found.rows} pixels"
    clock = f", from {found.clock}" if found.clock else ""
    gaps = f", {found.gaps} gaps (longest {found.longest_gap_s:g} s)" if found.gaps else ", no gaps"
    yield "time", f"{found.span_s:g} s, every {found.interval_s:g} s{gaps}{clock}"
    yield "readings", f"{found.lowest:.1f} to {found.highest:.1f} °C, median {found.median:.1f} °C"
    shares = f"{found.masked_share:.1%} of pixels, saturated {found.saturated_share:.1%}"
    yield "no reading", f"{shares}; frames that repeat {found.frozen_share:.1%} (of {found.looked_at} looked at)"
    if np.isfinite(found.uncertainty_K):
        yield "expected", f"rise ± {found.uncertainty_K:.2f} K (k=1) at {found.uncertainty_at_degC:.0f} °C"
    if found.parts:
        yield "parts", ", ".join(_part(one) for one in found.parts)
    size = f"{found.disk_bytes / 1e6:.0f} MB of {found.free_bytes / 1e9:.0f} GB free"
    yield "a run takes", f"about {found.seconds:.0f} s, {size}"
    yield "picture", found.sheet + (f", {found.findings_sheet}" if found.findings_sheet else "")


def _part(part: PartSize) -> str:
    if not np.isfinite([part.across_x, part.across_y]).all():
        return f"{part.name} (no size)"
    return f"{part.name} {part.across_x:.0f}x{part.across_y:.0f} px"
