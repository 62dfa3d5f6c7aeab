from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from vision_rom.handover import Step

BEGIN = {"consent": "yes", "understood": "yes", "pain": "3"}


@pytest.fixture
def link(clinic, patient) -> str:
    return clinic.link(patient, (Step("abduction", "right"), Step("flexion", "left")))


@pytest.fixture
def phone(anonymous):
    return anonymous


def _begun(phone, link: str):
    answer = phone.post(f"/home/{link}/begin", data=BEGIN)
    assert answer.status_code == 303


def _announced(phone, link: str, step: int = 0, size: int = 4) -> dict:
    answer = phone.post(f"/home/{link}/uploads", json={"step": step, "name": "film.webm", "size": size})
    assert answer.status_code == 201
    return answer.json()


def _sent(phone, link: str, upload: str, content: bytes = b"film", offset: int = 0):
    headers = {"upload-offset": str(offset)}
    return phone.send("PATCH", f"/home/{link}/uploads/{upload}", content=content, headers=headers)


def _looked_at(clinic, upload: str, faults: str = "") -> None:
    with clinic.store() as kept:
        kept.set_upload(upload, state="looked_at", message=faults)


@pytest.mark.parametrize(
    "missing", [{"consent": ""}, {"understood": "no"}, {"pain": ""}, {"pain": "x"}, {"pain": "11"}, {"pain": "-1"}]
)
def test_nothing_begins_without_consent_and_pain(clinic, phone, link: str, missing: dict[str, str]) -> None:
    assert phone.post(f"/home/{link}/begin", data=BEGIN | missing).status_code == 400
    assert phone.post(f"/home/{link}/uploads", json={"step": 0, "name": "a", "size": 4}).status_code == 409
    with clinic.store() as kept:
        assert kept.task_of(link).uses_left == 3


def test_beginning_again_goes_on_and_takes_no_second_use(clinic, phone, link: str) -> None:
    for _ in range(3):
        _begun(phone, link)
    with clinic.store() as kept:
        task = kept.task_of(link)
        assert (task.uses_left, len(kept.runs(task)), kept.run_of(task).pain_at_rest) == (2, 1, 3.0)
        assert sum("consented" in what for _, _, what in kept.audit()) == 1


def test_a_link_is_used_as_often_as_was_agreed(clinic, phone, patient) -> None:
    link = clinic.link(patient, uses=1)
    _begun(phone, link)
    assert phone.post(f"/home/{link}/finish", data={"stopped": next(iter(_reasons()))}).status_code == 303
    assert "as often as was agreed" in phone.get(f"/home/{link}").text
    assert phone.post(f"/home/{link}/begin", data=BEGIN).status_code == 400


def _reasons() -> dict[str, str]:
    from vision_rom.web.home_words import STOP_REASONS

    return STOP_REASONS


def test_a_run_ends_by_itself_after_a_day(clinic, phone, link: str) -> None:
    _begun(phone, link)
    yesterday = (datetime.now(UTC) - timedelta(hours=25)).isoformat(timespec="seconds")
    with clinic.store() as kept:
        kept._connection.execute("UPDATE home_run SET created_at = ?", (yesterday,))
    assert phone.post(f"/home/{link}/uploads", json={"step": 0, "name": "a", "size": 4}).status_code == 409


def test_the_whole_way_to_sent(clinic, phone, link: str) -> None:
    _begun(phone, link)
    for step in range(2):
        upload = _announced(phone, link, step)["id"]
        assert _sent(phone, link, upload, b"fi").json()["state"] == "receiving"
        assert _sent(phone, link, upload, b"lm", 2).json()["state"] == "received"
        assert phone.post(f"/home/{link}/uploads/{upload}/keep").status_code == 409
        _looked_at(clinic, upload)
        for _ in range(2):
            assert phone.post(f"/home/{link}/uploads/{upload}/keep").json()["state"] == "sent"
        assert phone.post(f"/home/{link}/uploads", json={"step": step, "name": "a", "size": 4}).status_code == 409
        assert phone.post(f"/home/{link}/uploads/{upload}/again").status_code == 409
    done = phone.post(f"/home/{link}/finish", data={})
    assert (done.status_code, done.headers["location"]) == (303, f"/home/{link}/sent")
    assert phone.get(f"/home/{link}/sent").status_code == 200
    with clinic.store() as kept:
        assert [one.kind for one in kept.jobs()].count("measure") == 2
        assert kept.runs(kept.task_of(link))[0].finished


def test_the_end_comes_only_after_every_movement(phone, link: str) -> None:
    _begun(phone, link)
    assert phone.post(f"/home/{link}/finish", data={}).status_code == 409
    assert phone.post(f"/home/{link}/finish", data={"stopped": "no such reason"}).status_code == 400


@pytest.mark.parametrize("reason", _reasons())
def test_stopping_early_is_told_to_the_clinic(clinic, phone, link: str, reason: str) -> None:
    _begun(phone, link)
    assert phone.post(f"/home/{link}/finish", data={"stopped": reason}).status_code == 303
    assert "You stopped" in phone.get(f"/home/{link}/sent").text
    with clinic.store() as kept:
        assert kept.runs(kept.task_of(link))[0].stopped == _reasons()[reason]
        assert any("the patient stopped" in what for _, _, what in kept.audit())


def test_faults_are_told_in_the_patients_words(clinic, phone, link: str) -> None:
    from vision_rom.web.home_words import FAULTS

    _begun(phone, link)
    upload = _announced(phone, link)["id"]
    _sent(phone, link, upload)
    _looked_at(clinic, upload, "direction nobody no-such-code")
    told = phone.get(f"/home/{link}/uploads/{upload}").json()
    assert told["faults"] == [FAULTS["direction"], FAULTS["nobody"]]
    assert told["message"] == ""


def test_filming_again_removes_the_film_and_its_work(clinic, phone, link: str) -> None:
    _begun(phone, link)
    upload = _announced(phone, link)["id"]
    _sent(phone, link, upload)
    assert phone.post(f"/home/{link}/uploads/{upload}/again").json()["state"] == "replaced"
    assert not (clinic.settings.receiving / upload).exists()
    with clinic.store() as kept:
        assert [one.state for one in kept.jobs()] == ["cancelled"]
    assert phone.post(f"/home/{link}/uploads/{upload}/keep").status_code == 409
    assert _sent(phone, link, upload).status_code == 409


def test_announcing_anew_gives_the_unfinished_film_up(clinic, phone, link: str) -> None:
    _begun(phone, link)
    first = _announced(phone, link)["id"]
    _sent(phone, link, first, b"fi")
    second = _announced(phone, link)["id"]
    assert not (clinic.settings.receiving / first).exists()
    assert phone.get(f"/home/{link}/uploads/{first}").json()["state"] == "replaced"
    assert phone.get(f"/home/{link}/uploads/{second}").json()["state"] == "receiving"
    assert f'data-upload="{second}"' in phone.get(f"/home/{link}").text


def test_a_movement_is_filmed_a_bounded_number_of_times(phone, link: str) -> None:
    _begun(phone, link)
    for _ in range(12):
        _announced(phone, link)
    assert phone.post(f"/home/{link}/uploads", json={"step": 0, "name": "a", "size": 4}).status_code == 429


@pytest.mark.parametrize(
    ("announced", "status"),
    [
        ({"step": 2}, 404),
        ({"step": -1}, 422),
        ({"size": 1 << 45}, 413),
        ({"visit_id": 1}, 422),
        ({"movement": "x"}, 422),
    ],
)
def test_what_may_be_announced_from_home(phone, link: str, announced: dict[str, object], status: int) -> None:
    _begun(phone, link)
    body = {"step": 0, "name": "a", "size": 4} | announced
    assert phone.post(f"/home/{link}/uploads", json=body).status_code == status


@pytest.mark.parametrize(("allowed", "shown"), [(False, False), (True, True)])
def test_angles_are_shown_only_where_the_clinic_allows_it(measured, allowed: bool, shown: bool) -> None:
    with measured.store() as kept:
        patient = kept.patient("M-1")
    link, phone = measured.link(patient, shows_angle=allowed), measured.anonymous()
    _begun(phone, link)
    with measured.store() as kept:
        run = kept.run_of(kept.task_of(link))
        kept.set_run(run, visit_id=1, finished=1)
    page = phone.get(f"/home/{link}/sent").text
    assert ("degrees" in page) is shown


def test_pages_name_neither_patient_nor_clinic(clinic, phone) -> None:
    patient = clinic.patient_added("SECRET-7", name="Nora Name")
    link = clinic.link(patient)
    texts = [phone.get(f"/home/{link}").text]
    _begun(phone, link)
    texts.append(phone.get(f"/home/{link}").text)
    assert not any(word in text for text in texts for word in ("SECRET-7", "Nora", "Clara", str(clinic.folder)))


@pytest.mark.parametrize("code", ["en", "de", "xx", "<script>"])
def test_any_language_asked_for_gives_a_page(phone, link: str, code: str) -> None:
    answer = phone.get(f"/home/{link}", params={"language": code})
    assert answer.status_code == 200
    assert f'lang="{code}"' in answer.text if code in ("en", "de") else "<script>&" not in answer.text
    assert ("set-cookie" in answer.headers) is (code in ("en", "de"))


def test_a_drawing_is_there_for_each_step_alone(phone, link: str) -> None:
    answers = [phone.get(f"/home/{link}/drawing/{number}.svg") for number in range(3)]
    assert [one.status_code for one in answers] == [200, 200, 404]
    assert all(one.text.startswith(("<svg", "<?xml")) for one in answers[:2])
