"""Hide who the people are: the patient's head, and everything that is not the patient.

Hiding fails closed: where the head's points are unsure the covered part grows, and where they are missing the whole
picture above the trunk goes.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision_rom.handover import Bools, Floats, Landmark

HEAD = tuple(range(Landmark.NOSE, Landmark.MOUTH_RIGHT + 1))
# segments that a reader needs to see, as pairs of landmarks
_LIMBS = (
    (Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER),
    (Landmark.LEFT_SHOULDER, Landmark.LEFT_ELBOW),
    (Landmark.LEFT_ELBOW, Landmark.LEFT_WRIST),
    (Landmark.LEFT_WRIST, Landmark.LEFT_INDEX),
    (Landmark.RIGHT_SHOULDER, Landmark.RIGHT_ELBOW),
    (Landmark.RIGHT_ELBOW, Landmark.RIGHT_WRIST),
    (Landmark.RIGHT_WRIST, Landmark.RIGHT_INDEX),
    (Landmark.LEFT_HIP, Landmark.LEFT_KNEE),
    (Landmark.RIGHT_HIP, Landmark.RIGHT_KNEE),
)
_TRUNK = (Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER, Landmark.RIGHT_HIP, Landmark.LEFT_HIP)
_SURE = 0.5


def hide_identity(rgb: NDArray[np.uint8], landmarks_px: Floats, visibility: Floats) -> NDArray[np.uint8]:
    """Return a copy of the picture with the head and all surroundings of the patient made unrecognisable.

    Parameters
    ----------
    rgb : (height, width, 3)
    landmarks_px : (33, 3)
        The patient's landmarks in this picture; NaN rows hide the whole picture.
    visibility : (33,)

    """
    blurred = _unrecognisable(rgb, _body_scale_px(landmarks_px, rgb.shape[0]))
    keep = _body_mask(rgb.shape[:2], landmarks_px) & ~head_mask(rgb.shape[:2], landmarks_px, visibility)
    # a soft edge would let the sharp picture through under it: the edge is hard on purpose
    return np.where(keep[..., None], rgb, blurred)


def head_mask(shape: tuple[int, int], landmarks_px: Floats, visibility: Floats) -> Bools:
    """Return (height, width) True where the head is, with a margin that grows as its points become unsure."""
    height, _ = shape
    mask = np.zeros(shape, np.uint8)
    scale = _body_scale_px(landmarks_px, height)
    head = landmarks_px[list(HEAD), :2]
    seen = np.isfinite(head).all(axis=1)
    if not seen.any():
        shoulders = landmarks_px[[Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER], 1]
        bottom = float(np.nanmax(shoulders)) if np.isfinite(shoulders).any() else height
        mask[: int(np.clip(bottom, 0, height))] = 1
        return mask.astype(bool)
    centre = head[seen].mean(axis=0)
    spread = float(np.linalg.norm(head[seen] - centre, axis=1).max())
    # the face points span about half of a head; a head is about 0.45 of the trunk's length (Drillis & Contini 1966)
    radius = max(1.9 * spread, 0.36 * scale)
    if float(np.nanmin(visibility[list(HEAD)])) < _SURE:
        radius *= 1.35
    crown = centre - np.array([0.0, 0.25 * radius])
    cv2.circle(mask, _pixel(crown), int(np.ceil(radius)), 1, thickness=-1)
    return mask.astype(bool)


def _body_mask(shape: tuple[int, int], landmarks_px: Floats) -> Bools:
    mask = np.zeros(shape, np.uint8)
    points = landmarks_px[:, :2]
    thickness = max(3, int(0.34 * _body_scale_px(landmarks_px, shape[0])))
    if np.isfinite(points[list(_TRUNK)]).all():
        trunk = np.array([_pixel(points[i]) for i in _TRUNK], np.int32)
        cv2.fillConvexPoly(mask, cv2.convexHull(trunk), 1)
        cv2.polylines(mask, [trunk], isClosed=True, color=1, thickness=thickness)
    for a, b in _LIMBS:
        if np.isfinite(points[[a, b]]).all():
            cv2.line(mask, _pixel(points[a]), _pixel(points[b]), 1, thickness=thickness)
    return mask.astype(bool)


def _body_scale_px(landmarks_px: Floats, height: int) -> float:
    """Trunk length in pixels; where it is not seen, a third of the picture, which hides more."""
    shoulders = landmarks_px[[Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER], :2].mean(axis=0)
    hips = landmarks_px[[Landmark.LEFT_HIP, Landmark.RIGHT_HIP], :2].mean(axis=0)
    length = float(np.linalg.norm(shoulders - hips))
    return length if np.isfinite(length) and length > 0 else height / 3


def _unrecognisable(rgb: NDArray[np.uint8], scale: float) -> NDArray[np.uint8]:
    height, width = rgb.shape[:2]
    # a head is about 0.45 of the trunk: cells of a sixth of the trunk leave two to three cells across a face
    cell = max(8.0, scale / 6)
    small = cv2.resize(rgb, (max(1, int(width / cell)), max(1, int(height / cell))), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.resize(small, (width, height), interpolation=cv2.INTER_LINEAR), np.uint8)


def _pixel(point: Floats) -> tuple[int, int]:
    x, y = np.clip(point, -20_000, 20_000)
    return round(float(x)), round(float(y))
