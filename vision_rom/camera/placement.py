"""Where the camera stands to a sheet on the wall, and which way is down."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np

from vision_rom.camera.lens import Lens
from vision_rom.handover import Floats

LevelSource = Literal["target", "edges", "user"]

TYPICAL_CORNER_ERROR_PX = 0.1
"""Floor for the error of a found corner: the residual of a few corners may be small by luck."""
SAME_PLACEMENT_DEG = 1.0


@dataclass(frozen=True, slots=True)
class Placement:
    """The camera before an upright flat sheet. All angles are zero for a camera that faces the sheet squarely."""

    rotation: Floats
    """(3, 3) from the sheet's axes (x right, y down, z into the wall) to the camera's (x right, y down, z away)."""
    position_m: Floats
    """(3,) the sheet's middle in the camera's axes."""
    turn_deg: float
    """Camera turned to its right about the plumb line."""
    pitch_deg: float
    """Camera tipped upwards."""
    roll_deg: float
    """Camera turned clockwise about its own axis, as seen from behind it."""
    sd_deg: tuple[float, float, float]
    """Standard deviation of turn, pitch and roll."""
    residual_px: float
    ambiguous: bool = False
    """A second, clearly different placement explains the picture nearly as well."""

    @property
    def off_plane_deg(self) -> float:
        """Angle between the picture's plane and the wall."""
        axis = self.rotation[:, 2]
        return float(np.degrees(np.arctan2(np.hypot(axis[0], axis[1]), abs(axis[2]))))

    @property
    def distance_m(self) -> float:
        """From the camera to the sheet's middle."""
        return float(np.linalg.norm(self.position_m))

    @property
    def down(self) -> Floats:
        """(3,) the sheet's downward direction in the camera's axes."""
        return np.asarray(self.rotation[:, 1])


@dataclass(frozen=True, slots=True)
class Level:
    """Which way is down in the camera's axes."""

    down: Floats
    """(3,) unit vector: x right, y down, z away from the camera."""
    sd_deg: float
    source: LevelSource

    @property
    def roll_deg(self) -> float:
        """Camera turned clockwise about its own axis."""
        return float(np.degrees(np.arctan2(self.down[0], self.down[1])))

    @property
    def pitch_deg(self) -> float:
        """Camera tipped upwards."""
        return float(np.degrees(np.arctan2(-self.down[2], np.hypot(self.down[0], self.down[1]))))


@dataclass(frozen=True, slots=True)
class Unsure:
    """No level could be found, and why."""

    reason: str


def level_from_user(*, roll_deg: float, pitch_deg: float = 0.0, sd_deg: float = 1.0) -> Level:
    """Return the level of a camera whose roll (clockwise) and pitch (upwards) the user states.

    A phone's own spirit level is taken as good to about 1 deg (common practice, no source).
    """
    return Level(camera_axes(0.0, pitch_deg, roll_deg)[1], sd_deg, "user")


def camera_axes(turn_deg: float, pitch_deg: float, roll_deg: float) -> Floats:
    """Return the (3, 3) map from the camera's axes to upright ones: roll first, then pitch, then turn."""
    # slow to load, and measuring without a camera profile never needs it
    from scipy.spatial.transform import Rotation

    return Rotation.from_euler("YXZ", [turn_deg, pitch_deg, roll_deg], degrees=True).as_matrix()


def place_camera(sheet_m: Floats, corners_px: Floats, lens: Lens) -> Placement | None:
    """Find the camera before a flat sheet from corners (n, 2) and their places on the sheet (n, 3); n >= 4.

    None if the corners fit no placement. A small flat sheet seen nearly square on has two placements, one for each
    sign of the turn: the better one is returned, and marked where the other is nearly as good.
    """
    # slow to load, and measuring without a camera profile never needs it
    from scipy.spatial.transform import Rotation

    rays = lens.rays(corners_px)
    seen = np.isfinite(rays).all(axis=1)
    if seen.sum() < 4:
        return None
    points, rays = np.ascontiguousarray(sheet_m[seen]), np.ascontiguousarray(rays[seen])
    identity, straight = np.eye(3), np.zeros(5)
    candidates = []
    # the first method gives both placements of a flat sheet but none of one seen exactly square on, the second that one
    for method in (cv2.SOLVEPNP_IPPE, cv2.SOLVEPNP_SQPNP):
        try:
            _, turns, shifts, _ = cv2.solvePnPGeneric(points, rays, identity, straight, flags=method)
        except cv2.error:
            continue
        for turn, shift in zip(turns, shifts, strict=True):
            if not (np.isfinite(turn).all() and np.isfinite(shift).all()):
                continue
            turn, shift = cv2.solvePnPRefineLM(points, rays, identity, straight, turn.copy(), shift.copy())
            projected, jacobian = cv2.projectPoints(points, turn, shift, identity, straight)
            wrong = (projected.reshape(-1, 2) - rays) * [lens.focal_x_px, lens.focal_y_px]
            residual = float(np.sqrt(np.mean(np.sum(wrong**2, axis=1))))
            if np.isfinite(residual) and shift[2, 0] > 0:
                candidates.append((residual, turn, shift, jacobian[:, :6]))
    if not candidates:
        return None
    candidates.sort(key=lambda candidate: candidate[0])
    residual, turn, shift, jacobian = candidates[0]
    rotation = np.asarray(cv2.Rodrigues(turn)[0], np.float64)
    error_px = max(residual / np.sqrt(2.0), TYPICAL_CORNER_ERROR_PX)
    ambiguous = False
    for other_residual, other_turn, _, _ in candidates[1:]:
        other = np.asarray(cv2.Rodrigues(other_turn)[0], np.float64)
        apart_deg = float(np.degrees(Rotation.from_matrix(other.T @ rotation).magnitude()))
        # difference of the sums of squares against the corners' error: 9 is three standard deviations
        worse = (other_residual**2 - residual**2) * len(points) / error_px**2
        ambiguous |= apart_deg > SAME_PLACEMENT_DEG and worse < 9.0
    sd_deg = _angle_sd_deg(turn, jacobian * lens.focal_x_px, error_px)
    turn_deg, pitch_deg, roll_deg = _angles_deg(rotation)
    return Placement(
        rotation=rotation,
        position_m=np.asarray(shift, np.float64).ravel(),
        turn_deg=turn_deg,
        pitch_deg=pitch_deg,
        roll_deg=roll_deg,
        sd_deg=sd_deg,
        residual_px=residual,
        ambiguous=ambiguous,
    )


def typical_placement(placements: Sequence[Placement]) -> Placement:
    """Return the placement in the middle of several pictures of one standing camera.

    The rotation is their mean, the deviations are those of one picture: an error that all pictures share, such as
    that of the print, does not average out.
    """
    # slow to load, and measuring without a camera profile never needs it
    from scipy.spatial.transform import Rotation

    rotation = Rotation.from_matrix(np.stack([p.rotation for p in placements])).mean().as_matrix()
    turn_deg, pitch_deg, roll_deg = _angles_deg(rotation)
    return Placement(
        rotation=rotation,
        position_m=np.median([p.position_m for p in placements], axis=0),
        turn_deg=turn_deg,
        pitch_deg=pitch_deg,
        roll_deg=roll_deg,
        sd_deg=tuple(np.median([p.sd_deg for p in placements], axis=0).tolist()),
        residual_px=float(np.median([p.residual_px for p in placements])),
        ambiguous=sum(p.ambiguous for p in placements) * 2 > len(placements),
    )


def _angles_deg(rotation: Floats) -> tuple[float, float, float]:
    """Turn, pitch and roll: the inverse of :func:`camera_axes`, whose result is the transposed rotation."""
    camera = rotation.T
    turn = np.arctan2(camera[0, 2], camera[2, 2])
    pitch = np.arctan2(-camera[1, 2], np.hypot(camera[1, 0], camera[1, 1]))
    roll = np.arctan2(camera[1, 0], camera[1, 1])
    return float(np.degrees(turn)), float(np.degrees(pitch)), float(np.degrees(roll))


def _angle_sd_deg(turn: Floats, jacobian: Floats, error_px: float) -> tuple[float, float, float]:
    """Propagate the corners' error to turn, pitch and roll by the normal equations of the fit."""
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * error_px**2
    step = 1e-6
    centre = np.array(_angles_deg(np.asarray(cv2.Rodrigues(turn)[0])))
    slopes = []
    for axis in range(3):
        moved = turn.copy()
        moved[axis] += step
        slopes.append((np.array(_angles_deg(np.asarray(cv2.Rodrigues(moved)[0]))) - centre) / step)
    change = np.array(slopes).T
    sd = np.sqrt(np.diag(change @ covariance[:3, :3] @ change.T))
    return float(sd[0]), float(sd[1]), float(sd[2])
