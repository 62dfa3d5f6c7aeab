"""Fitting a lens to views of the calibration board, and finding out how well they fix it.

Zhang's method as OpenCV implements it (Z. Zhang, "A flexible new technique for camera calibration", IEEE TPAMI 22(11),
2000), with as many distortion coefficients as the views ask for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from vision_rom.camera.detect import BoardView
from vision_rom.camera.lens import Lens
from vision_rom.camera.views import BoardFrame
from vision_rom.errors import NothingMeasurable
from vision_rom.handover import Floats

UNDECIDED = 10.0
"""Difference of the Bayesian information criterion up to which two lenses explain the views alike (A. E. Raftery,
"Bayesian model selection in social research", Sociological Methodology 25, 1995: beyond 10 is very strong)."""
FOLDS = 8
"""Parts of the views that are left out in turn."""


@dataclass(frozen=True, slots=True)
class LensFit:
    """One fit: the lens, the place of the board in every view, and what is left unexplained."""

    size: tuple[int, int]
    intrinsics: Floats
    """(12,) focal lengths, centre, and the eight distortion coefficients."""
    free: NDArray[np.intp]
    """Places in ``intrinsics`` that were fitted; the others are zero."""
    poses: tuple[Floats, ...]
    """(6,) rotation vector and position of each view."""
    residual_px: float
    view_residuals_px: Floats
    focal_sd_px: float

    @property
    def lens(self) -> Lens:
        """The lens that was fitted."""
        return _lens_from(self.intrinsics, self.size)

    @property
    def tilts_deg(self) -> Floats:
        """(n,) angle between the board and the picture's plane in each view."""
        axes = np.stack([cv2.Rodrigues(pose[:3])[0][:, 2] for pose in self.poses])
        return np.asarray(np.degrees(np.arctan2(np.hypot(axes[:, 0], axes[:, 1]), np.abs(axes[:, 2]))))


_MODELS: dict[int, tuple[int, int]] = {
    # coefficients of the radial part: (OpenCV's flag, number of distortion coefficients with the tangential ones)
    2: (int(cv2.CALIB_FIX_K3), 4),
    3: (0, 5),
    6: (int(cv2.CALIB_RATIONAL_MODEL), 8),
}


def fit_lens(frames: Sequence[BoardFrame], size: tuple[int, int], *, radial: int = 2) -> LensFit:
    """Fit a lens with 2, 3 or 6 radial coefficients; ``size`` is (width, height) in pixels.

    Raises :class:`NothingMeasurable` if the views fix no lens.
    """
    flags, coefficients = _MODELS[radial]
    sheets = [frame.view.sheet_m.astype(np.float32) for frame in frames]
    pictures = [frame.view.corners_px.astype(np.float32)[:, None] for frame in frames]
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 60, 1e-9)
    try:
        residual, matrix, distortion, turns, shifts, deviations, _, views = cv2.calibrateCameraExtended(
            sheets, pictures, size, None, None, flags=flags, criteria=criteria
        )
    except cv2.error as error:
        raise NothingMeasurable(
            "No lens fits the views of the board: hold it at more different angles, and check that the sheet is flat."
        ) from error
    intrinsics = np.zeros(12)
    intrinsics[:4] = matrix[0, 0], matrix[1, 1], matrix[0, 2], matrix[1, 2]
    found = np.asarray(distortion, np.float64).ravel()[:8]
    intrinsics[4 : 4 + found.size] = found
    return LensFit(
        size=size,
        intrinsics=intrinsics,
        free=np.arange(4 + coefficients),
        poses=tuple(np.concatenate([turn.ravel(), shift.ravel()]) for turn, shift in zip(turns, shifts, strict=True)),
        residual_px=float(residual),
        view_residuals_px=np.asarray(views, np.float64).ravel(),
        focal_sd_px=float(np.max(deviations[:2])),
    )


def fit_needed_coefficients(
    frames: Sequence[BoardFrame], size: tuple[int, int], few: LensFit
) -> tuple[LensFit, list[LensFit]]:
    """Add k3, then the rational coefficients, where the Bayesian information criterion asks for them.

    Also returns the fits that the criterion cannot tell from the one chosen (G. Schwarz, "Estimating the dimension of a
    model", Annals of Statistics 6(2), 1978): they agree where the board was seen, and may not where it was not.
    """
    samples = 2 * sum(len(frame.view.numbers) for frame in frames)
    border = _border(*size)
    scored = []
    for radial in _MODELS:
        fit = few if radial == 2 else fit_lens(frames, size, radial=radial)
        score = float(samples * np.log(fit.residual_px**2) + fit.free.size * np.log(samples))
        # a lens without an answer inside its own picture comes last
        scored.append((not np.isfinite(fit.lens.rays(border)).all(), score, radial, fit))
    scored.sort(key=lambda item: item[:2])
    _, best_score, best_radial, best = scored[0]
    if best_radial == 6:
        # rational coefficients may bend anywhere beyond the views; they are believed only where three plain ones agree
        return best, [fit for _, _, radial, fit in scored if radial == 3]
    undecided = [
        fit for failed, score, radial, fit in scored if not failed and radial != 6 and score < best_score + UNDECIDED
    ]
    return best, [fit for fit in undecided if fit is not best]


def fit_without_parts(frames: Sequence[BoardFrame], fit: LensFit) -> list[Lens]:
    """Fit the lens again without every eighth view, eight times, by two Gauss-Newton steps from the answer for all.

    The steps are our own: OpenCV's fit places every view afresh, and now and then ends far off by placing one mirrored.
    """
    count = min(FOLDS, len(frames) // 2)
    lenses = []
    for fold in range(count):
        # parts follow each other in time: neighbouring views share the hand's tremor, and may not vouch for each other
        rest = [i for i in range(len(frames)) if i * count // len(frames) != fold]
        intrinsics, poses = fit.intrinsics, [fit.poses[i] for i in rest]
        for _ in range(2):
            normal, right = np.zeros((fit.free.size, fit.free.size)), np.zeros(fit.free.size)
            blocks = []
            for pose, i in zip(poses, rest, strict=True):
                by_lens, by_pose, wrong = _derivatives(frames[i].view, intrinsics, pose)
                by_lens = by_lens[:, fit.free]
                # the pose of a view touches only its own corners: it is eliminated view by view (Schur complement)
                solve = np.linalg.solve(by_pose.T @ by_pose, by_pose.T)
                reduced = by_lens - by_pose @ (solve @ by_lens)
                normal += by_lens.T @ reduced
                right += reduced.T @ wrong
                blocks.append((solve, by_lens, wrong))
            change = np.linalg.solve(normal, right)
            intrinsics = intrinsics.copy()
            intrinsics[fit.free] += change
            poses = [
                pose + solve @ (wrong - by_lens @ change)
                for pose, (solve, by_lens, wrong) in zip(poses, blocks, strict=True)
            ]
        lenses.append(_lens_from(intrinsics, fit.size))
    return lenses


def _derivatives(view: BoardView, intrinsics: Floats, pose: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the derivatives (2n, 12) by the lens and (2n, 6) by the pose, and the (2n,) corners left to explain."""
    projected, jacobian = cv2.projectPoints(
        view.sheet_m, pose[:3], pose[3:], _matrix(intrinsics), intrinsics[4:].reshape(-1, 1)
    )
    jacobian = np.asarray(jacobian, np.float64)
    return jacobian[:, 6:18], jacobian[:, :6], (view.corners_px - projected.reshape(-1, 2)).ravel()


def focal_interval(fit: LensFit, folds: Sequence[Lens]) -> tuple[float, float]:
    """95 % interval of the focal length by the grouped jackknife over views.

    The deviation that the fit itself states takes every corner for independent; blur, a wavy sheet and a rolling
    shutter are shared by all corners of a view. The larger of the two is used (B. Efron, "The Jackknife, the
    Bootstrap and Other Resampling Plans", SIAM 1982).
    """
    count, focal = len(folds), _mean_focal(fit.lens)
    left_out = np.array([_mean_focal(fold) for fold in folds])
    jackknife = float(np.sqrt((count - 1) / count * np.sum((left_out - left_out.mean()) ** 2)))
    # Student's t, for a deviation from so few groups
    half = max(float(student.ppf(0.975, count - 1)) * jackknife, 1.96 * fit.focal_sd_px)
    return max(0.0, focal - half), focal + half


def _mean_focal(lens: Lens) -> float:
    return (lens.focal_x_px + lens.focal_y_px) / 2


def _matrix(intrinsics: Floats) -> Floats:
    focal_x, focal_y, centre_x, centre_y = intrinsics[:4]
    return np.array([[focal_x, 0.0, centre_x], [0.0, focal_y, centre_y], [0.0, 0.0, 1.0]])


def _lens_from(intrinsics: Floats, size: tuple[int, int]) -> Lens:
    focal_x, focal_y, centre_x, centre_y, *distortion = intrinsics.tolist()
    return Lens(focal_x, focal_y, centre_x, centre_y, *size, tuple(distortion))


def remaining_bend(lens: Lens, folds: Sequence[Lens], alternatives: Sequence[Lens]) -> float:
    """Bend that other lenses, which the pictures allow as well, leave in lines that this lens makes straight.

    The lines are the picture's borders and diagonals. The larger of the jackknife over the folds and the
    alternatives' largest.
    """
    rays = lens.rays(_border(lens.width_px, lens.height_px))
    if not np.isfinite(rays).all():
        return float("inf")
    lines = [
        lens.project_rays(start + np.linspace(0.0, 1.0, 33)[:, None] * (end - start))
        for start, end in ((0, 32), (33, 65), (66, 98), (99, 131), (0, 65), (33, 32))
        for start, end in [(rays[start], rays[end])]
    ]
    # a line between two corners of the picture may leave it where the lens bulges
    lines = [line[lens.contains(line)] for line in lines]
    bends = [np.array([_departure(other.straighten(line)) for line in lines if len(line) > 8]) for other in folds]
    jackknife = np.sqrt((len(folds) - 1) / len(folds) * np.sum(np.square(bends), axis=0))
    others = [_departure(other.straighten(line)) for other in alternatives for line in lines if len(line) > 8]
    worst = max([*jackknife.tolist(), *others])
    return worst if np.isfinite(worst) else float("inf")


def _departure(points: Floats) -> float:
    """Largest distance of points (n, 2) from their common straight line; infinite if a point is NaN."""
    if not np.isfinite(points).all():
        return float("inf")
    centred = points - points.mean(axis=0)
    return float(np.abs(centred @ np.linalg.svd(centred, full_matrices=False)[2][1]).max())


def _border(width_px: int, height_px: int) -> Floats:
    """(132, 2) points of the top, bottom, left and right edge, 33 each."""
    across, down = np.linspace(0, width_px - 1, 33), np.linspace(0, height_px - 1, 33)
    right, bottom = np.full(33, width_px - 1.0), np.full(33, height_px - 1.0)
    zero = np.zeros(33)
    return np.concatenate(
        [
            np.stack([across, zero], axis=1),
            np.stack([across, bottom], axis=1),
            np.stack([zero, down], axis=1),
            np.stack([right, down], axis=1),
        ]
    )
