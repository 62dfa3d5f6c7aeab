"""The printed sheets: a chequered calibration board and an angle target, drawn as plain shapes in millimetres.

One description makes the PDF, the rendered recordings and the points that the detector expects, so that the three
cannot disagree. Sheet axes: origin in the middle of the pattern, x to the right, y down.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal

import cv2
import numpy as np

from vision_rom.errors import UsageError
from vision_rom.handover import Floats

Paper = Literal["a4", "letter", "a3", "tabloid"]

PAPERS_MM: dict[Paper, tuple[float, float]] = {
    "a4": (210.0, 297.0),  # ISO 216
    "a3": (297.0, 420.0),
    "letter": (215.9, 279.4),  # ANSI/ASME Y14.1
    "tabloid": (279.4, 431.8),
}


@dataclass(frozen=True, slots=True)
class Shape:
    """One filled outline."""

    corners_mm: tuple[tuple[float, float], ...]
    grey: float = 0.0
    """0 black, 1 white."""


@dataclass(frozen=True, slots=True)
class Words:
    """One line of text; its left end, or middle, lies on the base line at ``at_mm``."""

    at_mm: tuple[float, float]
    text: str
    height_mm: float = 3.0
    centred: bool = False


@dataclass(frozen=True, slots=True)
class Drawing:
    """Shapes and text, painted in order."""

    shapes: tuple[Shape, ...]
    words: tuple[Words, ...] = ()


@dataclass(frozen=True, slots=True)
class Board:
    """The chequered board with a marker in every white square (ChArUco)."""

    columns: int = 6
    rows: int = 8
    square_mm: float = 30.0
    marker_mm: float = 22.0
    dictionary: int = cv2.aruco.DICT_5X5_50

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the pattern."""
        return self.columns * self.square_mm, self.rows * self.square_mm

    def corners_m(self) -> Floats:
        """((columns - 1) (rows - 1), 3) inner corners, row by row, in the sheet's axes, metres."""
        column, row = np.meshgrid(np.arange(1, self.columns), np.arange(1, self.rows))
        x = (column.ravel() - self.columns / 2) * self.square_mm
        y = (row.ravel() - self.rows / 2) * self.square_mm
        return np.stack([x, y, np.zeros_like(x)], axis=1) / 1000.0

    def opencv(self) -> cv2.aruco.CharucoBoard:
        """Return the same board as OpenCV describes it."""
        return cv2.aruco.CharucoBoard(
            (self.columns, self.rows), self.square_mm / 1000.0, self.marker_mm / 1000.0, _dictionary(self.dictionary)
        )

    def drawing(self) -> Drawing:
        """Return the pattern alone, without words."""
        shapes: list[Shape] = []
        left, top = -self.size_mm[0] / 2, -self.size_mm[1] / 2
        marker = 0
        for row in range(self.rows):
            for column in range(self.columns):
                x, y = left + column * self.square_mm, top + row * self.square_mm
                if (row + column) % 2 == 0:
                    shapes.append(_box(x, y, self.square_mm, self.square_mm))
                else:
                    inset = (self.square_mm - self.marker_mm) / 2
                    shapes += marker_shapes(self.dictionary, marker, x + inset, y + inset, self.marker_mm)
                    marker += 1
        return Drawing(tuple(shapes))


@dataclass(frozen=True, slots=True)
class Bar:
    """A straight black bar that points away from the target's pivot, as an arm points away from the shoulder."""

    angle_deg: float
    """0 straight down, 90 to the right, 180 straight up."""
    inner_mm: tuple[float, float]
    outer_mm: tuple[float, float]
    width_mm: float


@dataclass(frozen=True, slots=True)
class Target:
    """The angle target: bars at known angles and five markers that tell where the sheet is."""

    name: str
    scale: float
    """1 on A4 and Letter, 1.4 on A3 and Tabloid."""
    first_marker: int
    dictionary: int = cv2.aruco.DICT_4X4_50

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the pattern."""
        return 190.0 * self.scale, 230.0 * self.scale

    @property
    def marker_mm(self) -> float:
        """Edge of a marker."""
        return 40.0 * self.scale

    @property
    def pivot_mm(self) -> tuple[float, float]:
        """Where all bars would meet."""
        return -35.0 * self.scale, 0.0

    def bars(self) -> tuple[Bar, ...]:
        """Return the bars from 0 to 180 deg in steps of 30."""
        x, y = self.pivot_mm
        bars = []
        for angle_deg in range(0, 181, 30):
            # exact at 0, 90 and 180, where sine and cosine leave a trace of rounding
            across = round(float(np.sin(np.radians(angle_deg))), 12)
            down = round(float(np.cos(np.radians(angle_deg))), 12)
            inner, outer = 25.0 * self.scale, 112.0 * self.scale
            bars.append(
                Bar(
                    angle_deg=float(angle_deg),
                    inner_mm=(x + inner * across, y + inner * down),
                    outer_mm=(x + outer * across, y + outer * down),
                    width_mm=5.0 * self.scale,
                )
            )
        return tuple(bars)

    def marker_corners_m(self) -> dict[int, Floats]:
        """Return (4, 3) corners of each marker by its number, clockwise from the top left, metres."""
        edge = self.marker_mm
        corners = {}
        for number, (x, y) in enumerate(self._marker_places_mm()):
            outline = [(x, y), (x + edge, y), (x + edge, y + edge), (x, y + edge)]
            corners[self.first_marker + number] = np.array([(*point, 0.0) for point in outline]) / 1000.0
        return corners

    def drawing(self) -> Drawing:
        """Return the pattern alone, without words."""
        shapes: list[Shape] = []
        for number, (x, y) in enumerate(self._marker_places_mm()):
            shapes += marker_shapes(self.dictionary, self.first_marker + number, x, y, self.marker_mm)
        for bar in self.bars():
            shapes.append(_stroke(bar.inner_mm, bar.outer_mm, bar.width_mm))
        return Drawing(tuple(shapes))

    def _marker_places_mm(self) -> tuple[tuple[float, float], ...]:
        edge, (width, height) = self.marker_mm, self.size_mm
        left, right, top, bottom = -width / 2, width / 2 - edge, -height / 2, height / 2 - edge
        return ((left, top), (right, top), (right, bottom), (left, bottom), (left, -edge / 2))


BOARD = Board()
TARGETS = (Target("small", 1.0, 0), Target("large", 1.4, 10))
"""Their markers have different numbers, so that a picture tells which of them hangs there."""


def target_for(paper: Paper) -> Target:
    """Return the target that fits a paper."""
    return TARGETS[1] if paper in ("a3", "tabloid") else TARGETS[0]


def paper_named(name: str) -> Paper:
    """Return the paper of that name, or raise :class:`UsageError`."""
    for paper in PAPERS_MM:
        if paper == name.lower():
            return paper
    raise UsageError(f"No paper is called '{name}'; use one of {', '.join(PAPERS_MM)}.")


def page(kind: Literal["board", "target"], paper: Paper) -> Drawing:
    """Return a whole page: the pattern, a ruler to verify the print with, and what to do.

    The page's axes are those of the sheet with the pattern's middle at :func:`pattern_middle_mm`.
    """
    if kind == "board" and paper not in ("a4", "letter"):
        raise UsageError(f"The calibration board is made for a4 and letter, not for '{paper}'.")
    pattern: Board | Target = BOARD if kind == "board" else target_for(paper)
    scale = 1.0 if isinstance(pattern, Board) else pattern.scale
    offset = pattern_middle_mm(kind, paper)
    drawn = moved(pattern.drawing(), offset)
    bottom = offset[1] + pattern.size_mm[1] / 2
    ruler_left = PAPERS_MM[paper][0] / 2 - RULER_MM / 2
    gap = 5.0 if isinstance(pattern, Board) else 6.0
    ruler = _ruler(ruler_left, bottom + gap, RULER_MM)
    if isinstance(pattern, Board):
        title = (
            f"Calibration board, {pattern.columns} x {pattern.rows} squares of {pattern.square_mm:g} mm, for {paper}."
        )
        advice = "Print at 100 %. Measure the ruler; glue the sheet to something flat and stiff."
    else:
        title = f"Angle target, {pattern.name}, for {paper}. Bars every 30 deg from straight down to straight up."
        advice = "Print at 100 %. Measure the ruler; hang the 0 bar plumb, flat on the wall."
    lines = (
        Words((ruler_left, bottom + gap + 11.5), title, 2.6),
        Words((ruler_left, bottom + gap + 15.5), advice, 2.6),
    )
    labels: tuple[Words, ...] = ()
    if isinstance(pattern, Target):
        labels = tuple(_bar_label(bar, offset, scale) for bar in pattern.bars())
    return Drawing(drawn.shapes + ruler.shapes, ruler.words + lines + labels)


RULER_MM = 150.0
"""Length of the ruler printed under every pattern."""


def pattern_middle_mm(kind: Literal["board", "target"], paper: Paper) -> tuple[float, float]:
    """Return where the pattern's middle lies on the page, from its top left corner."""
    width, _ = PAPERS_MM[paper]
    pattern: Board | Target = BOARD if kind == "board" else target_for(paper)
    top = 10.0 if isinstance(pattern, Board) else 12.0
    return width / 2, top + pattern.size_mm[1] / 2


def moved(drawing: Drawing, offset_mm: tuple[float, float]) -> Drawing:
    """Return the drawing shifted by an offset."""
    x, y = offset_mm
    return Drawing(
        tuple(Shape(tuple((a + x, b + y) for a, b in shape.corners_mm), shape.grey) for shape in drawing.shapes),
        tuple(Words((w.at_mm[0] + x, w.at_mm[1] + y), w.text, w.height_mm, w.centred) for w in drawing.words),
    )


def marker_shapes(dictionary: int, number: int, left_mm: float, top_mm: float, edge_mm: float) -> list[Shape]:
    """Return a square marker as a black square with white cells on it."""
    known = _dictionary(dictionary)
    cells = int(known.markerSize) + 2
    bits = cv2.aruco.generateImageMarker(known, number, cells) > 0
    cell = edge_mm / cells
    shapes = [_box(left_mm, top_mm, edge_mm, edge_mm)]
    # overlapping boxes over every run of one or two cells: boxes that only touch show a grey seam when drawn
    for high, wide in ((1, 1), (1, 2), (2, 1), (2, 2)):
        for row, column in np.ndindex(cells - high + 1, cells - wide + 1):
            if bits[row : row + high, column : column + wide].all():
                shapes.append(_box(left_mm + column * cell, top_mm + row * cell, wide * cell, high * cell, grey=1.0))
    return shapes


@cache
def _dictionary(number: int) -> cv2.aruco.Dictionary:
    return cv2.aruco.getPredefinedDictionary(number)


def _box(left: float, top: float, width: float, height: float, *, grey: float = 0.0) -> Shape:
    left, top, width, height = float(left), float(top), float(width), float(height)
    return Shape(((left, top), (left + width, top), (left + width, top + height), (left, top + height)), grey)


def _stroke(start: tuple[float, float], end: tuple[float, float], width: float) -> Shape:
    along = np.subtract(end, start) / np.hypot(*np.subtract(end, start))
    aside = np.array([-along[1], along[0]]) * width / 2
    corners = (np.add(start, aside), np.add(end, aside), np.subtract(end, aside), np.subtract(start, aside))
    return Shape(tuple((float(x), float(y)) for x, y in corners))


def _ruler(left: float, top: float, length: float) -> Drawing:
    """Return a ruler whose edge and millimetre lines are thin boxes, numbered every 10 mm."""
    thin = 0.15
    shapes = [_box(left - thin / 2, top, length + thin, 0.3)]
    words = []
    for mm in range(int(length) + 1):
        height = 4.5 if mm % 10 == 0 else 3.2 if mm % 5 == 0 else 2.0
        shapes.append(_box(left + mm - thin / 2, top, thin, height))
        if mm % 10 == 0:
            words.append(Words((left + mm, top + 7.0), f"{mm}", 2.2, centred=True))
    words.append(Words((left + length + 4.0, top + 7.0), "mm", 2.2))
    return Drawing(tuple(shapes), tuple(words))


def _bar_label(bar: Bar, offset: tuple[float, float], scale: float) -> Words:
    """Put the number at the bar's inner end, where no bar or marker is in its way."""
    inner, outer = np.array(bar.inner_mm), np.array(bar.outer_mm)
    along = (outer - inner) / np.hypot(*(outer - inner))
    x, y = inner - along * 6.0 * scale + np.array([0.0, 1.2 * scale]) + offset
    return Words((float(x), float(y)), f"{bar.angle_deg:g}", 3.2 * scale, centred=True)
