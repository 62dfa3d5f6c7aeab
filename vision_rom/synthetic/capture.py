"""Motion of real shoulders: arm directions from the marker positions of the UI-PRMD recordings drive a rendered body.

UI-PRMD: Vakanski A, Jun H-P, Paul D, Baker R. A data set of human body movements for physical rehabilitation exercises.
Data 2018;3(1):2. Positions of 39 markers at 100 Hz in millimetres, comma-separated, 117 columns; (0, 0, 0) means that
the marker was not seen. The order of the markers was checked by geometry.

Only directions are taken over: upper arm and forearm of both arms in the frame of the thorax's markers, and the thorax's
own lean and turn against its mean at the start. The rendered body keeps its own bone lengths, and its truth is computed
from its own joints, so an offset between skin markers and joint centres does not enter.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from vision_rom.synthetic.arm_reach import arm_pose_from_directions
from vision_rom.synthetic.body import Floats
from vision_rom.synthetic.pose3d import SIDES, ArmPose, PoseParameters, Side, unit

RATE_HZ = 100.0
# fmt: off
MARKERS: tuple[str, ...] = (
    "LFHD", "RFHD", "LBHD", "RBHD", "C7", "T10", "CLAV", "STRN", "RBAK", "LSHO", "LUPA", "LELB", "LFRM", "LWRA", "LWRB",
    "LFIN", "RSHO", "RUPA", "RELB", "RFRM", "RWRA", "RWRB", "RFIN", "LASI", "RASI", "LPSI", "RPSI", "LTHI", "LKNE",
    "LTIB", "LANK", "LHEE", "LTOE", "RTHI", "RKNE", "RTIB", "RANK", "RHEE", "RTOE",
)
# fmt: on
LONGEST_GAP_S = 0.2
"""Missing markers are bridged over at most this long."""
NEUTRAL_S = 0.2
"""The thorax's mean over this time at the start is its neutral stance."""


@dataclass(frozen=True, slots=True, eq=False)
class CapturedMotion:
    """Directions of both arms in the thorax's axes (x left, y backward, z up), and the thorax's lean, over time."""

    name: str
    time_s: Floats
    """(n,) from 0"""
    upper: dict[Side, Floats]
    """(n, 3) unit vectors, shoulder to elbow"""
    forearm: dict[Side, Floats]
    """(n, 3) unit vectors, elbow to wrist"""
    lean_left_deg: Floats
    lean_back_deg: Floats
    turn_left_deg: Floats
    yaw_deg: float = 0.0
    position_m: tuple[float, float] = (0.0, 0.0)

    @property
    def duration_s(self) -> float:
        """Time from the first to the last sample."""
        return float(self.time_s[-1])

    def pose_at(self, time_s: float) -> PoseParameters:
        """Posture at an instant; before the start and after the end, the first and last one."""

        def at(values: Floats) -> float:
            return float(np.interp(time_s, self.time_s, values))

        def arm(side: Side) -> ArmPose:
            vectors = [np.array([at(column) for column in of.T]) for of in (self.upper[side], self.forearm[side])]
            return arm_pose_from_directions(unit(vectors[0]), unit(vectors[1]), side)

        return PoseParameters(
            left=arm("left"),
            right=arm("right"),
            lean_left_deg=at(self.lean_left_deg),
            lean_back_deg=at(self.lean_back_deg),
            turn_left_deg=at(self.turn_left_deg),
            yaw_deg=self.yaw_deg,
            position_m=self.position_m,
        )


def read_markers(path: Path) -> dict[str, Floats]:
    """Marker name -> positions (n, 3) in mm, NaN where the marker was not seen. Plain or gzip-compressed text.

    ValueError: the file has not 117 columns of numbers.
    """
    try:
        table = np.loadtxt(path, delimiter=",", ndmin=2)  # opens compressed text as well
    except ValueError as error:
        raise ValueError(f"{path} holds no comma-separated marker positions: {error}") from error
    if table.shape[1] != 3 * len(MARKERS) or len(table) < 2:
        raise ValueError(f"{path} has {table.shape[1]} columns in {len(table)} rows; {3 * len(MARKERS)} columns wanted")
    positions = table.reshape(len(table), len(MARKERS), 3)
    positions[(positions == 0).all(axis=2)] = np.nan
    return {name: _bridged(positions[:, i]) for i, name in enumerate(MARKERS)}


def _bridged(points: Floats) -> Floats:
    """Fill gaps of up to LONGEST_GAP_S by straight lines; longer ones stay NaN."""
    seen = np.isfinite(points[:, 0])
    if seen.all() or not seen.any():
        return points
    index = np.arange(len(points))
    filled = np.stack([np.interp(index, index[seen], column[seen]) for column in points.T], axis=1)
    for first, last in _runs(~seen):
        inside = first > 0 and last < len(points) - 1
        if not inside or (last - first + 1) / RATE_HZ > LONGEST_GAP_S:
            filled[first : last + 1] = np.nan
    return filled


def _runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def thorax_frames(markers: dict[str, Floats]) -> Floats:
    """Frames (n, 3, 3) of the thorax: columns left, backward, up (C7, T10, CLAV, STRN and the two shoulder markers)."""
    up = (markers["C7"] + markers["CLAV"]) / 2 - (markers["T10"] + markers["STRN"]) / 2
    ahead = (markers["CLAV"] + markers["STRN"]) / 2 - (markers["C7"] + markers["T10"]) / 2
    z = up / np.linalg.norm(up, axis=1, keepdims=True)
    left = np.cross(z, ahead)
    x = left / np.linalg.norm(left, axis=1, keepdims=True)
    return np.stack([x, np.cross(z, x), z], axis=2)


def read_motion(path: Path) -> CapturedMotion:
    """Read the longest stretch of a recording in which thorax and arms are seen.

    ValueError: the file cannot be read as one, or the thorax or an arm is never seen.
    """
    markers = read_markers(path)
    frames = thorax_frames(markers)

    def direction(start: Floats, end: Floats) -> Floats:
        vectors = np.einsum("nji,nj->ni", frames, end - start)
        return np.asarray(vectors / np.linalg.norm(vectors, axis=1, keepdims=True), np.float64)

    upper, forearm = {}, {}
    for side in SIDES:
        s = side[0].upper()
        shoulder, elbow = markers[f"{s}SHO"], markers[f"{s}ELB"]
        wrist = (markers[f"{s}WRA"] + markers[f"{s}WRB"]) / 2
        upper[side], forearm[side] = direction(shoulder, elbow), direction(elbow, wrist)
    whole = np.isfinite(frames).all(axis=(1, 2))
    for vectors in (*upper.values(), *forearm.values()):
        whole &= np.isfinite(vectors).all(axis=1)
    runs = sorted(_runs(np.asarray(whole)), key=lambda run: run[1] - run[0])
    if not runs or runs[-1][1] == runs[-1][0]:
        raise ValueError(f"{path}: the markers of thorax and arms are never seen together")
    kept = np.arange(runs[-1][0], runs[-1][1] + 1)
    frames = frames[kept]
    back, left, turn = _lean(frames)
    return CapturedMotion(
        name=path.name,
        time_s=(kept - kept[0]) / RATE_HZ,
        upper={side: upper[side][kept] for side in SIDES},
        forearm={side: forearm[side][kept] for side in SIDES},
        lean_left_deg=left,
        lean_back_deg=back,
        turn_left_deg=turn,
    )


def _lean(frames: Floats) -> tuple[Floats, Floats, Floats]:
    """Lean backward, lean to the left and turn to the left (n,) in deg against the mean frame at the start."""
    u, _, vt = np.linalg.svd(frames[: max(int(NEUTRAL_S * RATE_HZ), 1)].mean(0))
    relative = np.einsum("ij,njk->nik", (u @ vt).T, frames)
    up = relative[:, :, 2]
    size = np.degrees(np.arctan2(np.hypot(up[:, 0], up[:, 1]), up[:, 2]))
    length = np.maximum(np.hypot(up[:, 0], up[:, 1]), 1e-12)
    turn = np.degrees(np.arctan2(relative[:, 1, 0] - relative[:, 0, 1], relative[:, 0, 0] + relative[:, 1, 1]))
    return size * up[:, 1] / length, size * up[:, 0] / length, turn
