"""From pictures of the calibration board to a lens, with a plain verdict: good, or redo because of this."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vision_rom.camera.detect import BoardView
from vision_rom.camera.lens import Lens
from vision_rom.camera.lens_fit import (
    LensFit,
    fit_lens,
    fit_needed_coefficients,
    fit_without_parts,
    focal_interval,
    remaining_bend,
)
from vision_rom.camera.views import BoardFrame
from vision_rom.errors import NothingMeasurable
from vision_rom.handover import Bools

FEWEST_VIEWS = 10
GRID = (8, 6)
"""Columns and rows by which the coverage of a landscape picture is counted."""
FEWEST_COVERED = 0.6
FEWEST_TILTED = 4
TILTED_DEG = 15.0
LARGEST_RESIDUAL = 0.6 / 1000.0
"""Of the picture's longer side: 0.77 px in 1280."""
LARGEST_FOCAL_INTERVAL = 0.005
"""Half width of the focal length's 95 % interval, as a fraction of it."""
LARGEST_BEND_PX = 0.5
SMALLEST_OUTLIER_PX = 0.15
"""A view with a residual below this is never dropped."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """A lens and how far it can be trusted."""

    lens: Lens
    residual_px: float
    """Root mean square distance over all corners of the views used."""
    focal_interval95_px: tuple[float, float]
    bend_px: float
    """By how much a straight line across the picture may still be bent after correction; infinite if the lens has no
    answer for some part of the picture."""
    coverage: float
    """Share of the picture's grid cells in which corners were seen, 0 to 1."""
    covered: tuple[tuple[bool, ...], ...]
    """The grid, row by row."""
    times_s: tuple[float, ...]
    """Of the pictures used."""
    dropped_times_s: tuple[float, ...]
    """Of the pictures that were chosen but did not fit the others."""
    tilted_views: int
    redo_because: tuple[str, ...]
    """Empty if the calibration is good."""

    @property
    def good(self) -> bool:
        """Whether the profile should be used."""
        return not self.redo_because

    @property
    def verdict(self) -> str:
        """One sentence for the user."""
        if self.good:
            return "Good."
        return "Redo, because " + "; ".join(self.redo_because) + "."


def calibrate_from(frames: Sequence[BoardFrame], *, width_px: int, height_px: int) -> Calibration:
    """Fit a lens to chosen views of the board; raise :class:`NothingMeasurable` if there are too few to fit one."""
    if len(frames) < 4:
        raise NothingMeasurable(
            f"The board was seen sharply in {len(frames)} different places; at least {FEWEST_VIEWS} are needed: film it "
            "for 20 to 40 s, hold still at each place, and fill the picture from edge to edge."
        )
    size = (width_px, height_px)
    kept = list(frames)
    dropped: list[BoardFrame] = []
    fit = fit_lens(kept, size)
    while len(kept) > FEWEST_VIEWS:
        limit = 3.0 * float(np.median(fit.view_residuals_px))
        worst = int(np.argmax(fit.view_residuals_px))
        # one at a time: a bad view bends the lens and makes good ones look bad
        if fit.view_residuals_px[worst] <= max(limit, SMALLEST_OUTLIER_PX):
            break
        dropped.append(kept.pop(worst))
        fit = fit_lens(kept, size)
    fit, alternatives = fit_needed_coefficients(kept, size, fit)
    folds = fit_without_parts(kept, fit)
    low, high = focal_interval(fit, folds)
    covered = _covered([frame.view for frame in kept], width_px, height_px)
    coverage = float(covered.mean())
    tilted = sum(tilt > TILTED_DEG for tilt in fit.tilts_deg)
    lens = fit.lens
    bend_px = remaining_bend(lens, folds, [other.lens for other in alternatives])
    return Calibration(
        lens=lens,
        residual_px=fit.residual_px,
        focal_interval95_px=(low, high),
        bend_px=bend_px,
        coverage=coverage,
        covered=tuple(tuple(bool(cell) for cell in row) for row in covered),
        times_s=tuple(frame.time_s for frame in kept),
        dropped_times_s=tuple(sorted(frame.time_s for frame in dropped)),
        tilted_views=tilted,
        redo_because=_shortcomings(fit, len(kept), len(dropped), covered, tilted, (low, high), max(size), bend_px),
    )


def _covered(views: Sequence[BoardView], width_px: int, height_px: int) -> Bools:
    columns, rows = GRID if width_px >= height_px else GRID[::-1]
    grid = np.zeros((rows, columns), np.bool_)
    for view in views:
        column = np.clip(view.corners_px[:, 0] / width_px * columns, 0, columns - 1).astype(int)
        row = np.clip(view.corners_px[:, 1] / height_px * rows, 0, rows - 1).astype(int)
        grid[row, column] = True
    return grid


def _shortcomings(
    fit: LensFit,
    kept: int,
    dropped: int,
    covered: Bools,
    tilted: int,
    focal: tuple[float, float],
    longer_side_px: int,
    bend_px: float,
) -> tuple[str, ...]:
    reasons = []
    if kept < FEWEST_VIEWS:
        reasons.append(f"only {kept} different sharp views of the board were found, at least {FEWEST_VIEWS} are needed")
    if dropped > kept:
        reasons.append(f"{dropped} of {kept + dropped} views did not fit the others: the sheet may be bent")
    if covered.mean() < FEWEST_COVERED:
        reasons.append(
            f"the board covered {covered.mean():.0%} of the picture, at least {FEWEST_COVERED:.0%} is needed: "
            f"bring it to the {_uncovered_side(covered)}"
        )
    if tilted < FEWEST_TILTED:
        reasons.append(
            f"the board was tilted by more than {TILTED_DEG:g} deg in {tilted} views, at least {FEWEST_TILTED} are "
            "needed: the focal length shows only in a tilted board"
        )
    if fit.residual_px > LARGEST_RESIDUAL * longer_side_px:
        reasons.append(
            f"the corners lie {fit.residual_px:.2f} px off on average, at most {LARGEST_RESIDUAL * longer_side_px:.2f} is "
            "allowed: keep the sheet flat, hold still, and lock focus and zoom"
        )
    half = (focal[1] - focal[0]) / 2 / ((focal[0] + focal[1]) / 2)
    if half > LARGEST_FOCAL_INTERVAL:
        reasons.append(
            f"the focal length is known to {half:.1%} only, {LARGEST_FOCAL_INTERVAL:.1%} is needed: hold the board "
            "nearer and at more different tilts"
        )
    if bend_px > LARGEST_BEND_PX:
        known = f"only to {bend_px:.1f} px" if np.isfinite(bend_px) else "not at all"
        reasons.append(
            f"straight lines along the picture's edge are corrected {known}: bring the board into its corners, and use no fisheye lens"
        )
    return tuple(reasons)


def _uncovered_side(covered: Bools) -> str:
    rows, columns = covered.shape
    shares = {
        "left": covered[:, : columns // 2].mean(),
        "right": covered[:, columns - columns // 2 :].mean(),
        "top": covered[: rows // 2].mean(),
        "bottom": covered[rows - rows // 2 :].mean(),
    }
    return min(shares, key=lambda side: shares[side])
