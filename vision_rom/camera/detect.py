"""Finding the printed sheets in one picture."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from vision_rom.camera.lens import Lens
from vision_rom.camera.sheets import BOARD, TARGETS, Bar, Target
from vision_rom.handover import Floats, Ints

FEWEST_BOARD_CORNERS = 8
FEWEST_TARGET_MARKERS = 3


@dataclass(frozen=True, slots=True)
class BoardView:
    """The calibration board in one picture."""

    numbers: Ints
    """(n,) inner corners that were found, counted row by row."""
    corners_px: Floats
    """(n, 2)"""
    sheet_m: Floats
    """(n, 3) the same corners on the sheet."""
    sharpness: float
    """Width of the edges of the squares, as a fraction of a square: smaller is sharper; NaN if not measurable."""


@dataclass(frozen=True, slots=True)
class BarView:
    """One bar of the angle target in one picture."""

    angle_deg: float
    points_px: Floats
    """(n, 2) points of its middle line, from the pivot outwards."""


@dataclass(frozen=True, slots=True)
class TargetView:
    """The angle target in one picture."""

    target: Target
    corners_px: Floats
    """(n, 2) corners of the markers."""
    sheet_m: Floats
    """(n, 3) the same corners on the sheet."""
    bars: tuple[BarView, ...]


def find_board(rgb: NDArray[np.uint8]) -> BoardView | None:
    """Find the calibration board in a picture (height, width, 3); None if fewer than 8 of its corners are seen."""
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    corners, numbers, _, _ = _board_detector().detectBoard(grey)
    if numbers is None or len(numbers) < FEWEST_BOARD_CORNERS:
        return None
    which = np.asarray(numbers, np.int64).ravel()
    corners_px = np.asarray(corners, np.float64).reshape(-1, 2)
    sheet_m = BOARD.corners_m()[which]
    if np.ptp(sheet_m[:, :2], axis=0).min() < 1.5 * BOARD.square_mm / 1000.0:
        return None  # one or two rows of corners fix the plane badly
    return BoardView(which, corners_px, sheet_m, _edge_width(grey, corners_px, sheet_m))


def find_target(rgb: NDArray[np.uint8], *, lens: Lens | None = None) -> TargetView | None:
    """Find the angle target in a picture (height, width, 3); None if fewer than 3 of its markers are seen.

    With a lens, bars are searched along the curves that straight lines make in the picture.
    """
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    outlines, numbers, _ = _marker_detector().detectMarkers(grey)
    if numbers is None:
        return None
    found = {
        int(number): _refined(grey, np.asarray(outline, np.float64).reshape(4, 2))
        for number, outline in zip(numbers.ravel(), outlines, strict=True)
    }
    best: TargetView | None = None
    for target in TARGETS:
        known = target.marker_corners_m()
        seen = [number for number in known if number in found]
        if len(seen) < FEWEST_TARGET_MARKERS:
            continue
        corners_px = np.concatenate([found[number] for number in seen])
        sheet_m = np.concatenate([known[number] for number in seen])
        if best is not None and len(best.corners_px) >= len(corners_px):
            continue
        best = TargetView(target, corners_px, sheet_m, _bars(grey, target, corners_px, sheet_m, lens))
    return best


@cache
def _board_detector() -> cv2.aruco.CharucoDetector:
    charuco = cv2.aruco.CharucoParameters()
    charuco.tryRefineMarkers = True
    return cv2.aruco.CharucoDetector(BOARD.opencv(), charuco, _marker_parameters())


@cache
def _marker_detector() -> cv2.aruco.ArucoDetector:
    dictionary = cv2.aruco.getPredefinedDictionary(TARGETS[0].dictionary)
    return cv2.aruco.ArucoDetector(dictionary, _marker_parameters())


def _marker_parameters() -> cv2.aruco.DetectorParameters:
    parameters = cv2.aruco.DetectorParameters()
    # a sheet on the wall is small in the picture: a marker may be 1.5 % of its longer side
    parameters.minMarkerPerimeterRate = 0.02
    return parameters


def _edge_width(grey: NDArray[np.uint8], corners_px: Floats, sheet_m: Floats) -> float:
    """Median width of the light step across the squares' edges, divided by the square's edge in the picture.

    The width is contrast / steepest slope, on the edges that leave each corner to the next one.
    """
    plane, _ = cv2.findHomography(sheet_m[:, :2], corners_px)
    if plane is None:
        return float("nan")
    half = BOARD.square_mm / 2000.0
    widths = []
    for x, y in sheet_m[:, :2]:
        for middle, across in (((x + half, y), (0.0, 1.0)), ((x, y + half), (1.0, 0.0))):
            fractions = np.linspace(-0.12, 0.12, 25)
            line = np.array(middle) + np.outer(fractions * 2 * half, across)
            points = cv2.perspectiveTransform(line[None], plane)[0]
            profile = _sample(grey, points)
            contrast = np.ptp(profile)
            slope = np.abs(np.diff(profile)).max()
            if np.isfinite(contrast) and contrast > 30.0:
                widths.append(contrast / slope * (fractions[1] - fractions[0]))
    return float(np.median(widths)) if len(widths) >= 4 else float("nan")


def _refined(grey: NDArray[np.uint8], outline: Floats) -> Floats:
    """Return a marker's corners (4, 2) as the crossings of lines fitted to its four sides.

    On markers of 20 to 40 pixels the corners of OpenCV's own refinement lie a third of a pixel off; whole sides carry
    many more samples than corners do. Sides that cannot be measured leave the corners where they were.
    """
    cell = float(np.mean(np.hypot(*(np.roll(outline, -1, axis=0) - outline).T))) / 6.0
    for reach in (0.9, 0.7):
        lines = [_side(grey, a, b, reach * cell) for a, b in zip(outline, np.roll(outline, -1, axis=0), strict=True)]
        if any(line is None for line in lines):
            return outline
        # corner i joins the side that ends there with the side that starts there
        refined = np.array([_crossing(lines[i - 1], lines[i]) for i in range(4)])
        if not np.isfinite(refined).all() or np.hypot(*(refined - outline).T).max() > cell:
            return outline
        outline = refined
    return outline


def _side(grey: NDArray[np.uint8], start: Floats, end: Floats, reach_px: float) -> tuple[Floats, Floats] | None:
    """Fit the line of a dark marker's side: (point, direction) in pixels, from the middle of the light step."""
    length = float(np.hypot(*(end - start)))
    along = (end - start) / length
    # corners run clockwise in the picture, so the outside is to the left
    outwards = np.array([along[1], -along[0]])
    places = np.linspace(0.1, 0.9, 32) * length
    offsets = np.linspace(-reach_px, reach_px, 33)
    cuts = start + places[:, None, None] * along + offsets[None, :, None] * outwards
    profile = _sample(grey, cuts.reshape(-1, 2)).reshape(len(places), -1)
    rise = np.clip(np.diff(profile, axis=1), 0.0, None)
    rise = np.where(rise > 0.2 * rise.max(axis=1, keepdims=True), rise, 0.0)
    between = (offsets[:-1] + offsets[1:]) / 2
    with np.errstate(invalid="ignore", divide="ignore"):
        edge = (rise * between).sum(axis=1) / rise.sum(axis=1)
    good = np.isfinite(edge) & (np.ptp(profile, axis=1) > 25.0)
    if good.sum() < 0.6 * len(places):
        return None
    offset, slope = _robust_line(places[good], edge[good])
    return start + offset * outwards, along + slope * outwards


def _crossing(first: tuple[Floats, Floats] | None, second: tuple[Floats, Floats] | None) -> Floats:
    if first is None or second is None:
        return np.full(2, np.nan)
    (a, u), (b, v) = first, second
    determinant = u[0] * v[1] - u[1] * v[0]
    if abs(determinant) < 1e-6:
        return np.full(2, np.nan)
    return np.asarray(a + u * ((b - a)[0] * v[1] - (b - a)[1] * v[0]) / determinant)


def _bars(
    grey: NDArray[np.uint8], target: Target, corners_px: Floats, sheet_m: Floats, lens: Lens | None
) -> tuple[BarView, ...]:
    straight_px = corners_px if lens is None else lens.straighten(corners_px)
    if not np.isfinite(straight_px).all():
        return ()
    plane, _ = cv2.findHomography(sheet_m[:, :2], straight_px, cv2.RANSAC, 3.0)
    if plane is None:
        return ()
    found = []
    for bar in target.bars():
        points = _middle_line(grey, bar, plane, lens)
        if points is not None:
            found.append(BarView(bar.angle_deg, points))
    return tuple(found)


def _middle_line(grey: NDArray[np.uint8], bar: Bar, plane: Floats, lens: Lens | None) -> Floats | None:
    """Measure the bar's middle line in the picture: the centre of darkness in narrow cuts across it.

    Two passes: the markers say where the bar is to within a few pixels, the first pass says it to a fraction of one.
    """
    inner, outer = np.array(bar.inner_mm) / 1000.0, np.array(bar.outer_mm) / 1000.0
    length, width = float(np.hypot(*(outer - inner))), bar.width_mm / 1000.0
    along = (outer - inner) / length
    aside = np.array([-along[1], along[0]])
    # the ends themselves are left out: there darkness also ends along the bar
    places = np.linspace(1.5 * width, length - 1.5 * width, 40)
    shift = np.zeros_like(places)
    for reach in (2.2, 1.4):
        offsets = np.linspace(-reach, reach, 61) * width
        centres = inner + np.outer(places, along) + shift[:, None] * aside
        cuts = centres[:, None, :] + offsets[:, None] * aside
        profile = _sample(grey, _to_picture(cuts.reshape(-1, 2), plane, lens)).reshape(len(places), -1)
        paper = np.maximum(profile[:, :8].mean(axis=1), profile[:, -8:].mean(axis=1))
        slope = (profile[:, -8:].mean(axis=1) - profile[:, :8].mean(axis=1)) / (offsets[-1] - offsets[0])
        level = (profile[:, :8].mean(axis=1) + profile[:, -8:].mean(axis=1))[:, None] / 2 + slope[:, None] * offsets
        dark = np.clip(level - profile, 0.0, None)
        # noise and marks beside the bar carry no weight
        dark = np.where(dark > 0.25 * dark.max(axis=1, keepdims=True), dark, 0.0)
        contrast = dark.max(axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            moved = (dark * offsets).sum(axis=1) / dark.sum(axis=1)
        good = (contrast > 0.2 * paper) & (contrast > 25.0) & np.isfinite(moved)
        if good.sum() < 0.6 * len(places):
            return None
        line = _robust_line(places[good], (shift + moved)[good])
        shift = line[0] + line[1] * places
    measured = centres + moved[:, None] * aside
    return _to_picture(measured[good], plane, lens)


def _robust_line(x: Floats, y: Floats) -> tuple[float, float]:
    """Least squares with one round of setting aside what lies far off: (offset, slope)."""
    slope, offset = np.polyfit(x, y, 1)
    rest = np.abs(y - offset - slope * x)
    near = rest <= 3.0 * max(float(np.median(rest)), 1e-9)
    slope, offset = np.polyfit(x[near], y[near], 1)
    return float(offset), float(slope)


def _to_picture(sheet: Floats, plane: Floats, lens: Lens | None) -> Floats:
    points = np.asarray(cv2.perspectiveTransform(sheet[None], plane)[0], np.float64)
    if lens is None:
        return points
    centre, focal = [lens.centre_x_px, lens.centre_y_px], [lens.focal_x_px, lens.focal_y_px]
    return lens.project_rays((points - centre) / focal)


def _sample(grey: NDArray[np.uint8], points_px: Floats) -> Floats:
    """Return the grey level between pixels; NaN outside the picture."""
    height, width = grey.shape
    inside = (
        (points_px[:, 0] >= 0)
        & (points_px[:, 0] <= width - 1)
        & (points_px[:, 1] >= 0)
        & (points_px[:, 1] <= height - 1)
    )
    safe = np.where(inside[:, None], points_px, 0.0).astype(np.float32)
    values = np.concatenate(
        [
            cv2.remap(grey, part[None, :, 0], part[None, :, 1], cv2.INTER_LINEAR)[0]
            for part in np.array_split(safe, len(safe) // 30000 + 1)
        ]
    )
    return np.where(inside, values.astype(np.float64), np.nan)
