"""Which way the patient faces the camera.

``facing_deg`` is the turn of the trunk about its own axis: 0 faces the camera, +90 has the right side towards the
camera (the patient looks to the right of the picture), -90 the left side (looks to the left of the picture), 180 the
back. Seen from above, positive is the patient's turn to the own left.

Per frame there are two witnesses. The network's metres give the depth of the shoulder and hip lines, which tells a turn
near 0 and 180 best. The shoulder line's foreshortening in the picture tells a turn near 90 best, where its length is
nearly in proportion to the turn, and nothing near 0, where it hardly changes. So the second is weighted with the sine's
square of the first. Without metres the sign comes from the nose before the ears and the toes before the heels. The
estimate for the clip is the median over frames at rest, since the shoulder line shortens and tilts while an arm is up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vision_rom.angles.vectors import (
    along_and_across,
    angle_between_deg,
    direction_spread_deg,
    median_direction_deg,
    midpoint,
    wrapped_deg,
)
from vision_rom.handover import Floats, Landmark, View
from vision_rom.spool import blocks, by_blocks

SHOULDERS_PER_TRUNK = 0.80
"""Shoulder line over trunk length as the network marks them. 0.259 / 0.288 = 0.90 between the acromia after Drillis and
Contini 1966 (in Winter, Biomechanics and Motor Control of Human Movement); the marks sit inside them: assumed 0.80."""

FACING_SD_DEG = 6.0
"""Standard deviation of the clip's estimate on top of the frames' spread. Root mean square error on 96 clips of rendered
people with the full network: 4 from the front, 5 from the side; real people are less uniform."""

FACING_SD_FROM_PICTURE_DEG = 20.0
"""The same without the network's metres; on the same people up to 30 from the front, up to 11 from the side."""

DEPTH_TILT_DEG = {"full": 4.0}
"""Turn that a network sees in a person who stands squarely, by name of network. Half the sum of the turns seen in a
picture and in its mirror image, which cancel in a network that treats left and right alike: 2 to 9 with the full network
in a clip (tensorflow/tfjs-models, pose_1.mp4), a photograph and five rendered people; of no one sign with the heavy one."""

SQUARE_WITHIN_DEG = 35.0
"""A view is called front, back or side when the trunk is turned from it by no more than this."""

REST_BELOW_DEG = 40.0
"""Both arms lower than this in the picture: a frame at rest."""

CLEARLY_AHEAD = 0.4
"""Share of their full side-view length that nose before ears and toes before heels show when a side is clear from them; in
41 side views of rendered people 0.3 to 0.8, always to the right side."""

UNSTEADY_SPREAD_DEG = 15.0
"""A larger spread of the turn over the frames at rest is told."""

LEAST_VISIBILITY = 0.5
"""Below it a landmark is a guess of the network about something hidden; its makers' usual threshold."""


@dataclass(frozen=True, slots=True)
class ViewEstimate:
    """How the trunk was turned to the camera."""

    view: View
    facing_deg: float
    """[-180, 180): 0 faces the camera, +90 right side towards it, -90 left side, 180 back; NaN where unknown."""
    spread_deg: float
    """Robust standard deviation over the frames used; NaN where unknown."""
    sd_deg: float
    """Standard deviation of ``facing_deg`` for propagating: the spread and what the method itself errs by."""
    per_frame_deg: Floats
    """(n,) the same angle frame by frame; NaN where not seen."""
    rest: NDArray[np.bool_]
    """(n,) the frames that ``facing_deg`` rests on."""
    remarks: tuple[str, ...] = ()


def find_view(
    landmarks_px: ArrayLike,
    visibility: ArrayLike,
    world_m: ArrayLike | None = None,
    *,
    network: str = "full",
) -> ViewEstimate:
    """Estimate the turn of the trunk against the camera.

    Parameters
    ----------
    landmarks_px : (n, 33, 2 or 3) picture positions; NaN rows where the patient was not found.
    visibility : (n, 33) 0 to 1.
    world_m : (n, 33, 3) metres, z away from the camera; None where there is none, and then the turn rests on the
        picture alone.
    network : name of the pose network, for its own left-right fault (:data:`DEPTH_TILT_DEG`); the
        name of a ``PoseModel`` will do, "" is for true joint centres.

    The view is ``oblique`` where the turn is near neither front, back nor side, or is not known at all.

    """
    px = np.asarray(landmarks_px, np.float64)[..., :2]
    seen = np.asarray(visibility, np.float64)
    world = None if world_m is None else np.asarray(world_m, np.float64)
    if world is not None and not any(np.isfinite(world[rows]).any() for rows in blocks(len(world))):
        world = None  # landmarks that came without metres: the turn rests on the picture, and is as unsure as that
    tilt_deg = DEPTH_TILT_DEG.get(network.removeprefix("pose_"), 0.0)
    per_frame = by_blocks(
        len(px),
        lambda rows: facing_per_frame_deg(
            px[rows], seen[rows], None if world is None else world[rows], tilt_deg=tilt_deg
        ),
    )
    rest = _rest_frames(px, per_frame)
    facing = median_direction_deg(per_frame[rest])
    spread = direction_spread_deg(per_frame[rest])
    remarks: list[str] = []
    if not np.isfinite(facing):
        remarks.append("Which way the patient faced could not be told: shoulders and hips were not seen in one frame.")
    elif _sides_contradict(px, seen, facing, rest):
        remarks.append(
            "Not measured: face and feet point to one side of the picture and the depth of the shoulders says the other, so "
            "left and right may be exchanged; film again with the whole body in view and nobody else near."
        )
        facing = float("nan")
    elif spread > UNSTEADY_SPREAD_DEG:
        remarks.append(
            f"The patient's turn to the camera was unsteady (standard deviation {spread:.0f} degrees): "
            "ask the patient to stand still, or cut the clip to one direction."
        )
    return ViewEstimate(
        view=name_of_view(facing),
        facing_deg=facing,
        spread_deg=spread,
        sd_deg=float(np.hypot(spread, FACING_SD_FROM_PICTURE_DEG if world is None else FACING_SD_DEG)),
        per_frame_deg=per_frame,
        rest=rest,
        remarks=tuple(remarks),
    )


def name_of_view(facing_deg: float) -> View:
    """Name the view of a trunk turned by ``facing_deg``; NaN is ``oblique``."""
    turn = (facing_deg + 180.0) % 360.0 - 180.0
    if abs(turn) <= SQUARE_WITHIN_DEG:
        return "front"
    if abs(turn) >= 180.0 - SQUARE_WITHIN_DEG:
        return "back"
    if abs(abs(turn) - 90.0) <= SQUARE_WITHIN_DEG:
        return "right_side" if turn > 0 else "left_side"
    return "oblique"


def facing_per_frame_deg(
    landmarks_px: Floats, visibility: Floats, world_m: Floats | None, *, tilt_deg: float = 0.0
) -> Floats:
    """(n,) turn of the trunk in each frame on its own; NaN where shoulders or hips were not found."""
    px = landmarks_px[..., :2]
    trunk = midpoint(px, Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER) - midpoint(
        px, Landmark.LEFT_HIP, Landmark.RIGHT_HIP
    )
    length = np.hypot(trunk[:, 0], trunk[:, 1])
    length = np.where(length > 0, length, np.nan)
    _, across = along_and_across(px[:, Landmark.LEFT_SHOULDER] - px[:, Landmark.RIGHT_SHOULDER], trunk)
    cosine = np.clip(across / (SHOULDERS_PER_TRUNK * length), -1.0, 1.0)
    amount = np.degrees(np.arctan2(np.sqrt(1.0 - cosine**2), cosine))
    ahead = np.sign(_looks_right(px, visibility, trunk, length))
    if world_m is None:
        return np.where(ahead < 0, -amount, amount)
    deep = _turn_in_depth(world_m, tilt_deg)
    from_picture = np.where(np.where(np.isfinite(deep), np.sign(deep), ahead) < 0, -amount, amount)
    share = np.sin(np.radians(deep)) ** 2
    combined = wrapped_deg(deep + share * wrapped_deg(from_picture - deep))
    return np.where(np.isfinite(deep), combined, from_picture)


def _looks_right(px: Floats, visibility: Floats, trunk: Floats, length: Floats) -> Floats:
    """(n,) how clearly face and feet point to the right of the picture, about -1 to 1; NaN with neither seen."""
    nose = px[:, Landmark.NOSE] - midpoint(px, Landmark.LEFT_EAR, Landmark.RIGHT_EAR)
    _, face = along_and_across(nose, trunk)
    toes = midpoint(px, Landmark.LEFT_FOOT_INDEX, Landmark.RIGHT_FOOT_INDEX)
    _, feet = along_and_across(toes - midpoint(px, Landmark.LEFT_HEEL, Landmark.RIGHT_HEEL), trunk)
    face_seen = np.nanmax(np.where(np.isfinite(visibility), visibility, 0)[:, :11], axis=1) > LEAST_VISIBILITY
    feet_seen = np.nanmax(np.where(np.isfinite(visibility), visibility, 0)[:, 29:33], axis=1) > LEAST_VISIBILITY
    # nose before ears about 0.2, toes before heels about 0.45 of the trunk's length when seen from the side
    cues = np.stack(
        [
            np.where(face_seen, np.clip(face / (0.2 * length), -1, 1), np.nan),
            np.where(feet_seen, np.clip(feet / (0.45 * length), -1, 1), np.nan),
        ]
    )
    count = np.isfinite(cues).sum(axis=0)
    return np.where(count > 0, np.nansum(cues, axis=0) / np.maximum(count, 1), np.nan)


def _sides_contradict(px: Floats, visibility: Floats, facing_deg: float, rest: NDArray[np.bool_]) -> bool:
    """Whether, in a view from the side, face and feet look the other way than the trunk is said to.

    Where face and feet point does not depend on which side the network calls left.
    """
    sideways = float(np.sin(np.radians(facing_deg)))
    if abs(sideways) < np.sin(np.radians(90.0 - SQUARE_WITHIN_DEG)) or not rest.any():
        return False
    trunk = midpoint(px, Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER) - midpoint(
        px, Landmark.LEFT_HIP, Landmark.RIGHT_HIP
    )
    ahead = by_blocks(
        len(px),
        lambda rows: _looks_right(px[rows], visibility[rows], trunk[rows], np.hypot(trunk[rows, 0], trunk[rows, 1])),
    )[rest]
    ahead = ahead[np.isfinite(ahead)]
    return bool(ahead.size and abs(np.median(ahead)) > CLEARLY_AHEAD and np.sign(np.median(ahead)) != np.sign(sideways))


def _turn_in_depth(world: Floats, tilt_deg: float) -> Floats:
    """(n,) turn by the depth of the lines from right to left through shoulders and hips; NaN where unknown.

    A line that lies ``tilt_deg`` too deep on the left does so in views from the front and from behind alike, so the
    fault is taken from the depth and not from the turn.
    """
    line = (world[:, Landmark.LEFT_SHOULDER] - world[:, Landmark.RIGHT_SHOULDER]) + (
        world[:, Landmark.LEFT_HIP] - world[:, Landmark.RIGHT_HIP]
    )
    flat = np.hypot(line[:, 0], line[:, 2])
    depth = line[:, 2] - flat * np.sin(np.radians(tilt_deg))
    return np.where(flat > 0, np.degrees(np.arctan2(depth, line[:, 0])), np.nan)


def _higher_arm_deg(px: Floats) -> Floats:
    """(n,) angle between the trunk and the arm that is raised more, in the picture."""
    down = midpoint(px, Landmark.LEFT_HIP, Landmark.RIGHT_HIP) - midpoint(
        px, Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER
    )
    left = angle_between_deg(px[:, Landmark.LEFT_ELBOW] - px[:, Landmark.LEFT_SHOULDER], down)
    right = angle_between_deg(px[:, Landmark.RIGHT_ELBOW] - px[:, Landmark.RIGHT_SHOULDER], down)
    return np.asarray(np.fmax(left, right))


def _rest_frames(px: Floats, per_frame: Floats) -> NDArray[np.bool_]:
    """(n,) frames with both arms hanging; where that is rarer than one in ten, the tenth with the lowest arms."""
    known = np.isfinite(per_frame)
    highest: Floats = by_blocks(len(px), lambda rows: _higher_arm_deg(px[rows]))
    candidates = known & np.isfinite(highest)
    if not candidates.any():
        return known
    wanted = max(int(np.ceil(known.sum() / 10)), 1)
    rest: NDArray[np.bool_] = candidates & (highest < REST_BELOW_DEG)
    if rest.sum() >= wanted:
        return rest
    limit = np.sort(highest[candidates])[min(wanted, int(candidates.sum())) - 1]
    lowest: NDArray[np.bool_] = candidates & (highest <= limit)
    return lowest
