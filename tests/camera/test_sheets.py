"""The printed sheets: true scale in the PDF, and what the detector expects is what is drawn.

A second opinion on the drawing: poppler's pdftoppm (where installed) and OpenCV's own picture of the board.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
import pytest

from vision_rom.camera.detect import find_board, find_target
from vision_rom.camera.pdf import pdf_bytes, write_pdf
from vision_rom.camera.rendering import texture_of
from vision_rom.camera.sheets import (
    BOARD,
    PAPERS_MM,
    RULER_MM,
    TARGETS,
    Paper,
    page,
    paper_named,
    pattern_middle_mm,
    target_for,
)
from vision_rom.errors import UsageError

PAGES: list[tuple[Literal["board", "target"], Paper]] = [
    ("board", "a4"),
    ("board", "letter"),
    ("target", "a4"),
    ("target", "letter"),
    ("target", "a3"),
    ("target", "tabloid"),
]
POINT_MM = 25.4 / 72


def boxes_mm(kind: Literal["board", "target"], paper: Paper) -> np.ndarray:
    """(n, 4, 2) corners of every four-sided path in the PDF's page, read back from its drawing commands, millimetres."""
    content = pdf_bytes(page(kind, paper), PAPERS_MM[paper], title="x").decode("latin-1")
    paths = re.findall(r"([\d.-]+) ([\d.-]+) m ((?:[\d.-]+ [\d.-]+ l ){3})h f", content)
    corners = [[float(x), float(y), *map(float, re.findall(r"[\d.-]+", rest))] for x, y, rest in paths]
    return np.array(corners).reshape(-1, 4, 2) * POINT_MM


@pytest.mark.parametrize(("kind", "paper"), PAGES)
def test_the_page_has_the_papers_size(kind: Literal["board", "target"], paper: Paper) -> None:
    """MediaBox in points of 1/72 inch (ISO 32000-1); paper sizes by ISO 216 and ANSI/ASME Y14.1."""
    content = pdf_bytes(page(kind, paper), PAPERS_MM[paper], title="x")
    box = re.search(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", content)
    assert box is not None
    np.testing.assert_allclose([float(side) * POINT_MM for side in box.groups()], PAPERS_MM[paper], atol=0.001)
    assert b"/PrintScaling /None" in content


@pytest.mark.parametrize(("kind", "paper"), PAGES)
def test_nothing_lies_in_the_margin_that_printers_cannot_reach(kind: Literal["board", "target"], paper: Paper) -> None:
    """6 mm is kept free (common practice, no source)."""
    corners = boxes_mm(kind, paper).reshape(-1, 2)
    assert corners.min() >= 6.0
    assert (np.array(PAPERS_MM[paper]) - corners.max(axis=0) >= 6.0).all()
    words = np.array([w.at_mm for w in page(kind, paper).words])
    assert words[:, 1].max() <= PAPERS_MM[paper][1] - 6.0


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_squares_and_markers_have_their_stated_size_on_paper(paper: Paper) -> None:
    sides = np.ptp(boxes_mm("board", paper), axis=1)
    squares = np.abs(sides - BOARD.square_mm).max(axis=1) < 0.001
    markers = np.abs(sides - BOARD.marker_mm).max(axis=1) < 0.001
    assert squares.sum() == BOARD.columns * BOARD.rows / 2
    assert markers.sum() == BOARD.columns * BOARD.rows / 2


def test_the_rulers_marks_are_a_millimetre_apart() -> None:
    boxes = boxes_mm("board", "a4")
    thin = boxes[np.ptp(boxes[..., 0], axis=1) < 0.2]
    x = np.sort(thin[..., 0].mean(axis=1))
    assert len(x) == RULER_MM + 1
    np.testing.assert_allclose(np.diff(x), 1.0, atol=0.001)


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
def test_bars_lie_at_the_angles_that_they_state(target: object) -> None:
    """Angle of the outline as painted in the PDF, from straight down."""
    paper: Paper = "a4" if target is TARGETS[0] else "a3"
    boxes = boxes_mm("target", paper)
    first, second = boxes[:, 1] - boxes[:, 0], boxes[:, 2] - boxes[:, 1]
    long = np.hypot(*first.T) > 10 * np.hypot(*second.T)
    thick = np.hypot(*second.T) > 4.0
    along = first[long & thick]
    angles = np.degrees(np.arctan2(along[:, 0], -along[:, 1]))
    np.testing.assert_allclose(np.sort(angles), [0, 30, 60, 90, 120, 150, 180], atol=0.001)


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="poppler's pdftoppm is not installed")
@pytest.mark.parametrize(("kind", "paper"), [("board", "a4"), ("target", "letter")])
def test_a_foreign_reader_sees_the_sheet_in_true_scale(
    kind: Literal["board", "target"], paper: Paper, tmp_path: Path
) -> None:
    """The page rendered by poppler at 254 dots an inch has 10 px per mm: corners are found where they were drawn."""
    path = tmp_path / "sheet.pdf"
    write_pdf(path, page(kind, paper), PAPERS_MM[paper], title="x")
    subprocess.run(
        ["pdftoppm", "-r", "254", "-png", "-singlefile", str(path), str(tmp_path / "sheet")],
        check=True,
        capture_output=True,
    )
    rgb = cv2.imread(str(tmp_path / "sheet.png"))
    assert rgb is not None
    np.testing.assert_allclose(rgb.shape[1::-1], np.array(PAPERS_MM[paper]) * 10, atol=1.01)
    view = find_board(rgb) if kind == "board" else find_target(rgb)
    assert view is not None
    if kind == "board":
        assert len(view.corners_px) == (BOARD.columns - 1) * (BOARD.rows - 1)
    else:
        assert len(view.corners_px) == 20
    drawn_mm = view.sheet_m[:, :2] * 1000 + pattern_middle_mm(kind, paper)
    # 0.5 px: the first pixel's centre; poppler paints every pixel that a shape touches, so edges are up to 0.6 px off
    assert np.abs((view.corners_px + 0.5) / 10 - drawn_mm).max() < 0.07


def test_our_board_is_opencvs_board() -> None:
    """Our drawing and cv2.aruco's own picture of the same board differ on edges only."""
    texture = texture_of(BOARD.drawing(), BOARD.size_mm, margin_mm=0.0, pixels_per_mm=4)
    theirs = BOARD.opencv().generateImage(texture.grey.shape[::-1], marginSize=0, borderBits=1)
    different = np.abs(texture.grey.astype(int) - theirs) > 64
    assert different.mean() < 0.02
    np.testing.assert_allclose(
        BOARD.opencv().getChessboardCorners() - BOARD.corners_m(),
        np.broadcast_to(np.array([*BOARD.size_mm, 0.0]) / 2000.0, BOARD.corners_m().shape),
        atol=1e-6,
    )


def test_papers_have_names() -> None:
    assert paper_named("A4") == "a4"
    with pytest.raises(UsageError, match="a4, a3, letter, tabloid"):
        paper_named("b5")
    with pytest.raises(UsageError, match="board is made for a4 and letter"):
        page("board", "a3")
    assert target_for("tabloid").name == "large"
