"""Line drawings of where the patient and the phone stand, seen from above, drawn from the catalogue."""

from __future__ import annotations

import math
from collections.abc import Sequence

from vision_rom.handover import Side
from vision_rom.movements.model import Movement

WIDTH_PX, HEIGHT_PX = 320, 330
PATIENT_AT = (160.0, 95.0)
PHONE_AT = (160.0, 285.0)
HALF_SHOULDERS_PX = 38.0
HALF_CHEST_PX = 15.0
UPPER_ARM_PX = 44.0
FOREARM_PX = 36.0
HEAD_PX = 15.0

Point = tuple[float, float]


def where_to_stand_svg(movement: Movement, *, side: Side = "right", words: bool = True) -> str:
    """Return an SVG picture of the patient from above, the arm that moves in bold, and the phone.

    The phone is always at the bottom; the patient is turned as the best view asks. Without ``words`` it says nothing in any
    language.
    """
    plan = _Plan(movement, side)
    title = f"{movement.title}: where the phone stands, seen from above ({side} arm)"
    shapes = [
        f'<rect width="{WIDTH_PX}" height="{HEIGHT_PX}" fill="#fff"/>',
        _line([plan.page(0, 0), (PHONE_AT[0], PHONE_AT[1] - 14)], "#999", 1, dashed=True),
        plan.trunk(),
        _circle(plan.page(0, 4), HEAD_PX, "#fff"),
        _circle(plan.page(0, 4 + HEAD_PX), 3, "#222"),
        _line(plan.arm(), "#c2410c", 7),
        *plan.arrow(),
        f'<rect x="{PHONE_AT[0] - 16:g}" y="{PHONE_AT[1] - 6:g}" width="32" height="12" rx="3" fill="#222"/>',
    ]
    if words:
        shapes += [
            _text(PHONE_AT[0], PHONE_AT[1] + 28, f"phone at the {movement.camera_height}"),
            _text(PHONE_AT[0] + 62, (PATIENT_AT[1] + PHONE_AT[1]) / 2 + 40, f"about {movement.camera_distance_m:g} m"),
        ]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH_PX} {HEIGHT_PX}" width="{WIDTH_PX}" '
        f'height="{HEIGHT_PX}" role="img" aria-label="{title}">\n<title>{title}</title>\n'
        + "\n".join(shapes)
        + "\n</svg>\n"
    )


class _Plan:
    """The patient's own axes on the page: towards the measured side, and forward."""

    def __init__(self, movement: Movement, side: Side) -> None:
        self.movement = movement
        # with the phone at the bottom of the page, the right side of a patient who faces it lies to the left
        azimuth = math.radians(movement.camera_azimuth_deg)
        self.mirror = -1.0 if side == "right" else 1.0
        self.outward = self.mirror * math.cos(azimuth), math.sin(azimuth)
        self.forward = -self.mirror * math.sin(azimuth), math.cos(azimuth)

    def page(self, outward_px: float, forward_px: float) -> Point:
        return (
            PATIENT_AT[0] + outward_px * self.outward[0] + forward_px * self.forward[0],
            PATIENT_AT[1] + outward_px * self.outward[1] + forward_px * self.forward[1],
        )

    def trunk(self) -> str:
        """Outline of the shoulders; as points, since not every viewer turns an ellipse alike."""
        angles = [math.radians(10 * step) for step in range(36)]
        outline = [self.page(HALF_SHOULDERS_PX * math.cos(a), HALF_CHEST_PX * math.sin(a)) for a in angles]
        return f'<polygon points="{_points(outline)}" fill="#eee" stroke="#222" stroke-width="2"/>'

    def arm(self) -> list[Point]:
        """Shoulder, elbow and hand as they lie when the movement is under way."""
        return [self.page(*point) for point in self._arm_points()]

    def _arm_points(self) -> Sequence[Point]:
        shoulder = (HALF_SHOULDERS_PX, 0.0)
        match self.movement.kind:
            case "elevation":
                plane = math.radians(self.movement.plane_angle_deg or 0.0)
                reach = self.movement.direction * (UPPER_ARM_PX + FOREARM_PX)
                return shoulder, (shoulder[0] + reach * math.cos(plane), shoulder[1] + reach * math.sin(plane))
            case "distance":
                return shoulder, (shoulder[0] - 22, UPPER_ARM_PX - 6), (-HALF_SHOULDERS_PX, 24.0)
            case "zone":
                return shoulder, (shoulder[0] + 16, -24.0), (0.0, -22.0)
            case _ if self.movement.plane == "sagittal" and self.movement.kind != "hinge":
                elbow = (shoulder[0] + UPPER_ARM_PX, 0.0)
                return shoulder, elbow, (elbow[0], FOREARM_PX)
            case _:
                return shoulder, (shoulder[0], FOREARM_PX + 8)

    def arrow(self) -> list[str]:
        """Way of the hand where it moves sideways in this view from above; nothing where it moves up or down."""
        if self.movement.kind != "axial_rotation" or self.movement.plane != "transverse":
            return []
        start, end = (80.0, 45.0) if self.movement.direction > 0 else (100.0, 135.0)
        pivot, radius = (HALF_SHOULDERS_PX, 0.0), FOREARM_PX + 22
        angles = [math.radians(start + (end - start) * step / 8) for step in range(9)]
        path = [(pivot[0] + radius * math.cos(a), pivot[1] + radius * math.sin(a)) for a in angles]
        tip, before = path[-1], path[-2]
        along = math.atan2(tip[1] - before[1], tip[0] - before[0])
        head = [(tip[0] - 9 * math.cos(along + turn), tip[1] - 9 * math.sin(along + turn)) for turn in (0.5, -0.5)]
        pages = [self.page(*point) for point in path]
        barbs = [self.page(*head[0]), self.page(*tip), self.page(*head[1])]
        return [_line(pages, "#222", 2), _line(barbs, "#222", 2)]


def _line(points: Sequence[Point], colour: str, width: float, *, dashed: bool = False) -> str:
    dashes = ' stroke-dasharray="5 5"' if dashed else ""
    return (
        f'<polyline points="{_points(points)}" fill="none" stroke="{colour}" stroke-width="{width:g}" stroke-linecap="round" '
        f'stroke-linejoin="round"{dashes}/>'
    )


def _points(points: Sequence[Point]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)


def _circle(centre: Point, radius: float, fill: str) -> str:
    return f'<circle cx="{centre[0]:.1f}" cy="{centre[1]:.1f}" r="{radius:g}" fill="{fill}" stroke="#222" stroke-width="2"/>'


def _text(x: float, y: float, words: str) -> str:
    return f'<text x="{x:g}" y="{y:g}" font-family="sans-serif" font-size="13" text-anchor="middle">{words}</text>'
