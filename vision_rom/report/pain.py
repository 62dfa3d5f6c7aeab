"""Pain of a reading, as plain values for the document and in words for the screen."""

from __future__ import annotations

import math
from typing import Any

from vision_rom.pain import Finding, PainfulArc, ReadingPain, RepetitionPain
from vision_rom.pain.arc import PainAngle, PhasePain

NOT_RECORDED = "Pain was not recorded."


def painful_arc_document(pain: ReadingPain) -> dict[str, Any]:
    """Return the entry ``painful_arc`` of a reading: angles to a tenth, NaN as null."""
    return _arc(pain.arc) | {
        "rest_score": rounded(pain.at_rest),
        "stopped_because": pain.stopped_because or None,
        "compared": {source: _arc(arc) for source, arc in pain.compared},
    }


def finding_document(finding: Finding) -> dict[str, Any]:
    """Return a finding as plain values; null where it was not said or not measured."""
    return {
        "kind": finding.kind,
        "name": finding.name,
        "side": finding.side,
        "painful": finding.painful,
        "score": rounded(finding.score),
        "grade": finding.grade,
        "text": finding.text or None,
        "at_s": rounded(finding.at_s, 3),
        "movement": finding.movement or None,
        "angle_deg": rounded(finding.angle_deg),
    }


def finding_in_words(finding: Finding) -> str:
    """Return a finding in one line."""
    said = [] if finding.painful is None else ["painful" if finding.painful else "not painful"]
    said += [f"{finding.score:g} of 10"] if math.isfinite(finding.score) else []
    said += [f"strength {finding.grade} of 5"] if finding.grade is not None else []
    said += [finding.text] if finding.text else []
    if math.isfinite(finding.angle_deg):
        said.append(f"done at {finding.angle_deg:z.0f}° of {finding.movement.replace('_', ' ')}")
    return f"{finding.kind.capitalize()}, {finding.side}: {finding.name}" + (f" ({', '.join(said)})" if said else "")


def pain_in_words(pain: ReadingPain, *, raising: str = "raising", lowering: str = "lowering") -> list[str]:
    """Return sentences for a reading's pain; what is not known is said so."""
    arc = pain.arc
    sentences = []
    if arc.pattern == "not recorded":
        sentences.append(NOT_RECORDED)
    elif arc.pattern == "none":
        sentences.append("No pain was signalled during the movement.")
    else:
        parts = [
            _phase_words(raising, arc.onset_raising, arc.end_raising),
            _phase_words(lowering, arc.onset_lowering, arc.end_lowering),
        ]
        told = " and ".join(part for part in parts if part) or "at angles that are not known"
        worst = f", worst score {arc.worst_score:g} of 10" if math.isfinite(arc.worst_score) else ""
        sentences.append(f"Pain reported {told} ({arc.pattern}; {', '.join(arc.sources)}{worst}).")
        if math.isfinite(arc.pain_free_deg):
            sentences.append(f"Free of pain up to {arc.pain_free_deg:z.0f}°, held {arc.largest_deg:z.0f}° at the most.")
    if math.isfinite(pain.at_rest):
        sentences.append(f"Pain at rest {pain.at_rest:g} of 10.")
    if pain.stopped_because:
        sentences.append(f"Stopped because: {pain.stopped_because}.")
    for source, other in pain.compared[1:]:
        angle = other.onset_raising
        sentences.append(
            f"By {source} it began at {_angle_words(angle)}." if angle else f"By {source} no onset on the way up."
        )
    return [*sentences, *arc.remarks]


def _phase_words(name: str, onset: PainAngle | None, end: PainAngle | None) -> str:
    ends = [f"from {_angle_words(onset)}" if onset else "", f"until {_angle_words(end)}" if end else ""]
    told = " ".join(one for one in ends if one)
    return f"{told} ({name})" if told else ""


def _angle_words(angle: PainAngle) -> str:
    if not angle.seen:
        return "an angle that was not seen"
    if not angle.usable:
        return "an angle that the speed blurs"
    low, high = angle.interval95_deg
    return f"{angle.angle_deg:z.0f}° ({low:z.0f} to {high:z.0f}°)"


def _arc(arc: PainfulArc) -> dict[str, Any]:
    return {
        "pattern": arc.pattern,
        "onset_raising": _angle(arc.onset_raising),
        "end_raising": _angle(arc.end_raising),
        "onset_lowering": _angle(arc.onset_lowering),
        "end_lowering": _angle(arc.end_lowering),
        "worst_score": rounded(arc.worst_score),
        "pain_free_deg": rounded(arc.pain_free_deg),
        "largest_deg": rounded(arc.largest_deg),
        "sources": list(arc.sources),
        "remarks": list(arc.remarks),
        "repetitions": [_repetition(one) for one in arc.repetitions],
    }


def _repetition(one: RepetitionPain) -> dict[str, Any]:
    return {
        "pattern": one.pattern,
        "score": rounded(one.score),
        "pain_free_deg": rounded(one.pain_free_deg),
        "raising": _phase(one.raising),
        "lowering": _phase(one.lowering),
    }


def _phase(phase: PhasePain | None) -> dict[str, Any] | None:
    if phase is None:
        return None
    return {
        "onset": _angle(phase.onset),
        "end": _angle(phase.end),
        "low_deg": rounded(phase.low_deg),
        "high_deg": rounded(phase.high_deg),
    }


def _angle(angle: PainAngle | None) -> dict[str, Any] | None:
    if angle is None:
        return None
    return {
        "angle_deg": rounded(angle.angle_deg) if angle.usable else None,
        "interval95_deg": [rounded(one) for one in angle.interval95_deg] if angle.seen else None,
        "time_s": rounded(angle.time_s, 3),
    }


def rounded(value: float, digits: int = 1) -> float | None:
    """Return a number as the document holds it; NaN as null."""
    return round(float(value), digits) if math.isfinite(value) else None
