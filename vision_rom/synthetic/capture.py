"""Motion of real shoulders: arm directions from the marker positions of the UI-PRMD recordings drive a rendered body.

UI-PRMD: Vakanski A, Jun H-P, Paul D, Baker R. A data set of human body movements for physical rehabilitation exercises.
Data 2018;3(1):2. Positions of 39 markers at 100 Hz in millimetres, comma-separated, 117 columns; (0, 0, 0) means that
the marker was not seen. The order of the markers was checked by geometry.

Only directions are taken over: upper arm and forearm of both arms in the frame of the thorax's markers, and the thorax's
own lean and turn against its mean at the start. The rendered body keeps its own bone lengths, and its truth is computed
from its own joints, so an offset between skin markers and joint centres does not enter.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from vision_rom.angles.vectors import runs_of
from vision_rom.synthetic.body import Floats
from vision_rom.synthetic.pose3d import SIDES, Side
from vision_rom.synthetic.script import Movement, Traced

RATE_HZ = 100.0
# fmt: off
MARKERS: tuple[str, ...] = (
    "LFHD", "RFHD", "LBHD", "RBHD", "C7", "T10", "CLAV", "STRN", "RBAK", "LSHO", "LUPA", "LELB", "LFRM", "LWRA", "LWRB",
    "LFIN", "RSHO", "RUPA", "RELB", "RFRM", "RWRA", "RWRB", "RFIN", "LASI", "RASI", "LPSI", "RPSI", "LTHI", "LKNE",
    "LTIB", "LANK", "LHEE", "LTOE", "RTHI", "RKNE", "RTIB", "RANK", "RHEE", "RTOE",
)
# fmt: on
RECORDED_MOVEMENTS: dict[str, Movement] = {
    "07": "abduction",
    "08": "extension",
    "09": "external_rotation_90",
    "10": "scaption",
}
LEFT_ARM_SUBJECTS = ("07", "10")
"""Subjects who move the left arm."""
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

    @property
    def duration_s(self) -> float:
        """Time from the first to the last sample."""
        return float(self.time_s[-1])

    def as_act(self, movement: Movement, side: Side, *, rate_hz: float = 20.0, ready_s: float = 1.2) -> Traced:
        """Return the motion as an act of a script, with keyframes ``rate_hz`` apart.

        20 Hz keeps what a shoulder does (voluntary movement lies below about 6 Hz; from memory, Winter).
        """
        times = np.append(np.arange(0, self.duration_s, 1 / rate_hz), self.duration_s)

        def rows(*columns: Floats) -> tuple[tuple[float, ...], ...]:
            table = np.column_stack([np.interp(times, self.time_s, column) for column in columns])
            return tuple(tuple(float(value) for value in row) for row in table.round(4))

        def arm(of: Side) -> tuple[tuple[float, ...], ...]:
            return rows(*self.upper[of].T, *self.forearm[of].T)

        return Traced(
            movement=movement,
            side=side,
            time_s=tuple(float(t) for t in times.round(4)),
            left=arm("left"),
            right=arm("right"),
            trunk=rows(self.lean_left_deg, self.lean_back_deg, self.turn_left_deg),
            ready_s=ready_s,
            source=self.name,
        )


def exercise_of(name: str) -> tuple[Movement, Side]:
    """Movement and side of a recording, from its file name.

    ValueError: the name has no movement 07 to 10 and subject in it.
    """
    found = re.search(r"m(07|08|09|10)_s(\d\d)_", name)
    if found is None:
        raise ValueError(f"'{name}' names no movement m07 to m10 and no subject, as in vicon_m07_s01_e01_positions.txt")
    return RECORDED_MOVEMENTS[found[1]], "left" if found[2] in LEFT_ARM_SUBJECTS else "right"


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
    for first, last in runs_of(~seen):
        inside = first > 0 and last < len(points) - 1
        if not inside or (last - first + 1) / RATE_HZ > LONGEST_GAP_S:
            filled[first : last + 1] = np.nan
    return filled


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
    runs = sorted(runs_of(whole), key=lambda run: run[1] - run[0])
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
