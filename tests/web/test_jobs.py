from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from vision_rom.web import job as job_module
from vision_rom.web import runner as runner_module
from vision_rom.web.job import GONE, run_job, visit_of
from vision_rom.web.runner import Runner
from vision_rom.web.store import ClinicStore

LONGEST_S = 60.0


def _until(true: Callable[[], bool]) -> None:
    ends = time.monotonic() + LONGEST_S
    while not true():
        assert time.monotonic() < ends, "it never came"
        time.sleep(0.05)


@pytest.fixture
def queued(clinic, visit, sample_clips: Path):
    """A real recording whose measuring waits; returns upload and job."""
    content = (sample_clips / "demo_abduction_right.mp4").read_bytes()
    upload = clinic.received(visit, content, movement="abduction", side="right")
    with clinic.store() as kept:
        return upload, kept.add_job("measure", upload_id=upload.id)


@pytest.fixture
def runner(clinic):
    runner = Runner(clinic.settings)
    yield runner
    runner.stop()


def _state(clinic, number: int) -> str:
    with clinic.store() as kept:
        return kept.job(number).state


def _stage(clinic, number: int) -> str:
    with clinic.store() as kept:
        return kept.job(number).stage


def test_a_measured_recording_is_kept_and_waits_for_review(measured_once) -> None:
    with measured_once.store() as kept:
        (upload,) = kept.uploads(visit_id=1)
        (job,) = kept.jobs()
        clip = kept.clip(1)
        assert (upload.state, job.share, job.message) == ("sent", 1.0, "1 measured of 1")
        assert [(one.movement, one.side) for one in kept.to_review()] == [("abduction", "right")]
        assert Path(clip.path).parent == measured_once.settings.recordings
        assert clip.consent
        assert {"curve.png", "peak_right.jpg"} <= {one.name for one in kept.results_of(clip).iterdir()}
    assert list(measured_once.settings.receiving.iterdir()) == []
    assert len(list(measured_once.settings.recordings.iterdir())) == 1


def test_waiting_work_is_not_queued_twice(clinic, queued) -> None:
    upload, number = queued
    with clinic.store() as kept:
        assert kept.add_job("measure", upload_id=upload.id) == number
        assert kept.add_job("look", upload_id=upload.id) != number


def test_a_patient_who_waits_comes_first(clinic, queued) -> None:
    upload, measuring = queued
    with clinic.store() as kept:
        looking = kept.add_job("look", upload_id=upload.id)
        assert [kept.claim_job().id, kept.claim_job().id, kept.claim_job()] == [looking, measuring, None]


def test_a_file_that_is_no_recording_fails_with_a_sentence_and_leaves_nothing(clinic, visit) -> None:
    upload = clinic.received(visit, b"<html>no recording at all</html>")
    with clinic.store() as kept:
        kept.add_job("measure", upload_id=upload.id)
    number = clinic.run_next_job()
    with clinic.store() as kept:
        assert kept.job(number).state == "failed"
        assert kept.upload(upload.id).state == "refused"
        assert kept.job(number).message == kept.upload(upload.id).message != ""
    assert list(clinic.settings.recordings.iterdir()) == []


def test_a_recording_that_is_gone_fails_with_a_sentence(clinic, queued) -> None:
    upload, _ = queued
    (clinic.settings.receiving / upload.id).unlink()
    number = clinic.run_next_job()
    with clinic.store() as kept:
        assert kept.job(number).state == "failed"
        assert "not there any more" in kept.job(number).message


def test_a_recording_that_was_given_up_while_it_was_looked_at_stays_given_up(clinic, queued, monkeypatch) -> None:
    upload, measuring = queued

    def given_up_meanwhile(*_: object, **__: object) -> tuple[str, ...]:
        with clinic.store() as kept:
            kept.set_upload(upload.id, state="replaced", path=None)
        return ("nobody",)

    monkeypatch.setattr("vision_rom.web.looking.faults_of", given_up_meanwhile)
    with clinic.store() as kept:
        kept.cancel_job(measuring)
        kept.add_job("look", upload_id=upload.id)
    clinic.run_next_job()
    with clinic.store() as kept:
        assert kept.upload(upload.id).state == "replaced"


def test_a_look_tells_faults_as_codes(clinic, visit, sample_clips: Path) -> None:
    content = (sample_clips / "demo_abduction_right.mp4").read_bytes()
    # of somebody who faces the phone, where this movement is filmed from the side
    upload = clinic.received(visit, content, movement="extension", side="right")
    with clinic.store() as kept:
        kept.add_job("look", upload_id=upload.id)
    clinic.run_next_job()
    with clinic.store() as kept:
        assert kept.upload(upload.id).state == "looked_at"
        assert "direction" in kept.upload(upload.id).message.split()


def test_a_run_at_home_makes_one_visit(clinic, patient) -> None:
    link = clinic.link(patient)
    with clinic.store() as kept:
        run = kept.begin_run(kept.task_of(link), 4.0)
        uploads = [kept.add_upload(name="a", size=9, run_id=run.id) for _ in range(2)]
        found = [visit_of(kept, one) for one in uploads]
        assert found[0] == found[1]
        assert found[0][1] == 4.0
        assert len(kept.visits(patient)) == 1
        assert kept.visits(patient)[0].examiner == "the patient, at home"


# --- the background -----------------------------------------------------------------------------------------------


def test_cancelling_ends_the_process_and_leaves_no_half_result(clinic, visit, queued, runner) -> None:
    _, number = queued
    runner.start()
    _until(lambda: _stage(clinic, number) not in ("", "checking the file"))
    with clinic.store() as kept:
        kept.cancel_job(number)
        after = kept.add_job("draw", clip_id=None)
    _until(lambda: _state(clinic, after) != "waiting")
    assert _state(clinic, number) == "cancelled"
    with clinic.store() as kept:
        assert kept.readings(visit) == ()
        results = kept.folder_of(visit)
    assert not results.exists() or list(results.iterdir()) == []


def test_stopping_the_server_lets_the_work_wait_for_the_next_one(clinic, queued, runner) -> None:
    _, number = queued
    runner.start()
    _until(lambda: _state(clinic, number) == "running")
    runner.stop()
    assert _state(clinic, number) == "waiting"


def test_a_server_that_died_left_work_that_the_next_one_takes_up(clinic, queued, runner) -> None:
    upload, number = queued
    (clinic.settings.receiving / upload.id).write_bytes(b"no recording, so that it ends quickly")
    with clinic.store() as kept:
        assert kept.claim_job().id == number
    assert _state(clinic, number) == "running"
    runner.start()
    _until(lambda: _state(clinic, number) not in ("running", "waiting"))
    assert _state(clinic, number) == "failed"


def test_work_whose_patient_was_deleted_does_not_stop_the_rest(clinic, patient, queued, runner) -> None:
    _, number = queued
    runner.start()
    _until(lambda: _state(clinic, number) == "running")
    with clinic.store() as kept:
        kept.delete_patient(patient)
    other = clinic.received(clinic.visit_begun(clinic.patient_added("P-2")), b"no recording")
    with clinic.store() as kept:
        after = kept.add_job("measure", upload_id=other.id)
    _until(lambda: _state(clinic, after) == "failed")
    with clinic.store() as kept:
        assert "no video" in kept.job(after).message


def test_work_that_dies_says_so(clinic, queued, runner, monkeypatch) -> None:
    _, number = queued
    # whatever is run in its place ends without a word
    monkeypatch.setattr("vision_rom.web.runner.sys.executable", "/bin/false")
    runner.start()
    _until(lambda: _state(clinic, number) == "failed")
    with clinic.store() as kept:
        assert "ended without a result" in kept.job(number).message


def test_the_process_ends_when_the_server_goes(clinic, queued) -> None:
    _, number = queued
    with clinic.store() as kept:
        kept.claim_job()
    command = [sys.executable, "-m", job_module.__name__, str(clinic.folder), str(number)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, env=os.environ) as process:
        _until(lambda: _stage(clinic, number) != "")
        process.stdin.close()
        assert process.wait(timeout=20) == GONE
    assert _state(clinic, number) == "running"
    with clinic.store() as kept:
        kept.resume_jobs()
    assert _state(clinic, number) == "waiting"


def test_only_a_sentence_of_ours_is_shown(clinic, queued, monkeypatch) -> None:
    _, number = queued

    def broken(*_: object) -> None:
        raise RuntimeError("an inside that nobody should read")

    monkeypatch.setattr(job_module, "_measure", broken)
    with pytest.raises(RuntimeError):
        run_job(clinic.settings, number)
    with clinic.store() as kept:
        assert kept.job(number).message == ""


def test_a_refusing_disk_or_database_does_not_end_the_background(clinic, queued, runner, monkeypatch) -> None:
    """A thread that ended with the first full disk would leave all later work undone, without a word."""
    refusals = [sqlite3.OperationalError("database is locked"), OSError(28, "No space left on device")]
    really = ClinicStore.claim_job

    def claim(store: ClinicStore):
        if refusals:
            raise refusals.pop()
        return really(store)

    monkeypatch.setattr(ClinicStore, "claim_job", claim)
    monkeypatch.setattr(runner_module, "REFUSED_WAIT_S", 0.01)
    monkeypatch.setattr(runner_module.Runner, "_run", lambda self, kept, job: kept.set_job(job.id, state="done"))
    runner.start()
    _until(lambda: _state(clinic, queued[1]) == "done")
    assert not refusals


def test_what_the_machine_refuses_fails_the_work_with_a_sentence_and_no_place(clinic, queued, monkeypatch) -> None:
    def full(*_: object) -> str:
        raise OSError(28, "No space left on device", str(clinic.folder / "patients" / "P-1"))

    monkeypatch.setattr(job_module, "_measure", full)
    run_job(clinic.settings, queued[1])
    with clinic.store() as kept:
        job = kept.job(queued[1])
        assert job.state == "failed"
        assert "No space left" in job.message
        assert str(clinic.folder) not in job.message


def test_a_recording_comes_a_step_further_with_its_work_or_not_at_all(clinic, visit, monkeypatch) -> None:
    upload = clinic.announced(visit, size=9)
    with clinic.store() as kept:
        with monkeypatch.context() as patched:
            patched.setattr(ClinicStore, "add_job", lambda *given, **more: kept._connection.execute("no SQL"))
            with pytest.raises(sqlite3.OperationalError):
                kept.hand_on(upload, was="receiving", becomes="received", work="measure")
        assert (kept.upload(upload.id).state, kept.jobs()) == ("receiving", ())
        for _ in range(2):
            kept.hand_on(upload, was="receiving", becomes="received", work="measure")
        assert kept.upload(upload.id).state == "received"
        assert [one.kind for one in kept.jobs()] == ["measure"]
