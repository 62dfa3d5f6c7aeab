"""A note to paste into the chart, in the trade's order; the impression is left to the clinician."""

from __future__ import annotations

from vision_rom.records import StoredReading
from vision_rom.visit_report import words
from vision_rom.visit_report.content import VisitContent

TRIPLES = (
    ("abduction", "adduction", "Abduction-0-adduction"),
    ("flexion", "extension", "Flexion-0-extension"),
    ("external_rotation", "internal_rotation", "External rotation-0-internal rotation, arm at the side"),
    ("external_rotation_90", "internal_rotation_90", "External rotation-0-internal rotation, arm at 90° of abduction"),
)
"""Pairs about one axis, written by the neutral-zero method (Debrunner): away from the body, zero, towards it."""


def chart_text(content: VisitContent) -> str:
    """Return the note as plain text."""
    visit = content.visit
    motion = {"active": "Active", "assisted": "Assisted active", "passive": "Passive"}[visit.motion]
    lines = [
        f"{visit.date}, patient {content.patient.code}, {visit.position}, camera-based measurement ({content.status})",
        f"Inspection: {visit.inspection or 'not recorded'}",
        f"Palpation: {visit.palpation or 'not recorded'}",
        f"{motion} range of motion, held angle with 95% interval:",
    ]
    for row in content.rows:
        for side in ("right", "left"):
            reading = row.of(side)
            pain = words.pain(reading)
            lines.append(f"  {row.title}, {side}: {words.value(reading)}" + (f"; {pain}" if pain else ""))
    lines += [f"  {text}" for text in neutral_zero(content)]
    by_kind = {
        kind: [one for one in content.findings if one["kind"] == kind] for kind in ("strength", "provocative test")
    }
    lines.append("Strength: " + ("; ".join(map(words.finding, by_kind["strength"])) or "not recorded"))
    lines.append("Tests: " + ("; ".join(map(words.finding, by_kind["provocative test"])) or "not recorded"))
    lines.append("Comparison:")
    for row in content.rows:
        side_difference = words.difference(row.difference_deg, row.difference_half_deg)
        if side_difference != "-":
            lines.append(f"  {row.title}, right minus left: {side_difference}")
        for side in ("right", "left"):
            if side in row.since_last:
                lines.append(f"  {row.title}, {side}: {words.change(row.since_last[side])}")
    if content.compensations:
        lines += ["Compensations:", *(f"  {text}" for text in content.compensations)]
    if content.unread:
        lines += ["Not measured:", *(f"  {text}" for text in content.unread)]
    lines += ["Impression: ", "", words.CAUTION]
    return "\n".join(lines) + "\n"


def neutral_zero(content: VisitContent) -> list[str]:
    """Return the triples of both sides, with the movements' names, where at least one of the pair was measured."""
    lines = []
    for first, second, name in TRIPLES:
        for side in ("right", "left"):
            pair = [_reading(content, one, side) for one in (first, second)]
            if not any(pair):
                continue
            shown = [f"{one.held_deg:.0f}" if one is not None else "not measured" for one in pair]
            lines.append(f"{name}, {side}: {shown[0]}-0-{shown[1]}")
    return lines


def _reading(content: VisitContent, name: str, side: str) -> StoredReading | None:
    for row in content.rows:
        reading = row.of(side) if row.name == name else None
        if reading is not None and reading.measured:
            return reading
    return None
