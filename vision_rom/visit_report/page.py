"""The page of a visit, HTML and PDF from one template: for the chart, or for the patient in plain words.

Black-and-white printable: nothing is told by colour alone. Pictures lie inside the page, which loads nothing from anywhere.
"""

from __future__ import annotations

import base64
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal

from vision_rom.errors import InstallationError
from vision_rom.visit_report import words
from vision_rom.visit_report.chart_text import neutral_zero
from vision_rom.visit_report.content import VisitContent

Reader = Literal["chart", "patient"]
Paper = Literal["a4", "letter"]
PAGE_SIZE = {"a4": "A4", "letter": "letter"}
MOST_PICTURES = 6
SCALES = (1.0, 0.93, 0.86, 0.8, 0.74)
"""Below three quarters of its size nobody would like to read it"""

_STATUS = {
    "preliminary": "preliminary: not yet reviewed",
    "final": "reviewed",
    "amended": "reviewed, with corrections",
}
_LINES = "apt-get install libpango-1.0-0 libpangoft2-1.0-0"


def page_html(
    content: VisitContent,
    results: Path,
    trend: bytes | None,
    *,
    reader: Reader = "chart",
    paper: Paper = "a4",
    scale: float = 1.0,
) -> str:
    """Return the page. ``results`` is the visit's folder, whose pictures are shown; ``scale`` of letters and pictures.

    Raises
    ------
    InstallationError
        The template library is missing.

    """
    try:
        import jinja2
    except ImportError as error:
        raise InstallationError("Reports need one more step: pip install 'vision-rom[clinic]'.") from error
    template = files("vision_rom.visit_report").joinpath("page.html.j2").read_text(encoding="utf-8")
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True)
    return environment.from_string(template).render(_values(content, results, trend, reader, paper), scale=scale)


def one_page(page: Callable[[float], str]) -> tuple[str, bytes]:
    """Return the page and its PDF, shrunk step by step until it is one page; with very much to say it stays two.

    ``page`` makes the page at a scale.
    """
    html, pdf, pages = "", b"", 0
    for scale in SCALES:
        html = page(scale)
        pdf, pages = page_pdf(html)
        if pages == 1:
            break
    return html, pdf


def page_pdf(html: str) -> tuple[bytes, int]:
    """Return the page as PDF and its number of pages; nothing is loaded from outside the page.

    Raises
    ------
    InstallationError
        WeasyPrint or the text layout libraries it needs are missing.

    """
    try:
        import weasyprint
    except ImportError as error:
        raise InstallationError("PDF needs one more step: pip install 'vision-rom[clinic]'.") from error
    except OSError as error:
        raise InstallationError(f"A system library for PDF is missing; install it with: {_LINES}") from error

    class Inside(weasyprint.urls.URLFetcher):  # type: ignore[misc]
        def fetch(self, url: str, *_: Any, **__: Any) -> Any:
            if not url.startswith("data:"):
                raise ValueError("a report loads nothing from outside itself")
            return super().fetch(url)

    document = weasyprint.HTML(string=html, url_fetcher=Inside()).render()
    return document.write_pdf(), len(document.pages)


def _values(content: VisitContent, results: Path, trend: bytes | None, reader: Reader, paper: Paper) -> dict[str, Any]:
    patient, visit = content.patient, content.visit
    plain = reader == "patient"
    who = [f"Patient {patient.code}", f"{content.age} years" if content.age is not None else "", patient.sex]
    if patient.dominant_side:
        who.append(f"{patient.dominant_side}-handed")
    if content.episode is not None:
        who.append(f"{content.episode.complaint} ({content.episode.side})")
        if content.episode.surgery_date:
            who.append(f"surgery {content.episode.surgery_date}")
    return {
        "title": f"Your shoulder on {visit.date}" if plain else f"Shoulder examination, {visit.date}",
        "page_size": PAGE_SIZE[paper],
        "plain": plain,
        "status_words": _STATUS[content.status],
        "who": ", ".join(one for one in who if one and one != "unknown"),
        "plain_lines": _plain_lines(content),
        "motion": visit.motion,
        "position": visit.position,
        "table": [_table_row(content, index) for index in range(len(content.rows))],
        "norm_note": "; ".join(dict.fromkeys(f"{row.title}: {row.norm.text}" for row in content.rows if row.norm.text)),
        "triples": neutral_zero(content),
        "pains": [
            f"{row.title}, {side}: {words.pain(row.of(side))}"
            for row in content.rows
            for side in ("right", "left")
            if words.pain(row.of(side))
        ]
        or ["not recorded"],
        "compensations": content.compensations or ("none seen",),
        "inspection": visit.inspection or "not recorded.",
        "palpation": visit.palpation or "not recorded.",
        "strength": _findings(content, "strength"),
        "tests": _findings(content, "provocative test"),
        "pictures": _pictures(results, "peak_*.jpg"),
        "curves": _pictures(results, "curve.png"),
        "trend": None if trend is None else _data(trend, "png"),
        "unread": content.unread,
        "remarks": content.remarks,
        "how": _how(content),
        "reviewed": _reviewed(content),
        "caution": words.PATIENT_CAUTION if plain else words.CAUTION,
    }


def _table_row(content: VisitContent, index: int) -> dict[str, Any]:
    row = content.rows[index]
    norm = row.norm
    known = norm.low is not None and norm.high is not None
    shown: dict[str, Any] = {
        "title": row.title,
        "right": words.value(row.right),
        "left": words.value(row.left),
        "difference": words.difference(row.difference_deg, row.difference_half_deg),
        "norm": f"{norm.low:.0f} to {norm.high:.0f}°" if known else "see below",
    }
    for side in ("right", "left"):
        change = row.since_last.get(side)
        shown[f"{side}_change"] = words.change(change)
        if change is not None and row.since_first[side].since != change.since:
            shown[f"{side}_change"] += "; " + words.change(row.since_first[side])
        shown[f"{side}_changed"] = change is not None and change.verdict == "changed beyond measurement error"
    return shown


def _plain_lines(content: VisitContent) -> list[dict[str, Any]]:
    lines = []
    for row in content.rows:
        sides = []
        for side in ("right", "left"):
            reading = row.of(side)
            if reading is None:
                continue
            if not reading.measured:
                sides.append({"side": side, "text": "This could not be measured this time."})
                continue
            text = f"It reached about {reading.held_deg:.0f}°. {words.plain_change(row.since_last.get(side))}"
            sides.append({"side": side, "text": text})
        lines.append({"title": row.title, "sides": sides})
    return lines


def _findings(content: VisitContent, kind: str) -> str:
    return "; ".join(words.finding(one) for one in content.findings if one["kind"] == kind) or "not recorded."


def _pictures(results: Path, pattern: str) -> list[dict[str, str]]:
    found = sorted(results.glob(f"*.reading/{pattern}"))[:MOST_PICTURES]
    shown = []
    for path in found:
        name = path.parent.name.removesuffix(".reading").replace("_", " ").removesuffix(" left").removesuffix(" right")
        side = path.stem.removeprefix("peak_") if path.stem.startswith("peak_") else ""
        shown.append(
            {"data": _data(path.read_bytes(), path.suffix[1:]), "caption": f"{name}{', ' + side if side else ''}"}
        )
    return shown


def _data(content: bytes, kind: str) -> str:
    return f"data:image/{'jpeg' if kind == 'jpg' else kind};base64,{base64.b64encode(content).decode()}"


def _how(content: VisitContent) -> str:
    documents = [one.document for row in content.rows for one in (row.left, row.right) if one is not None]
    if not documents:
        return "nothing was measured."
    software = documents[0]["software"]
    views = sorted({str(one["readings"][0]["view"]).replace("_", " ") for one in documents})
    return (
        f"one camera, pose network {software['model']['name']}, {software['parameters']['method_in_words']}; view: "
        f"{', '.join(views)}; held value is the largest mean over 0.5 s, averaged over repetitions; vision-rom {software['version']}."
    )


def _reviewed(content: VisitContent) -> str:
    readings = [one for row in content.rows for one in (row.left, row.right) if one is not None]
    by = sorted({f"{one.reviewed_by} on {(one.reviewed_at or '')[:10]}" for one in readings if one.reviewed_by})
    return "; ".join(by) if content.reviewed else "not yet by a person; the values are preliminary."
