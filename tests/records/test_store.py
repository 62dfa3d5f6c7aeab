from __future__ import annotations

import math
import sqlite3
from pathlib import Path

import pytest

from vision_rom.errors import UsageError
from vision_rom.records import Episode, Patient, Records, Visit


def test_what_is_stored_comes_back(records, patient, visit, held):
    [stored] = records.store_document(visit, held(95.0), path=Path("a.mp4"), consent=True)
    assert (stored.held_deg, stored.interval95_deg, stored.review, stored.version) == (
        95.0,
        (91.0, 99.0),
        "unreviewed",
        1,
    )
    assert records.readings(visit) == (stored,)
    assert records.name_of(patient) == "Imagined Person"
    [clip] = records.clips(patient)
    assert (clip.path, clip.consent) == ("a.mp4", True)
    assert records.integrity() == "ok"


def test_recordings_of_one_name_have_folders_of_their_own(records, visit, held):
    first, second = held(95.0), held(120.0)
    second["clip"]["sha256"] = "c0ffee00" + "1" * 56
    hashes = [one["clip"]["sha256"] for one in (first, second)]
    folders = []
    for place, document, sha256 in zip(("monday", "tuesday"), (first, second), hashes, strict=True):
        path = Path(f"/{place}/left.mp4")
        before = records.results_folder(visit, path, sha256)
        records.store_document(visit, document, path=path, consent=True)
        # the same place before and after its rows are there
        assert records.results_folder(visit, path, sha256) == before
        folders.append(before.name)
    assert folders == ["left.reading", "left-c0ffee00.reading"]
    assert records.results_folder(visit, Path("/moved/left.mp4"), hashes[0]).name == folders[0]
    assert records.results_folder(visit, Path("/monday/right.mp4"), hashes[1]).name == "right.reading"


def test_storing_the_same_again_changes_nothing_and_another_is_a_new_version(records, visit, held):
    first = records.store_document(visit, held(95.0), path=Path("a.mp4"), consent=True)
    assert records.store_document(visit, held(95.0), path=Path("a.mp4"), consent=True) == first
    again = held(95.0)
    again["readings"][0]["held_deg"] = 97.0
    [second] = records.store_document(visit, again, path=Path("a.mp4"), consent=True)
    assert (second.version, second.supersedes) == (2, first[0].id)
    assert records.readings(visit) == (second,)
    assert [one.held_deg for one in records.versions(second)] == [95.0, 97.0]


def test_a_reviewed_reading_never_changes(records, visit, held):
    [stored] = records.store_document(visit, held(95.0), path=Path("a.mp4"), consent=True)
    accepted = records.review(stored, "accepted")
    assert (accepted.id, accepted.reviewed_by) == (stored.id, "tester")
    rejected = records.review(accepted, "rejected", note="second thoughts")
    assert (rejected.version, rejected.supersedes, rejected.note) == (2, accepted.id, "second thoughts")
    assert [one.review for one in records.versions(rejected)] == ["accepted", "rejected"]
    other = sqlite3.connect(records.folder / "records.sqlite3")
    for change in (
        "UPDATE reading SET document = '{}'",
        "UPDATE reading SET review = 'rejected'",
        "UPDATE audit SET what = ''",
        "DELETE FROM audit",
    ):
        with pytest.raises(sqlite3.IntegrityError, match=r"never changes|is kept"):
            other.execute(change)
    other.close()


def test_a_repetition_is_left_out_in_a_version_beside_the_old_one(records, visit, document):
    [stored] = records.store_document(visit, document, path=Path("a.mp4"), consent=True)
    one, two = stored.reading["repetitions"]
    corrected = records.without_repetitions(stored, [1], note="leaned")
    assert corrected.held_deg == two["held_deg"]
    assert (corrected.review, corrected.reviewed_by, corrected.note) == ("corrected", "tester", "leaned")
    assert corrected.reading["peak_deg"] == two["peak_deg"]
    half = (corrected.interval95_deg[1] - corrected.interval95_deg[0]) / 2
    assert half >= (stored.interval95_deg[1] - stored.interval95_deg[0]) / 2 - 0.06
    assert stored.reading["repetitions"] == [one, two]
    for numbers, words in (([3], "repetitions 1 to 2"), ([1, 2], "reject the reading"), ([], "not none")):
        with pytest.raises(UsageError, match=words):
            records.without_repetitions(stored, numbers)


def test_a_deleted_patient_leaves_one_line_and_nothing_else(records, patient, visit, held, tmp_path):
    clip = tmp_path / "secret-recording.mp4"
    clip.write_bytes(b"picture")
    records.store_document(visit, held(95.0), path=clip, consent=True)
    results = records.folder_of(visit)
    results.mkdir(parents=True)
    (results / "peak_right.jpg").write_bytes(b"picture")
    other = records.add_patient(Patient("p-2"))
    assert records.delete_patient(patient) == ()
    assert not clip.exists()
    assert not results.exists()
    assert records.patients() == (other,)
    assert records.audit()[-1][2] == "deleted a patient wholly"
    records.close()
    kept = b"".join(path.read_bytes() for path in records.folder.rglob("*") if path.is_file())
    for trace in (b"p-1", b"Imagined Person", b"secret-recording"):
        assert trace not in kept
    with Records(records.folder) as again:
        assert again.integrity() == "ok"


def test_everything_of_a_patient_is_exported(records, patient, visit, held):
    records.add_episode(Episode(patient.id, "right", "stiff", "2026-01-20"))
    [stored] = records.store_document(visit, held(95.0), path=Path("a.mp4"), consent=False)
    records.review(stored, "accepted")
    document = records.export_patient(patient)
    assert document["patient"]["name"] == "Imagined Person"
    assert document["episodes"][0]["complaint"] == "stiff"
    assert document["visits"][0]["readings"][0]["review"] == "accepted"
    assert document["recordings"][0]["path"] == "a.mp4"


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (lambda r, p: r.add_patient(Patient("p-1")), "is a patient 'p-1' already"),
        (lambda r, p: r.add_patient(Patient("a/b")), "cannot be a patient's code"),
        (lambda r, p: r.add_patient(Patient("x", 1800)), "year of birth cannot be 1800"),
        (lambda r, p: r.add_patient(Patient("x", sex="f")), "sex must be one of"),
        (lambda r, p: r.add_visit(Visit(p.id, "2.3.2026")), "is no date"),
        (lambda r, p: r.add_visit(Visit(p.id, "2026-03-02", position="kneeling")), "position must be one of"),
        (lambda r, p: r.add_visit(Visit(99, "2026-03-02")), "refuse this"),
        (lambda r, p: r.patient("nobody"), "no patient 'nobody'"),
        (lambda r, p: r.visit(99), "no visit 99"),
        (lambda r, p: r.reading(99), "no reading 99"),
    ],
)
def test_wrong_values_get_a_sentence_and_change_nothing(records, patient, wrong, words):
    before = records.export_patient(patient), records.audit()
    with pytest.raises(UsageError, match=words):
        wrong(records, patient)
    assert (records.export_patient(patient), records.audit()) == before


def test_a_reading_that_was_not_measured_has_no_interval(records, visit, held):
    document = held(95.0)
    document["readings"][0] |= {"status": "not_measured", "held_deg": None, "interval95_deg": None, "reason": "dark"}
    [stored] = records.store_document(visit, document, path=Path("a.mp4"), consent=True)
    assert not stored.measured
    assert all(math.isnan(bound) for bound in stored.interval95_deg)


@pytest.mark.parametrize("code", [".", "..", ".hidden"])
def test_a_code_that_is_another_folder_is_refused(records, code):
    """Results lie in a folder of that name, and deletion takes the folder."""
    with pytest.raises(UsageError, match="cannot be a patient's code"):
        records.add_patient(Patient(code))


def test_deleting_a_patient_of_an_old_database_leaves_everybody_elses_results(records, patient, visit):
    kept = records.folder_of(visit) / "reading.json"
    kept.parent.mkdir(parents=True)
    kept.write_text("{}")
    # a code that was allowed once
    records._connection.execute("INSERT INTO patient (code, created_at) VALUES ('..', '2026-01-01')")
    records.delete_patient(records.patient(".."))
    assert kept.exists()
    assert records.patient(patient.code) == patient


def test_a_file_that_an_imported_document_only_names_is_not_deleted(
    records, patient, visit, held, tmp_path, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "thesis.txt").write_text("three years of work")
    records.store_document(visit, held(95.0), path=Path("thesis.txt"), consent=False)
    assert records.delete_patient(patient) == (Path("thesis.txt"),)
    assert (tmp_path / "thesis.txt").exists()
