"""Turns that nobody can make: a network that takes the front for the back and back again within a few pictures.

Looking at one picture, a network may take somebody who faces the camera for somebody who turns the back to it. Where it does so
for a while the names of left and right jump, but not from one picture to the next: there are pictures between in which both shoulders lie
in the middle, and continuity (:mod:`vision_rom.pose.sides`) follows them across. A person needs time to turn round, so a
jump of the names that is faster than that is none, and one of the two stretches beside it is misnamed.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from vision_rom.handover import Bools, Floats, Landmark

_SQUARE_SHARE: Final = 0.7
"""Seen width of shoulders and hips, as a share of its largest, from which the person is taken to stand squarely"""
_SQUARE_TRUNKS: Final = 0.5
"""The same in trunk lengths: about 1.0 from the front, near 0 in a recording from the side alone"""
_FASTEST_TURN_S: Final = 0.45
"""From square to square the other way, through 90 degrees, nobody turns faster. Our own choice, no source."""
_ONE_SIDED_BELOW_S: Final = 2.5
"""A stretch that only one impossible turn parts from the others must be shorter than this to be called misnamed: a real and
very fast turn is followed by a longer one."""
_ALONE_BELOW_S: Final = 0.1
"""A stretch of square pictures that is shorter says nothing"""


def misnamed_turns(time_s: Floats, landmarks_px: Floats) -> Bools:
    """Return the pictures (n,) whose left and right must be exchanged, for else the patient turned impossibly fast.

    Parameters
    ----------
    time_s
        (n,) strictly increasing.
    landmarks_px
        (n, 33, 3); NaN rows where the patient was not found.

    Where stretches contradict each other the longer ones in sum are believed.

    """
    return misnamed_by_width(time_s, shoulder_and_hip_width_px(landmarks_px), trunk_lengths_px(landmarks_px))


def misnamed_by_width(time_s: Floats, width: Floats, trunks_px: Floats) -> Bools:
    """Return the same from :func:`shoulder_and_hip_width_px` and :func:`trunk_lengths_px`, each (n,)."""
    wrong = np.zeros(len(time_s), np.bool_)
    known = np.isfinite(width)
    if known.sum() < 2:
        return wrong
    widest = max(
        _SQUARE_SHARE * float(np.nanquantile(np.abs(width), 0.9)), _SQUARE_TRUNKS * usual_length_px(trunks_px[known])
    )
    square = known & (np.abs(width) > widest)
    for chain in _chains(time_s, width, square):
        lengths = {1.0: 0.0, -1.0: 0.0}
        for first, last in chain:
            lengths[float(np.sign(width[first]))] += float(time_s[last] - time_s[first])
        believed = max(lengths, key=lambda sign: lengths[sign])
        edges = [(chain[k][1] + chain[k + 1][0]) // 2 for k in range(len(chain) - 1)]
        starts = [chain[0][0], *(edge + 1 for edge in edges)]
        ends = [*edges, chain[-1][1]]
        for place, ((first, last), start, end) in enumerate(zip(chain, starts, ends, strict=True)):
            enclosed = 0 < place < len(chain) - 1
            if np.sign(width[first]) != believed and (enclosed or time_s[last] - time_s[first] < _ONE_SIDED_BELOW_S):
                wrong[start : end + 1] = True
    return wrong


def shoulder_and_hip_width_px(landmarks_px: Floats) -> Floats:
    """Return (n,) how far left lies to the right of right: shoulders and hips together, in pixels."""
    pairs = [(Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER), (Landmark.LEFT_HIP, Landmark.RIGHT_HIP)]
    return np.asarray(sum(landmarks_px[:, left, 0] - landmarks_px[:, right, 0] for left, right in pairs))


def trunk_lengths_px(landmarks_px: Floats) -> Floats:
    """Return (n,) the length of the trunk in each picture."""
    shoulders = landmarks_px[:, [Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER], :2].mean(axis=1)
    hips = landmarks_px[:, [Landmark.LEFT_HIP, Landmark.RIGHT_HIP], :2].mean(axis=1)
    return np.asarray(np.linalg.norm(shoulders - hips, axis=-1))


def usual_length_px(lengths_px: Floats) -> float:
    """Return the usual one of lengths (n,), 1 or more."""
    return max(float(np.median(lengths_px)), 1.0)


def _chains(time_s: Floats, width: Floats, square: Bools) -> list[list[tuple[int, int]]]:
    """Return runs (first, last) of square pictures of one sign, in chains that only impossible turns hold together."""
    runs: list[tuple[int, int]] = []
    for row in np.flatnonzero(square):
        if runs and np.sign(width[runs[-1][1]]) == np.sign(width[row]):
            gap = time_s[row] - time_s[runs[-1][1]]
            if gap < _FASTEST_TURN_S:
                runs[-1] = (runs[-1][0], int(row))
                continue
        runs.append((int(row), int(row)))
    lasting = [run for run in runs if time_s[run[1]] - time_s[run[0]] >= _ALONE_BELOW_S]
    chains: list[list[tuple[int, int]]] = []
    for run in lasting:
        if chains and time_s[run[0]] - time_s[chains[-1][-1][1]] < _FASTEST_TURN_S:
            chains[-1].append(run)
        else:
            chains.append([run])
    return [chain for chain in chains if len(chain) > 1]
