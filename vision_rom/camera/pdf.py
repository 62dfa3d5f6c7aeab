"""A PDF of filled outlines and Helvetica text, in true scale.

Only what the printed sheets need of ISO 32000-1: one page, one unit (1/72 inch), paths, and one of the 14 standard fonts.
Coordinates are written with enough digits that a millimetre stays a millimetre.
"""

from __future__ import annotations

from pathlib import Path

from vision_rom.camera.files import write_whole
from vision_rom.camera.sheets import Drawing

POINTS_PER_MM = 72.0 / 25.4

# Widths of Helvetica's digits, from the font's published metrics (Adobe Font Metrics, Core 14), in 1/1000 of its size
_DIGIT_WIDTH = 556
_CAPITAL_HEIGHT = 718


def pdf_bytes(drawing: Drawing, paper_mm: tuple[float, float], *, title: str) -> bytes:
    """Return one page. The drawing's axes: origin in the top left corner of the paper, y down, millimetres."""
    width, height = (side * POINTS_PER_MM for side in paper_mm)
    commands = []
    for shape in drawing.shapes:
        commands.append(f"{shape.grey:g} g")
        path = [f"{_x(x)} {_y(y, height)}" for x, y in shape.corners_mm]
        commands.append(f"{path[0]} m " + " ".join(f"{point} l" for point in path[1:]) + " h f")
    commands.append("0 g")
    for words in drawing.words:
        # the stated height is that of capitals
        size = words.height_mm * POINTS_PER_MM * 1000.0 / _CAPITAL_HEIGHT
        back = len(words.text) * _DIGIT_WIDTH / 1000.0 * size / 2 if words.centred else 0.0
        x = words.at_mm[0] * POINTS_PER_MM - back
        y = _y(words.at_mm[1], height)
        commands.append(f"BT /F1 {size:.4f} Tf {x:.4f} {y} Td ({_escaped(words.text)}) Tj ET")
    content = "\n".join(commands).encode("latin-1")
    objects = [
        b"<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>",
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        (
            f"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {width:.4f} {height:.4f}] "
            "/Resources << /Font << /F1 5 0 R >> >> /Contents 4 0 R >>"
        ).encode(),
        b"<< /Length " + str(len(content)).encode() + b" >>\nstream\n" + content + b"\nendstream",
        b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica /Encoding /WinAnsiEncoding >>",
        f"<< /Title ({_escaped(title)}) >>".encode("latin-1"),
    ]
    return _file_of(objects)


def write_pdf(path: Path, drawing: Drawing, paper_mm: tuple[float, float], *, title: str) -> None:
    """Write one page to a file; raise :class:`OutputError` if it cannot be written."""
    write_whole(path, pdf_bytes(drawing, paper_mm, title=title))


def _file_of(objects: list[bytes]) -> bytes:
    out = bytearray(b"%PDF-1.4\n%\xe2\xe3\xcf\xd3\n")
    places = []
    for number, body in enumerate(objects, start=1):
        places.append(len(out))
        out += f"{number} 0 obj\n".encode() + body + b"\nendobj\n"
    table = len(out)
    out += f"xref\n0 {len(objects) + 1}\n0000000000 65535 f \n".encode()
    for place in places:
        out += f"{place:010d} 00000 n \n".encode()
    out += f"trailer\n<< /Size {len(objects) + 1} /Root 1 0 R /Info 6 0 R >>\nstartxref\n{table}\n%%EOF\n".encode()
    return bytes(out)


def _x(mm: float) -> str:
    return f"{mm * POINTS_PER_MM:.4f}"


def _y(mm: float, page_height: float) -> str:
    return f"{page_height - mm * POINTS_PER_MM:.4f}"


def _escaped(text: str) -> str:
    return text.replace("\\", r"\\").replace("(", r"\(").replace(")", r"\)")
