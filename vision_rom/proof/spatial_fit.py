"""A way that was tried and not taken: fit one jointed body with constant segments through the whole recording.

A trunk, the measured upper arm and forearm, seen by a pinhole camera with an assumed focal length. Per picture the body
has a place, a turn and two arm directions, all of which may change only smoothly; its proportions are one set for the
recording, near the anthropometric ones. Solved as one sparse robust least-squares problem. Depth comes from
foreshortening; the network's own 3-D serves to start from, no more. Kept so that the comparison can be run again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares
from scipy.sparse import csr_array, lil_array

from vision_rom.angles import ViewEstimate
from vision_rom.angles.arm_network import axial_rotation_deg, elevation_deg
from vision_rom.angles.vectors import unit_vectors
from vision_rom.handover import MIRRORED_LANDMARKS, Floats, Landmark, PoseTrack, Side

TRUNK_M = 0.50
"""Sets the scale, which no angle depends on."""
RATIOS = np.array([0.40, 0.17, 0.58, 0.50])
"""Half the shoulder line, half the hip line, upper arm and forearm over the trunk: joint centres rather than acromia and
iliac crests. Assumed after the segment lengths of Drillis and Contini 1966 (Winter, Biomechanics and Motor Control)."""
RATIO_SD = 0.10
FOCAL_PER_LONGER_SIDE = 0.9
LANDMARK_SD_PER_TRUNK = 0.05
VIEW_SD = np.radians(15.0)
LEAN_SD = np.radians(4.0)
SHRUG_SD_M = 0.03
PLANE_SD = 0.1
"""How far, as a sine, the arm may stray from the plane of motion that was named."""
JERKINESS = np.array([1.0, 1.0, 1.0, 4.0, 1.5, 1.5, 0.6, 8.0, 8.0, 8.0, 12.0, 12.0, 12.0])
"""Usual second derivative of each number of a picture, per second squared. Arm: 60 deg/s reached in a third of a second."""

_POINTS = (
    Landmark.LEFT_SHOULDER,
    Landmark.RIGHT_SHOULDER,
    Landmark.LEFT_HIP,
    Landmark.RIGHT_HIP,
    Landmark.LEFT_ELBOW,
    Landmark.LEFT_WRIST,
)
_PER_PICTURE = len(JERKINESS)
_PRIORS = 6


@dataclass(frozen=True, slots=True)
class SpatialFit:
    """The arm in the thorax's frame of its side (x to its side, y backwards, z up), one row a picture; NaN unseen."""

    upper_arm: Floats
    forearm: Floats

    def elevation_deg(self) -> Floats:
        """Return the elevation (n,)."""
        return elevation_deg(self.upper_arm)

    def rotation_deg(self) -> Floats:
        """Return the axial rotation (n,), outward positive."""
        return axial_rotation_deg(self.upper_arm, self.forearm)


def spatial_fit(track: PoseTrack, *, side: Side, view: ViewEstimate, across_plane: Floats) -> SpatialFit:
    """Fit the body to one recording; ``across_plane`` (3,) is at right angles to the plane the arm moves in, or zero."""
    pixels, world, facing = track.landmarks_px, track.world_m, view.facing_deg
    sure = track.visibility
    if side == "right":
        order = list(MIRRORED_LANDMARKS)
        pixels = pixels[:, order] * np.array([-1.0, 1.0, 1.0]) + np.array([track.width_px, 0.0, 0.0])
        world, sure, facing = world[:, order] * np.array([-1.0, 1.0, 1.0]), sure[:, order], -facing
    seen = np.asarray(np.isfinite(pixels).all(axis=(1, 2)) & np.isfinite(world).all(axis=(1, 2)))
    whole = np.full((len(seen), 3), np.nan)
    if seen.sum() < 5:
        return SpatialFit(whole, whole.copy())
    focal = FOCAL_PER_LONGER_SIDE * max(track.width_px, track.height_px)
    points = (pixels[seen][:, _POINTS, :2] - np.array([track.width_px / 2, track.height_px / 2])) / focal
    weight = np.clip(sure[seen][:, _POINTS], 0.1, 1.0)
    start = _start(points, world[seen], np.radians(facing))
    trunk = np.median(TRUNK_M / np.exp(start[:, 2]))
    problem = _Problem(
        points, weight / (LANDMARK_SD_PER_TRUNK * trunk), track.time_s[seen], np.radians(facing), across_plane
    )
    found = least_squares(
        problem.residuals,
        np.concatenate([np.zeros(4), start.ravel()]),
        jac_sparsity=problem.sparsity(),
        loss="soft_l1",
        x_scale="jac",
        max_nfev=40,
    )
    numbers = found.x[4:].reshape(-1, _PER_PICTURE)
    upper, forearm = whole, whole.copy()
    upper[seen], forearm[seen] = unit_vectors(numbers[:, 7:10]), unit_vectors(numbers[:, 10:13])
    return SpatialFit(upper, forearm)


def _start(points: Floats, world: Floats, facing: float) -> Floats:
    """Place and turn from the picture, arm directions from the network's metres."""
    shoulders, hips = points[:, :2].mean(axis=1), points[:, 2:4].mean(axis=1)
    length = np.maximum(np.linalg.norm(shoulders - hips, axis=1), 1e-3)
    axes = _axes(np.full(len(points), facing), np.zeros(len(points)), np.zeros(len(points)))
    upper = unit_vectors(world[:, Landmark.LEFT_ELBOW] - world[:, Landmark.LEFT_SHOULDER])
    forearm = unit_vectors(world[:, Landmark.LEFT_WRIST] - world[:, Landmark.LEFT_ELBOW])
    inside = [np.einsum("nij,ni->nj", axes, one) for one in (upper, forearm)]
    flat = np.column_stack([hips, np.log(TRUNK_M / length), np.full(len(points), facing), np.zeros((len(points), 3))])
    return np.concatenate([flat, *inside], axis=1)


@dataclass(frozen=True, slots=True)
class _Problem:
    points: Floats
    """(n, 6, 2) in focal lengths from the picture's middle"""
    weight: Floats
    """(n, 6)"""
    time_s: Floats
    facing: float
    across_plane: Floats

    def residuals(self, unknown: Floats) -> Floats:
        ratios = RATIOS * np.exp(RATIO_SD * unknown[:4])
        one = unknown[4:].reshape(-1, _PER_PICTURE)
        seen = _seen(one, ratios)
        step = np.diff(self.time_s)[:, None]
        speed = np.diff(one, axis=0) / step
        bend = np.diff(speed, axis=0) / (0.5 * (step[1:] + step[:-1])) / JERKINESS
        priors = np.column_stack(
            [
                (one[:, 3] - self.facing) / VIEW_SD,
                one[:, 4] / LEAN_SD,
                one[:, 6] / SHRUG_SD_M,
                (np.linalg.norm(one[:, 7:10], axis=1) - 1) * 10,
                (np.linalg.norm(one[:, 10:13], axis=1) - 1) * 10,
                unit_vectors(one[:, 7:10]) @ self.across_plane / PLANE_SD,
            ]
        )
        # neighbouring pictures err together: the landmarks of a third of a second count as one
        share = np.sqrt(min(1.0, 3.0 * float(np.median(step))))
        off = (seen - self.points) * self.weight[..., None]
        return np.concatenate([(off * share).ravel(), bend.ravel(), (priors * share).ravel(), unknown[:4]])

    def sparsity(self) -> csr_array:
        n = len(self.points)
        rows = n * 12 + (n - 2) * _PER_PICTURE + n * _PRIORS + 4
        filled = lil_array((rows, 4 + n * _PER_PICTURE), dtype=np.int8)
        for k in range(n):
            own = slice(4 + k * _PER_PICTURE, 4 + (k + 1) * _PER_PICTURE)
            filled[k * 12 : (k + 1) * 12, own] = 1
            priors = n * 12 + (n - 2) * _PER_PICTURE + k * _PRIORS
            filled[priors : priors + _PRIORS, own] = 1
        filled[: n * 12, :4] = 1
        for k in range(n - 2):
            for number in range(_PER_PICTURE):
                row = n * 12 + k * _PER_PICTURE + number
                for ahead in range(3):
                    filled[row, 4 + (k + ahead) * _PER_PICTURE + number] = 1
        for number in range(4):
            filled[rows - 4 + number, number] = 1
        return csr_array(filled)


def _seen(one: Floats, ratios: Floats) -> Floats:
    """Return where the camera sees the six points, (n, 6, 2) in focal lengths."""
    axes = _axes(one[:, 3], one[:, 4], one[:, 5])
    side, up = axes[..., 0], axes[..., 2]
    shoulder_half, hip_half, upper, forearm = ratios * TRUNK_M
    hips = np.column_stack([one[:, :2], np.ones(len(one))]) * np.exp(one[:, 2:3])
    shoulders = hips + TRUNK_M * up
    left = shoulders + shoulder_half * side + one[:, 6:7] * up
    elbow = left + upper * np.einsum("nij,nj->ni", axes, unit_vectors(one[:, 7:10]))
    wrist = elbow + forearm * np.einsum("nij,nj->ni", axes, unit_vectors(one[:, 10:13]))
    right = shoulders - shoulder_half * side
    bodies = np.stack([left, right, hips + hip_half * side, hips - hip_half * side, elbow, wrist], axis=1)
    return np.asarray(bodies[..., :2] / np.maximum(bodies[..., 2:], 0.1))


def _axes(turn: Floats, lean: Floats, roll: Floats) -> Floats:
    """Columns are the thorax's axes (to the left, backwards, up) in the camera's (right, down, away), (n, 3, 3)."""
    zero, one = np.zeros_like(turn), np.ones_like(turn)
    ct, st, cl, sl, cr, sr = np.cos(turn), np.sin(turn), np.cos(lean), np.sin(lean), np.cos(roll), np.sin(roll)
    upright = np.stack(
        [np.stack([ct, -st, zero], -1), np.stack([zero, zero, -one], -1), np.stack([st, ct, zero], -1)], axis=1
    )
    leaning = np.stack(
        [np.stack([one, zero, zero], -1), np.stack([zero, cl, -sl], -1), np.stack([zero, sl, cl], -1)], axis=1
    )
    rolled = np.stack(
        [np.stack([cr, -sr, zero], -1), np.stack([sr, cr, zero], -1), np.stack([zero, zero, one], -1)], axis=1
    )
    return np.asarray(rolled @ leaning @ upright)
