"""A clock that is set back between two steps: order comes from what happened first, not from what the clock said."""

from __future__ import annotations

import pytest

from vision_rom.handover import Step
from vision_rom.records import kept as records_kept
from vision_rom.records import readings
from vision_rom.web import accounts, model, store, tasks, work

NOON, ELEVEN = "2026-11-26T12:00:00+00:00", "2026-11-26T11:00:00+00:00"


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch):
    def said(time: str) -> None:
        for room in (records_kept, readings, accounts, model, store, tasks, work):
            monkeypatch.setattr(room, "now", lambda: time)

    return said


def test_the_newest_recording_is_the_one_that_came_last(clinic, patient, clock) -> None:
    with clinic.store() as kept:
        task, _ = kept.add_task(
            patient, (Step("abduction", "right"),), days=1, uses=1, language="en", shows_angle=False
        )
        clock(NOON)
        run = kept.begin_run(task, 0)
        names = [kept.add_upload(name="a.mp4", size=9, run_id=run.id).id]
        clock(ELEVEN)
        names.append(kept.add_upload(name="a.mp4", size=9, run_id=run.id).id)
        assert [one.id for one in kept.uploads(run_id=run.id)] == names


def test_a_review_after_the_clock_went_back_is_the_one_that_counts(measured, clock) -> None:
    with measured.store("Clara Clinic") as kept:
        (reading,) = kept.to_review()
        clock(NOON)
        accepted = kept.review(reading, "accepted")
        clock(ELEVEN)
        rejected = kept.review(accepted, "rejected", note="the lines lie beside the arm")
        assert kept.to_review() == ()
        assert [one.review for one in kept.versions(reading)] == ["accepted", "rejected"]
        assert kept.readings(kept.visit(reading.visit_id)) == (rejected,)


def test_jobs_are_taken_in_the_order_they_came(clinic, visit, clock) -> None:
    uploads = [clinic.received(visit, b"x" * 9) for _ in range(2)]
    with clinic.store() as kept:
        clock(NOON)
        first = kept.add_job("measure", upload_id=uploads[0].id)
        clock(ELEVEN)
        second = kept.add_job("measure", upload_id=uploads[1].id)
        taken = [kept.claim_job(), kept.claim_job()]
        assert [one.id for one in taken if one is not None] == [first, second]
