from __future__ import annotations

import copy
import json
import re
import shutil
from hashlib import sha256
from pathlib import Path

import pytest

from vision_rom.errors import UsageError
from vision_rom.records import Episode, Patient, Records, Visit
from vision_rom.visit_report.chart_text import chart_text
from vision_rom.visit_report.content import visit_content
from vision_rom.visit_report.fhir import bundle_of, documents_of
from vision_rom.visit_report.files import up_to, write_visit_report
from vision_rom.visit_report.page import PAGE_SIZE, one_page, page_html, page_pdf
from vision_rom.visit_report.trend import trend_png

pytest.importorskip("jinja2")
try:
    pytest.importorskip("weasyprint")
except OSError as missing:
    # the package is there, and a library of the system that it loads is not: one file's tests, not the end of the run
    pytest.skip(f"{missing}", allow_module_level=True)
pytest.importorskip("fhir.resources")


@pytest.fixture(scope="module")
def shown(tmp_path_factory, sample_clips):
    """Three visits of an invented patient: the right arm limited and painful, the left sound."""
    from vision_rom.measure import measure
    from vision_rom.pain import PainAsked
    from vision_rom.recorded_pain import with_pain
    from vision_rom.report.document import reading_document

    right = measure(sample_clips / "demo_abduction_right.mp4", movement="abduction", side="right", rate_hz=15.0)
    document = reading_document(with_pain(right, PainAsked(typed=("1.9-4.5:6",))))
    with Records(tmp_path_factory.mktemp("shown") / "records", who="Dr Imaginary") as kept:
        patient = kept.add_patient(Patient("p-1 <b>", 1971, "female", "right"))
        episode = kept.add_episode(Episode(patient.id, "right", "stiff & sore", "2026-01-20", "2026-02-10"))
        for day, degrees in (("2026-03-02", 80.0), ("2026-04-02", 92.0), ("2026-05-02", 118.0)):
            visit = kept.add_visit(
                Visit(patient.id, day, episode.id, inspection="thin deltoid"),
                findings=[{"kind": "strength", "name": "abduction", "side": "right", "grade": 4, "painful": True}],
            )
            for side, value in (("right", degrees), ("left", 158.0)):
                made = copy.deepcopy(document)
                made["clip"]["sha256"] = sha256(f"{side}{day}".encode()).hexdigest()
                made["readings"][0] |= {"side": side, "held_deg": value, "interval95_deg": [value - 4, value + 4]}
                if side == "left":
                    made["readings"][0]["painful_arc"] = {
                        **made["readings"][0]["painful_arc"],
                        "pattern": "not recorded",
                    }
                kept.store_document(visit, made, path=Path("a.mp4"), consent=True)
        unread = copy.deepcopy(document)
        unread["clip"]["sha256"] = sha256(b"unread").hexdigest()
        unread["readings"][0] |= {
            "movement": "flexion", "status": "not_measured", "reason": "Film from the side.", "held_deg": None,
            "interval95_deg": None, "peak_deg": None, "repetitions": [],
        }  # fmt: skip
        kept.store_document(visit, unread, path=Path("b.mp4"), consent=True)
        yield kept, patient, visit


def test_the_note_has_the_trades_order_and_leaves_the_impression_blank(shown):
    kept, _, visit = shown
    text = chart_text(visit_content(kept, visit))
    headings = ["Inspection:", "Palpation:", "Active range", "Strength:", "Tests:", "Comparison:", "Impression:"]
    places = [text.index(one) for one in headings]
    assert places == sorted(places)
    assert re.search(r"^Impression: $", text, re.MULTILINE)
    assert "Abduction, right: 118° (114 to 122°); pain (arc)" in text
    assert "Abduction, right minus left: -40° (±6°)" in text
    assert "+26° since 2026-04-02: changed beyond measurement error" in text
    assert "Abduction, left: 158° (154 to 162°); pain not recorded" in text
    assert "flexion, right: Film from the side." in text
    assert "Abduction-0-adduction, right: 118-0-not measured" in text
    assert "Not a diagnosis" in text


def test_the_status_follows_the_review(shown):
    kept, _, visit = shown
    assert visit_content(kept, visit).status == "preliminary"


def test_the_page_says_everything_once_and_escapes_what_was_typed(shown, tmp_path):
    kept, patient, visit = shown
    trend = trend_png(patient, kept.episodes(patient), kept.histories(patient))
    content = visit_content(kept, visit)
    html = page_html(content, tmp_path, trend)
    assert "p-1 &lt;b&gt;" in html
    assert "stiff &amp; sore" in html
    for words in (
        "118°",
        "158°",
        "preliminary: not yet reviewed",
        "Film from the side.",
        "thin deltoid",
        "grade 4 of 5",
    ):
        assert words in html
    # nothing is loaded from anywhere
    assert not re.search(r'(src|href)="(?!data:)', html)
    plain = page_html(content, tmp_path, trend, reader="patient")
    assert "It reached about 118°. 26° more than on 2026-04-02." in plain
    assert "This could not be measured this time." in plain
    assert "no diagnosis" in plain


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_pdf_is_one_page_of_the_paper(shown, tmp_path, paper):
    kept, _, visit = shown
    patient = kept.patient_of(visit)
    trend = trend_png(patient, kept.episodes(patient), kept.histories(patient))
    content = visit_content(kept, visit)
    html, pdf = one_page(lambda scale: page_html(content, tmp_path, trend, paper=paper, scale=scale))
    assert pdf.startswith(b"%PDF")
    assert page_pdf(html)[1] == 1
    assert f"size: {PAGE_SIZE[paper]}" in html


def test_the_bundle_is_valid_and_comes_back_as_the_same_readings(shown):
    kept, _, visit = shown
    content = visit_content(kept, visit)
    bundle = json.loads(json.dumps(bundle_of(content)))
    kinds = [entry["resource"]["resourceType"] for entry in bundle["entry"]]
    assert kinds == ["Patient", "Device", "Observation", "Observation", "Observation", "DiagnosticReport"]
    right = next(e["resource"] for e in bundle["entry"] if e["resource"]["id"].startswith("reading"))
    assert right["status"] == "preliminary"
    assert right["valueQuantity"] == {
        "value": 118.0,
        "unit": "degree",
        "system": "http://unitsofmeasure.org",
        "code": "deg",
    }
    assert {"system": "http://loinc.org", "code": "41381-5"}.items() <= right["code"]["coding"][0].items()
    assert right["bodySite"]["coding"][0]["code"] == "91774008"
    assert "interpretation" not in right
    absent = [e["resource"] for e in bundle["entry"] if "dataAbsentReason" in e["resource"]]
    assert [one["dataAbsentReason"]["text"] for one in absent] == ["Film from the side."]
    assert "valueQuantity" not in absent[0]
    stored = {json.dumps(one.document, sort_keys=True) for one in kept.readings(visit)}
    assert {json.dumps(one, sort_keys=True) for one in documents_of(bundle)} == stored


def test_another_bundle_is_refused(shown):
    with pytest.raises(UsageError, match="holds no readings"):
        documents_of({"resourceType": "Bundle", "type": "collection"})
    with pytest.raises(UsageError, match="no valid FHIR"):
        documents_of({"resourceType": "Bundle", "type": "nonsense", "entry": 3})


def test_files_are_whole_and_reviewed_values_are_final(shown, tmp_path):
    kept, _, visit = shown
    copied = tmp_path / "copy"
    shutil.copytree(kept.folder, copied)
    with Records(copied, who="Dr Imaginary") as other:
        for one in other.readings(visit):
            other.review(one, "accepted")
        assert visit_content(other, visit).status == "final"
        files = write_visit_report(other, visit, tmp_path / "out")
        assert [path.name for path in files] == ["report.html", "report.pdf", "chart.txt", "bundle.json"]
        assert sorted(path.name for path in (tmp_path / "out").iterdir()) == sorted(path.name for path in files)
        statuses = re.findall(r'"status": "(\w+)"', (tmp_path / "out" / "bundle.json").read_text(encoding="utf-8"))
        assert set(statuses) == {"final"}


def test_a_report_does_not_know_the_visits_after_it(shown):
    kept, patient, _ = shown
    histories = kept.histories(patient)
    assert {reading.visit_date for one in up_to(histories, "2026-04-02") for reading in one.readings} == {
        "2026-03-02",
        "2026-04-02",
    }
    assert up_to(histories, "2026-01-01") == ()


@pytest.fixture
def marked_visit(shown):
    """A visit with an elbow that was marked by hand: an angle, and a distance beside it."""
    kept, patient, visit = shown
    [document] = [one.document for one in kept.readings(visit) if one.side == "right" and one.movement == "abduction"]
    made = copy.deepcopy(document)
    made["clip"]["sha256"] = sha256(b"marked").hexdigest()
    at = {"start_s": 3.4, "peak_s": 3.4, "end_s": 3.4, "hold_start_s": 3.4, "hold_end_s": 3.4, "start_deg": None}
    angle = {"held_deg": 121.0, "peak_deg": 121.0, "interval95_deg": [107.3, 134.7]}
    made["readings"][0] |= {
        **angle, "movement": "cross_body_adduction", "painful_arc": {**made["readings"][0]["painful_arc"], "pattern": "not recorded"},
        "repetitions": [{**made["readings"][0]["repetitions"][0], **at, **angle, "peak_speed_deg_s": None}],
        "marks": [{"time_s": 3.4, "elbow_px": [312.0, 250.0], "shoulder_px": None}],
    }  # fmt: skip
    made["places"] = [
        {"movement": "cross_body_adduction", "side": "right", "status": "measured", "reason": None, "unit": "shoulder_widths", "value": 0.98,
         "interval95": [0.82, 1.14], "zone": "", "cm": 35.0, "cm95": [28.0, 42.0], "cm_from": "a rod", "start_s": 3.4, "end_s": 3.4}
    ]  # fmt: skip
    other = kept.add_visit(Visit(patient.id, "2026-06-02"))
    [stored] = kept.store_document(other, made, path=Path("c.mp4"), consent=True)
    return kept, other, stored


def test_a_marked_elbow_is_told_with_both_numbers(marked_visit):
    kept, visit, stored = marked_visit
    assert stored.conditions["method"] == "marked by hand"
    text = chart_text(visit_content(kept, visit))
    assert "121° (107 to 135°); elbow to far shoulder 0.98 (0.82 to 1.14) shoulder widths, 35 cm (28 to 42)" in text
    bundle = bundle_of(visit_content(kept, visit))
    [observation] = [one["resource"] for one in bundle["entry"] if one["resource"]["resourceType"] == "Observation"]
    assert observation["valueQuantity"]["code"] == "deg"
    assert observation["method"]["text"].startswith("elbow marked by hand")
    parts = {one["code"]["coding"][0]["code"]: one["valueQuantity"] for one in observation["component"]}
    assert parts["elbow-to-far-shoulder-widths"]["value"] == 0.98
    assert parts["elbow-to-far-shoulder-cm-high"] == {
        "value": 42.0,
        "unit": "cm",
        "system": "http://unitsofmeasure.org",
        "code": "cm",
    }
    assert documents_of(bundle) == [stored.document]
    with pytest.raises(UsageError, match="rests on marks"):
        kept.without_repetitions(stored, [1])
