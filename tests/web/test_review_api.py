from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from vision_rom.web.store import ClinicStore

CORRECTIONS = "/api/clips/1/corrections"


@pytest.fixture
def clara(measured):
    return measured.signed_in("Clara Clinic")


def _shown(browser) -> dict:
    answer = browser.get("/api/clips/1")
    assert answer.status_code == 200
    return answer.json()


def _dropped(shown: dict) -> dict[str, object]:
    """A correction that leaves the first repetition out."""
    spans = [[one["start_s"], one["end_s"]] for one in shown["readings"][0]["repetitions"]]
    return {"kind": "repetitions", "movement": "abduction", "side": "right", "spans": spans[1:]}


def test_the_page_gets_all_it_draws(clara) -> None:
    shown = _shown(clara)
    assert len(shown["frame_index"]) == len(shown["frame_time_s"]) == len(shown["points_px"]) > 100
    assert all(point is None or len(point) == 2 * len(shown["joints"]) for point in shown["points_px"])
    assert all(len(one["time_s"]) == len(one["angle_deg"]) for one in shown["curves"])
    assert (shown["corrections"], shown["pain"]) == (0, {"marks": [], "none": False})
    assert shown["readings"][0]["review"] == "unreviewed"


def test_a_correction_is_kept_and_undone_to_the_first_reading(measured, clara) -> None:
    before = _shown(clara)
    answer = clara.post(CORRECTIONS, json=_dropped(before))
    assert answer.status_code == 200
    corrected = answer.json()
    assert corrected == _shown(clara)
    assert corrected["corrections"] == 1
    assert corrected["readings"][0]["held_deg"] != before["readings"][0]["held_deg"]
    assert corrected["readings"][0]["review"] == "corrected"

    undone = clara.send("DELETE", f"{CORRECTIONS}/last")
    assert undone.status_code == 200
    after = undone.json()
    ours = {"id", "review"}
    assert {key: value for key, value in after["readings"][0].items() if key not in ours} == {
        key: value for key, value in before["readings"][0].items() if key not in ours
    }
    assert after["curves"] == before["curves"]
    assert after["readings"][0]["review"] == "unreviewed"
    assert clara.send("DELETE", f"{CORRECTIONS}/last").status_code == 409

    with measured.store() as kept:
        (reading,) = kept.readings_of(kept.clip(1))
        versions = [one.reading["held_deg"] for one in kept.versions(reading)]
        trail = [what for _, who, what in kept.audit() if who == "Clara Clinic"]
    assert versions == [before["readings"][0]["held_deg"], corrected["readings"][0]["held_deg"], versions[0]]
    assert [what for what in trail if "correct" in what] == [
        "corrected recording 1",
        "undid a correction of recording 1",
    ]


def test_a_correction_comes_with_its_pictures_or_not_at_all(measured, clara, monkeypatch) -> None:
    def held(*given: object, **more: object) -> int:
        raise sqlite3.OperationalError("database is locked")

    before = _shown(clara)
    with monkeypatch.context() as patched:
        patched.setattr(ClinicStore, "add_job", held)
        answer = clara.post(CORRECTIONS, json=_dropped(before))
        assert answer.status_code >= 500
        assert "try again" in answer.json()["detail"]
    assert _shown(clara) == before
    with measured.store() as kept:
        queued = [one.id for one in kept.jobs()]
    assert clara.post(CORRECTIONS, json=_dropped(before)).status_code == 200
    with measured.store() as kept:
        job = kept.claim_job()
        assert (job.kind, job.clip_id) == ("draw", 1)
        assert job.id not in queued


def test_corrections_are_undone_from_the_end(clara) -> None:
    shown = _shown(clara)
    one = clara.post(CORRECTIONS, json=_dropped(shown)).json()
    two = clara.post(CORRECTIONS, json={"kind": "pain", "marks": [[1.0, 1.8, 5]], "none": False}).json()
    assert (one["corrections"], two["corrections"]) == (1, 2)
    assert two["pain"] == {"marks": [[1.0, 1.8, 5]], "none": False}
    back = clara.send("DELETE", f"{CORRECTIONS}/last").json()
    assert back["pain"]["marks"] == []
    assert back["readings"][0]["repetitions"] == one["readings"][0]["repetitions"]


def test_another_side_rejects_the_first_reading_and_undo_brings_it_back(measured, clara) -> None:
    before = _shown(clara)
    other = clara.post(CORRECTIONS, json={"kind": "movement", "movement": "abduction", "side": "left"}).json()
    assert [one["side"] for one in other["readings"]] == ["left"]
    with measured.store() as kept:
        told = {one.side: one.review for one in kept.readings_of(kept.clip(1))}
    assert told["right"] == "rejected"
    clara.send("DELETE", f"{CORRECTIONS}/last")
    after = _shown(clara)
    assert [one["side"] for one in after["readings"]] == ["right"]
    assert after["readings"][0]["held_deg"] == before["readings"][0]["held_deg"]
    with measured.store() as kept:
        told = {one.side: one.review for one in kept.readings_of(kept.clip(1))}
    assert told == {"right": "unreviewed", "left": "rejected"}


@pytest.mark.parametrize(
    ("bad", "status"),
    [
        ({"kind": "repetitions", "movement": "abduction", "side": "right", "spans": [[3.0, 2.0]]}, 400),
        ({"kind": "repetitions", "movement": "abduction", "side": "right", "spans": [[-1.0, 2.0]]}, 422),
        ({"kind": "repetitions", "movement": "abduction", "side": "right", "spans": [[0, 1]] * 201}, 422),
        ({"kind": "pain", "marks": [[1.0, 2.0, 11]]}, 422),
        ({"kind": "point", "frame": 1, "landmark": "nose", "x_px": 1, "y_px": 1}, 422),
        ({"kind": "movement", "movement": "somersault", "side": "right"}, 404),
        ({"kind": "mark", "side": "right", "frame": 1, "elbow": [1.0]}, 422),
        ({"kind": "mark", "side": "right", "frame": 1, "elbow": [1.0, 1.0]}, 400),
        ({"kind": "magic"}, 422),
        ({}, 422),
        ([], 422),
    ],
)
def test_a_bad_correction_changes_nothing(measured, clara, bad: object, status: int) -> None:
    with measured.store() as kept:
        before = len(kept.audit())
    answer = clara.post(CORRECTIONS, json=bad)
    assert answer.status_code == status
    assert isinstance(answer.json()["detail"], str)
    with measured.store() as kept:
        assert kept.corrections(kept.clip(1)) == ()
        assert len(kept.audit()) == before


def test_a_reading_is_accepted_with_a_remark_that_is_no_script(measured, clara) -> None:
    number = _shown(clara)["readings"][0]["id"]
    said = clara.post(
        f"/api/readings/{number}/review", json={"review": "accepted", "note": "<script>alert(1)</script>"}
    )
    assert said.json()["by"] == "Clara Clinic"
    assert said.headers["content-type"] == "application/json"
    assert _shown(clara)["readings"][0]["review"] == "accepted"
    for path in ("/clips/1", "/visits/1", "/patients/M-1", "/visits/1/files/report.html"):
        answer = clara.get(path)
        assert answer.status_code == 200
        assert "<script>alert" not in answer.text
    with measured.store() as kept:
        assert kept.to_review() == ()


def test_an_accepted_reading_that_is_corrected_waits_for_no_silent_acceptance(measured, clara) -> None:
    shown = _shown(clara)
    clara.post(f"/api/readings/{shown['readings'][0]['id']}/review", json={"review": "accepted"})
    corrected = clara.post(CORRECTIONS, json=_dropped(shown)).json()
    assert corrected["readings"][0]["review"] == "corrected"


def test_pain_that_was_typed_and_who_moved_the_arm_outlive_a_correction(measured, clara) -> None:
    with measured.store() as kept:
        [reading] = kept.readings_of(kept.clip(1))
        document = reading.document
        document["software"]["parameters"] |= {"pain_marks": ["1.0-1.8:5", "2.5-3.0"]}
        document["readings"][0]["motion"] = "assisted"
        kept._connection.execute("DELETE FROM reading")
        kept.store_document(kept.visit(1), document, path=Path(kept.clip(1).path), consent=True)
    shown = _shown(clara)
    assert shown["pain"] == {"marks": [[1.0, 1.8, 5.0], [2.5, 3.0, None]], "none": False}
    assert shown["readings"][0]["painful_arc"]["sources"] == ["typed"]
    after = clara.post(CORRECTIONS, json=_dropped(shown)).json()
    assert (after["pain"], after["readings"][0]["motion"]) == (shown["pain"], "assisted")
    assert after["readings"][0]["painful_arc"]["sources"] == ["typed"]


def test_a_rejected_reading_stays_rejected_where_only_pain_was_marked(measured, clara) -> None:
    number = _shown(clara)["readings"][0]["id"]
    clara.post(f"/api/readings/{number}/review", json={"review": "rejected", "note": "the elbow was hidden"})
    marked = clara.post(CORRECTIONS, json={"kind": "pain", "marks": [[1.0, 1.8, 5]], "none": False}).json()
    told = [(one["review"], one["note"]) for one in marked["readings"]]
    assert told == [("rejected", "the elbow was hidden")]
    dropped = clara.post(CORRECTIONS, json=_dropped(marked)).json()
    assert dropped["readings"][0]["review"] == "corrected"


def test_a_recording_of_a_place_alone_has_its_page_too(measured, clara) -> None:
    answer = clara.post(CORRECTIONS, json={"kind": "movement", "movement": "hand_behind_back", "side": "right"})
    assert answer.status_code == 200
    [place] = answer.json()["places"]
    assert place["in_words"].startswith("hand behind back, right: ")
    with measured.store() as kept:
        kept._connection.execute("DELETE FROM reading")
    shown = _shown(clara)
    assert (shown["readings"], shown["places"]) == ([], [place])


def test_a_marked_elbow_is_a_reading_with_who_and_when_and_undo_takes_it_back(measured, clara) -> None:
    refused = clara.post(
        CORRECTIONS, json={"kind": "movement", "movement": "cross_body_adduction", "side": "right"}
    ).json()
    assert refused["readings"] == []
    assert refused["places"][0]["status"] == "not_measured"
    points = dict(zip(refused["joints"], zip(*[iter(refused["points_px"][20])] * 2, strict=True), strict=True))
    (left_x, _), (right_x, y) = points["left_shoulder"], points["right_shoulder"]
    mark = {
        "kind": "mark",
        "side": "right",
        "frame": refused["frame_index"][20],
        "elbow": [right_x + 0.4 * (left_x - right_x), y],
    }
    shown = clara.post(CORRECTIONS, json=mark).json()
    [reading], [place] = shown["readings"], shown["places"]
    assert (reading["status"], reading["review"]) == ("measured", "corrected")
    assert reading["marks"] == [
        {"time_s": pytest.approx(shown["frame_time_s"][20], abs=1e-3), "elbow_px": pytest.approx(mark["elbow"], abs=0.06), "shoulder_px": None}
    ]  # fmt: skip
    assert "shoulder widths" in place["in_words"]
    with measured.store() as kept:
        stored = next(one for one in kept.readings_of(kept.clip(1)) if one.movement == "cross_body_adduction")
        assert stored.reviewed_by == "Clara Clinic"
        assert stored.reviewed_at
        assert stored.distance is not None
    undone = clara.send("DELETE", f"{CORRECTIONS}/last").json()
    assert (undone["readings"], undone["places"]) == (refused["readings"], refused["places"])


# --- measured again ---------------------------------------------------------------------------------------------------


def test_a_recording_without_its_landmarks_is_measured_again(measured, clara) -> None:
    before = clara.post(CORRECTIONS, json=_dropped(_shown(clara))).json()
    with measured.store() as kept:
        results = kept.results_of(kept.clip(1))
        kept.cancel_job(kept.claim_job().id)
    [landmarks] = results.glob("landmarks-*.npz")
    landmarks.unlink()
    (results / "peak_right.jpg").write_bytes(b"an older one")
    refused = clara.get("/api/clips/1")
    assert refused.status_code == 400
    assert "measure it again" in refused.json()["detail"]

    assert clara.post("/clips/1/measure").status_code == 204
    number = measured.run_next_job()
    with measured.store() as kept:
        job = kept.job(number)
        assert (job.state, job.kind, job.message) == ("done", "measure", "1 measured of 1")
        trail = [(who, what) for _, who, what in kept.audit()]
    assert trail[-2:] == [
        ("Clara Clinic", "asked that recording 1 is measured again"),
        ("Clara Clinic", "measured recording 1 again"),
    ]
    assert _shown(clara) == before
    assert len((results / "peak_right.jpg").read_bytes()) > 1000


def test_a_recording_that_is_gone_is_not_measured_again(measured, clara) -> None:
    with measured.store() as kept:
        before, path = len(kept.audit()), Path(kept.clip(1).path)
    content = path.read_bytes()
    path.unlink()
    answer = clara.post("/clips/1/measure")
    assert answer.status_code == 400
    assert "not kept any more" in answer.json()["detail"]
    with measured.store() as kept:
        assert kept.claim_job() is None
        assert len(kept.audit()) == before

    path.write_bytes(content + b"another")
    assert clara.post("/clips/1/measure").status_code == 204
    number = measured.run_next_job()
    with measured.store() as kept:
        assert kept.job(number).state == "failed"
        assert "Another file lies" in kept.job(number).message
        assert [one.review for one in kept.readings_of(kept.clip(1))] == ["unreviewed"]


def test_what_was_measured_with_its_camera_is_neither_corrected_nor_measured_again(measured, clara) -> None:
    with measured.store() as kept:
        [reading] = kept.readings_of(kept.clip(1))
        document = reading.document
        document["software"]["parameters"]["camera"] = {"focal_px": 900.0}
        kept._connection.execute("DELETE FROM reading")
        kept.store_document(kept.visit(1), document, path=Path("a.mp4"), consent=True)
    for answer in (clara.get("/api/clips/1"), clara.post("/clips/1/measure")):
        assert answer.status_code == 400
        assert "known of its camera" in answer.json()["detail"]


def test_a_report_runs_nothing_and_is_closed_in(clara) -> None:
    policy = clara.get("/visits/1/files/report.html").headers["content-security-policy"]
    assert "sandbox" in policy
    assert "script-src" not in policy
    assert "default-src 'none'" in policy


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("/visits/1/files/report.pdf", "application/pdf"),
        ("/visits/1/files/chart.txt", "text/plain; charset=utf-8"),
        ("/visits/1/files/bundle.json", "application/fhir+json"),
        ("/visits/1/files/for_the_patient.html", "text/html; charset=utf-8"),
        ("/patients/M-1/course.png", "image/png"),
        ("/patients/M-1/export.json", "application/json"),
        ("/clips/1/video", "video/mp4"),
        ("/clips/1/files/curve.png", "image/png"),
    ],
)
def test_files_come_with_their_kind(clara, path: str, kind: str) -> None:
    answer = clara.get(path)
    assert (answer.status_code, answer.headers["content-type"]) == (200, kind)
    assert answer.content


def test_the_recording_comes_in_parts_as_players_ask(clara) -> None:
    whole = clara.get("/clips/1/video").content
    part = clara.get("/clips/1/video", headers={"range": "bytes=100-199"})
    assert (part.status_code, part.content) == (206, whole[100:200])


@pytest.mark.parametrize("name", ["reading.json", "..%2F..%2Frecords.sqlite", "landmarks.npz", "x"])
def test_no_other_file_is_sent(clara, name: str) -> None:
    assert clara.get(f"/clips/1/files/{name}").status_code == 404
    assert clara.get(f"/visits/1/files/{name}").status_code == 404


def test_deleting_a_patient_takes_every_file_along(measured, clara) -> None:
    assert clara.post("/patients/M-1/delete", data={"again": "M-1"}).status_code == 303
    left = [one for one in measured.folder.rglob("*") if one.is_file() and not one.name.startswith("records.")]
    assert left == []
    with measured.store() as kept:
        assert kept.jobs() == ()
        assert not any("M-1" in what for _, _, what in kept.audit())
