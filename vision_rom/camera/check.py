"""The angle target's verdict: whether this camera, from where it stands, reads known angles right.

Each bar is read as an arm is: the direction of a line in the picture, against that of the 0 bar, as an arm is read against
the trunk. The markers are used for the placement of the camera only, so that bars and markers check each other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vision_rom.camera.detect import BarView, TargetView
from vision_rom.camera.lens import Lens
from vision_rom.camera.placement import Placement, place_camera, typical_placement
from vision_rom.errors import NothingMeasurable
from vision_rom.handover import Floats

ALLOWED_DEG = 1.0
FEWEST_PICTURES = 3
MOVED_DEG = 1.5
"""Spread of the placement over the recording beyond which the camera or the sheet moved."""


@dataclass(frozen=True, slots=True)
class BarReading:
    """One known angle and what was read, medians over the pictures; NaN where not seen."""

    known_deg: float
    as_filmed_deg: float
    """From the plain picture."""
    straightened_deg: float
    """After the lens's distortion was removed; NaN without a camera profile."""
    facing_deg: float
    """After the camera's placement was removed too; without a profile by the assumed focal length."""
    spread_deg: float
    """Standard deviation over the pictures of the plain reading."""


@dataclass(frozen=True, slots=True)
class TargetCheck:
    """All bars, the camera's placement and the verdict."""

    target_name: str
    pictures: int
    readings: tuple[BarReading, ...]
    placement: Placement
    with_profile: bool
    moved: bool

    def read_deg(self, reading: BarReading) -> float:
        """Return what measuring would read from this picture: with the profile's lens if there is one."""
        return reading.straightened_deg if self.with_profile else reading.as_filmed_deg

    @property
    def largest_error_deg(self) -> float:
        """Over all bars but the 0 bar, as measuring reads them."""
        return max(abs(self.read_deg(r) - r.known_deg) for r in self.readings if r.known_deg != 0.0)

    @property
    def largest_facing_error_deg(self) -> float:
        """The same with the camera's placement removed, as when the target stays in the recording."""
        return max(abs(r.facing_deg - r.known_deg) for r in self.readings if r.known_deg != 0.0)

    @property
    def passed(self) -> bool:
        """Whether every angle is read within the allowed error as the camera stands."""
        return self.largest_error_deg <= ALLOWED_DEG

    @property
    def passed_with_target(self) -> bool:
        """Whether it would be if the target stays in the recording of the patient."""
        return self.largest_facing_error_deg <= ALLOWED_DEG

    @property
    def verdict(self) -> str:
        """One or two sentences for the user."""
        if self.passed:
            return f"Pass: every angle is read within {ALLOWED_DEG:g} deg (largest error {self.largest_error_deg:.1f} deg)."
        advice = _advice(self.placement, self.with_profile)
        also = (
            f" With the target left in the patient's recording the largest error is {self.largest_facing_error_deg:.1f} deg."
            if self.passed_with_target
            else ""
        )
        return (
            f"Fail: the largest error is {self.largest_error_deg:.1f} deg, {ALLOWED_DEG:g} is allowed; {advice}.{also}"
        )


def check_target(views: Sequence[TargetView], lens: Lens, *, with_profile: bool) -> TargetCheck:
    """Read all bars of a target seen in several pictures of a standing camera.

    ``lens`` is the profile's, or one of assumed focal length without distortion (``with_profile`` False). Raises
    :class:`NothingMeasurable` if too few pictures show the target with its bars.
    """
    usable = [view for view in views if view.target == views[0].target and _has_zero(view) and len(view.bars) > 1]
    placed = [(view, place_camera(view.sheet_m, view.corners_px, lens)) for view in usable]
    both = [(view, placement) for view, placement in placed if placement is not None]
    if len(both) < FEWEST_PICTURES:
        raise NothingMeasurable(
            f"The angle target was read in {len(both)} pictures, at least {FEWEST_PICTURES} are needed: film it from "
            "where the patient will be filmed, sharp, evenly lit, wholly in the picture, and larger or nearer if it is "
            "less than a tenth of the picture's height."
        )
    placement = typical_placement([p for _, p in both])
    as_filmed = [_angles(view, None, None) for view, _ in both]
    straightened = [_angles(view, lens, None) for view, _ in both] if with_profile else []
    # the placement of each picture removes a hand's movement, the mean of a standing camera removes noise
    facing = [_angles(view, lens, own.rotation) for view, own in both]
    readings = []
    for bar in both[0][0].target.bars():
        plain = _values(as_filmed, bar.angle_deg)
        if plain.size:
            readings.append(
                BarReading(
                    known_deg=bar.angle_deg,
                    as_filmed_deg=_median(plain),
                    straightened_deg=_median(_values(straightened, bar.angle_deg)),
                    facing_deg=_median(_values(facing, bar.angle_deg)),
                    spread_deg=float(np.std(plain, ddof=1)) if plain.size > 1 else float("nan"),
                )
            )
    angles = np.array([[p.turn_deg, p.pitch_deg, p.roll_deg] for _, p in both])
    noise = np.array(placement.sd_deg)
    return TargetCheck(
        target_name=both[0][0].target.name,
        pictures=len(both),
        readings=tuple(readings),
        placement=placement,
        with_profile=with_profile,
        moved=bool(np.any(angles.std(axis=0) > np.maximum(MOVED_DEG, 3.0 * noise))),
    )


def bar_angles_deg(
    bars: Sequence[BarView], lens: Lens | None = None, rotation: Floats | None = None
) -> dict[float, float]:
    """Return the angle read for each bar against the 0 bar, by the bar's known angle.

    Without a lens from the plain picture; with one after its distortion is removed; with the (3, 3) rotation from the
    sheet's axes to the camera's also as if the camera faced the sheet. Counter-clockwise from straight down, -90 to 270.
    """
    directions = {bar.angle_deg: _direction(_seen(bar.points_px, lens, rotation)) for bar in bars}
    zero = directions[0.0]
    found = {}
    for known, direction in directions.items():
        # y points down in the picture: a turn from down to the right has a negative cross product
        cross = zero[1] * direction[0] - zero[0] * direction[1]
        angle = float(np.degrees(np.arctan2(cross, zero @ direction)))
        found[known] = angle + 360.0 if angle < -90.0 else angle
    return found


def _angles(view: TargetView, lens: Lens | None, rotation: Floats | None) -> dict[float, float]:
    return bar_angles_deg(view.bars, lens, rotation)


def _seen(points_px: Floats, lens: Lens | None, rotation: Floats | None) -> Floats:
    if lens is None:
        return points_px
    if rotation is None:
        return lens.straighten(points_px)
    rays = lens.rays(points_px)
    turned = np.concatenate([rays, np.ones((len(rays), 1))], axis=1) @ rotation
    return np.asarray(turned[:, :2] / turned[:, 2:])


def _direction(points: Floats) -> Floats:
    """Return the unit vector along points, from the first to the last."""
    centred = points - points.mean(axis=0)
    along = np.linalg.svd(centred, full_matrices=False)[2][0]
    return np.asarray(along * np.sign(along @ (points[-1] - points[0])))


def _has_zero(view: TargetView) -> bool:
    return any(bar.angle_deg == 0.0 for bar in view.bars)


def _values(per_picture: Sequence[dict[float, float]], known_deg: float) -> Floats:
    return np.array([angles[known_deg] for angles in per_picture if known_deg in angles])


def _median(values: Floats) -> float:
    return float(np.median(values)) if values.size else float("nan")


def _advice(placement: Placement, with_profile: bool) -> str:
    """Name the larger of the two leans, or the lens if neither explains the error."""
    turn, pitch = placement.turn_deg, placement.pitch_deg
    if max(abs(turn), abs(pitch)) < 3.0:
        return (
            "measure the printed ruler and see that the sheet hangs flat"
            if with_profile
            else "the camera faces the wall squarely, so the lens bends the picture: make a camera profile"
        )
    if abs(turn) >= abs(pitch):
        # a camera turned to its right stands to the left of where it would look straight at the patient
        way, back = ("right", "left") if turn > 0 else ("left", "right")
        return (
            f"the camera is turned {abs(turn):.0f} deg to the {way}: turn it back to the {back} until it faces the wall "
            f"squarely, and move it to the {way} to have the patient in the middle"
        )
    way, back, move = ("up", "down", "higher") if pitch > 0 else ("down", "up", "lower")
    return (
        f"the camera is tipped {abs(pitch):.0f} deg {way}: tip it back {back} until it faces the wall squarely, and put it "
        f"{move} to have the patient in the middle"
    )
