"""What the arm network sees of one picture: landmarks freed from place, size, roll and side.

Everything is expressed for a left arm (a right arm is mirrored), with the middle of the shoulders as origin, the seen
trunk length as unit and the seen trunk axis pointing straight down, so that neither the person's place in the picture
nor the phone's roll reaches the network. Besides the single picture there are a few figures of the whole recording
(how long each segment looks at its shortest, usual and longest), because foreshortening means nothing without them.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from vision_rom.handover import MIRRORED_LANDMARKS, Floats, Landmark, Side
from vision_rom.spool import ROWS, blocks, by_blocks

Floats32 = NDArray[np.float32]

_POINTS = [
    Landmark.NOSE,
    Landmark.LEFT_EAR,
    Landmark.RIGHT_EAR,
    Landmark.LEFT_SHOULDER,
    Landmark.RIGHT_SHOULDER,
    Landmark.LEFT_ELBOW,
    Landmark.RIGHT_ELBOW,
    Landmark.LEFT_WRIST,
    Landmark.RIGHT_WRIST,
    Landmark.LEFT_INDEX,
    Landmark.LEFT_PINKY,
    Landmark.LEFT_THUMB,
    Landmark.LEFT_HIP,
    Landmark.RIGHT_HIP,
    Landmark.LEFT_KNEE,
    Landmark.RIGHT_KNEE,
    Landmark.LEFT_ANKLE,
    Landmark.RIGHT_ANKLE,
    Landmark.LEFT_FOOT_INDEX,
    Landmark.RIGHT_FOOT_INDEX,
]
_SEGMENTS = (
    (Landmark.LEFT_SHOULDER, Landmark.LEFT_ELBOW),
    (Landmark.LEFT_ELBOW, Landmark.LEFT_WRIST),
    (Landmark.RIGHT_SHOULDER, Landmark.RIGHT_ELBOW),
    (Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER),
    (Landmark.LEFT_HIP, Landmark.RIGHT_HIP),
    (Landmark.LEFT_HIP, Landmark.LEFT_KNEE),
    (Landmark.LEFT_EAR, Landmark.RIGHT_EAR),
)
_SURENESS = [
    Landmark.LEFT_SHOULDER,
    Landmark.RIGHT_SHOULDER,
    Landmark.LEFT_ELBOW,
    Landmark.LEFT_WRIST,
    Landmark.RIGHT_ELBOW,
    Landmark.LEFT_HIP,
    Landmark.RIGHT_HIP,
]
_RECORDING_QUANTILES = (0.1, 0.5, 0.9)
_OWN = 6 * len(_POINTS) + 6 + len(_SEGMENTS) + len(_SURENESS) + 3
"""Features of a single picture: six for each point, two directions and the elbow's turn, lengths, sureness, place and size"""
_OF_RECORDING = len(_SEGMENTS) * len(_RECORDING_QUANTILES)
_FAR = 6.0
"""Trunk lengths beyond which a coordinate is a fault of the network and is cut."""


def arm_features(
    landmarks_px: Floats,
    visibility: Floats,
    world_m: Floats,
    *,
    side: Side,
    picture_px: tuple[int, int],
) -> Floats32:
    """Return the features (n, n_features) of one arm in every picture of one recording, in single precision.

    Parameters
    ----------
    landmarks_px : (n, 33, 3)
        Landmarks of the patient in pixels; NaN rows give NaN features.
    visibility : (n, 33)
        0 to 1.
    world_m : (n, 33, 3)
        The network's own 3-D landmarks; a hint, no more.
    side : Side
        Which arm.
    picture_px : (int, int)
        Width and height of the picture.

    """
    count = len(landmarks_px)
    features = np.empty((count, _OWN + _OF_RECORDING), np.float32)
    lengths = np.empty((count, len(_SEGMENTS)))
    for rows in blocks(count):
        arm = _as_left_arm(landmarks_px[rows], visibility[rows], world_m[rows], side, picture_px[0])
        features[rows, :_OWN], lengths[rows] = _of_pictures(*arm, picture_px)
    features[:, _OWN:] = _recording_figures(lengths)
    return features


def features_by_blocks(
    landmarks_px: Floats, visibility: Floats, world_m: Floats, *, side: Side, picture_px: tuple[int, int]
) -> Iterator[Floats32]:
    """Yield the features of :func:`arm_features` for some pictures at a time, so that a long recording's are never held together.

    All are worked out twice: the figures of the recording come from all pictures.
    """

    def of(rows: slice) -> tuple[Floats32, Floats]:
        arm = _as_left_arm(landmarks_px[rows], visibility[rows], world_m[rows], side, picture_px[0])
        return _of_pictures(*arm, picture_px)

    count = len(landmarks_px)
    if count <= ROWS:
        yield arm_features(landmarks_px, visibility, world_m, side=side, picture_px=picture_px)
        return
    figures = _recording_figures(by_blocks(count, lambda rows: of(rows)[1]))
    for rows in blocks(count):
        own, _ = of(rows)
        yield np.concatenate([own, np.broadcast_to(figures, (len(own), len(figures)))], axis=1)


def _of_pictures(points: Floats, sure: Floats, world: Floats, picture_px: tuple[int, int]) -> tuple[Floats32, Floats]:
    """Return what some pictures tell by themselves (n, n_own), and the lengths of their segments (n, n_segments)."""
    flat = points[..., :2]
    shoulders = _middle(flat, Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER)
    hips = _middle(flat, Landmark.LEFT_HIP, Landmark.RIGHT_HIP)
    trunk = hips - shoulders
    length = np.maximum(np.linalg.norm(trunk, axis=1), 1e-6)
    turn = _turn_to_down(trunk / length[:, None])

    local = np.einsum("nij,npj->npi", turn, (flat - shoulders[:, None]) / length[:, None, None])
    depth = points[..., 2] / length[:, None]
    spatial = world - _middle(world, Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER)[:, None]
    spatial = np.concatenate([np.einsum("nij,npj->npi", turn, spatial[..., :2]), spatial[..., 2:]], axis=2)

    arm = _direction(local, Landmark.LEFT_SHOULDER, Landmark.LEFT_ELBOW)
    forearm = _direction(local, Landmark.LEFT_ELBOW, Landmark.LEFT_WRIST)
    elbow = np.stack([_cross(arm, forearm), np.einsum("ni,ni->n", arm, forearm)], axis=1)
    lengths = np.stack([np.linalg.norm(local[:, b] - local[:, a], axis=1) for a, b in _SEGMENTS], axis=1)
    width, height = picture_px
    place = (shoulders - np.array([width / 2, height / 2])) / height
    size = np.log(length / height)[:, None]
    features = np.concatenate(
        [
            local[:, _POINTS].reshape(len(local), -1),
            0.5 * depth[:, _POINTS],
            2.0 * spatial[:, _POINTS].reshape(len(local), -1),
            arm,
            forearm,
            elbow,
            lengths,
            sure[:, _SURENESS],
            place,
            size,
        ],
        axis=1,
    )
    return np.clip(features, -_FAR, _FAR).astype(np.float32), lengths


def _as_left_arm(
    landmarks_px: Floats, visibility: Floats, world_m: Floats, side: Side, width_px: int
) -> tuple[Floats, Floats, Floats]:
    if side == "left":
        return landmarks_px, visibility, world_m
    order = list(MIRRORED_LANDMARKS)
    points = landmarks_px[:, order] * np.array([-1.0, 1.0, 1.0])
    points[..., 0] += width_px
    return points, visibility[:, order], world_m[:, order] * np.array([-1.0, 1.0, 1.0])


def _middle(points: Floats, a: int, b: int) -> Floats:
    return np.asarray((points[:, a] + points[:, b]) / 2)


def _turn_to_down(unit: Floats) -> Floats:
    """Rotations (n, 2, 2) that bring the unit vectors (n, 2) to (0, 1), which is down in a picture."""
    x, y = unit[:, 0], unit[:, 1]
    return np.stack([np.stack([y, -x], axis=1), np.stack([x, y], axis=1)], axis=1)


def _direction(points: Floats, a: int, b: int) -> Floats:
    segment = points[:, b] - points[:, a]
    return np.asarray(segment / (np.linalg.norm(segment, axis=1, keepdims=True) + 1e-6))


def _cross(a: Floats, b: Floats) -> Floats:
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])


def _recording_figures(lengths: Floats) -> Floats32:
    """Return quantiles over the recording of every segment's seen length; NaN where none was seen."""
    seen = np.isfinite(lengths).all(axis=1)
    if not seen.any():
        return np.full(lengths.shape[1] * len(_RECORDING_QUANTILES), np.nan, np.float32)
    # one length at a time: the quantile copies what it looks at
    figures = np.array([np.quantile(one[seen], _RECORDING_QUANTILES) for one in lengths.T]).T.ravel()
    return np.asarray(np.clip(figures, -_FAR, _FAR), np.float32)
