"""All files of a visit's report: each whole, or not there."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from vision_rom.camera.files import write_whole
from vision_rom.errors import OutputError
from vision_rom.records import Records, Visit
from vision_rom.records.model import History
from vision_rom.visit_report.chart_text import chart_text
from vision_rom.visit_report.content import visit_content
from vision_rom.visit_report.fhir import bundle_of
from vision_rom.visit_report.page import Paper, Reader, one_page, page_html
from vision_rom.visit_report.trend import trend_png


def write_visit_report(
    records: Records, visit: Visit, folder: Path, *, reader: Reader = "chart", paper: Paper = "a4"
) -> tuple[Path, ...]:
    """Write ``report.html``, ``report.pdf``, ``chart.txt`` and ``bundle.json`` (the page alone for the patient).

    Raises
    ------
    OutputError
        The folder cannot be written.
    InstallationError
        A library for the page is missing.

    """
    content = visit_content(records, visit)
    patient = records.patient_of(visit)
    histories = up_to(records.histories(patient), visit.date)
    several = len({one.visit_id for history in histories for one in history.readings}) > 1
    trend = trend_png(patient, records.episodes(patient), histories) if several else None
    results = records.folder_of(visit)
    html, pdf = one_page(lambda scale: page_html(content, results, trend, reader=reader, paper=paper, scale=scale))
    name = "report" if reader == "chart" else "for_the_patient"
    files = {f"{name}.html": html.encode(), f"{name}.pdf": pdf}
    if reader == "chart":
        files["chart.txt"] = chart_text(content).encode()
        files["bundle.json"] = (json.dumps(bundle_of(content), indent=2, ensure_ascii=False) + "\n").encode()
    return tuple(write_with_folder(folder / name, content) for name, content in files.items())


def up_to(histories: Sequence[History], day: str) -> tuple[History, ...]:
    """Return the histories as they were on a day: a report does not know the visits after it."""
    cut = (
        replace(one, readings=tuple(reading for reading in one.readings if reading.visit_date <= day))
        for one in histories
    )
    return tuple(one for one in cut if one.readings)


def write_with_folder(path: Path, content: bytes) -> Path:
    """Write a whole file or none, its folder made where it is missing; raises OutputError where that cannot be."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"The folder '{path.parent}' cannot be made: {error.strerror or error}.") from error
    write_whole(path, content)
    return path
