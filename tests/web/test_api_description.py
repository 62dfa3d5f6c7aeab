"""The description of the data routes is true: whatever is asked, the answer is one that it names."""

from __future__ import annotations

import hypothesis
import pytest
import schemathesis
from hypothesis import strategies
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from vision_rom.web.security import Rates

# a piece's own kind of content is raw bytes
schemathesis.serializer.alias("application/offset+octet-stream", "application/octet-stream")

HERE = "http://127.0.0.1:8321"
CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]
OPERATIONS = (
    "POST /api/visits/{number}/uploads",
    "GET /api/uploads/{name}",
    "PATCH /api/uploads/{name}",
    "GET /api/clips/{number}",
    "POST /api/clips/{number}/corrections",
    "DELETE /api/clips/{number}/corrections/last",
    "POST /api/readings/{number}/review",
    "POST /home/{token}/uploads",
    "GET /home/{token}/uploads/{name}",
    "PATCH /home/{token}/uploads/{name}",
    "POST /home/{token}/uploads/{name}/keep",
    "POST /home/{token}/uploads/{name}/again",
)


def _described(clinic, browser):
    headers = {"host": "127.0.0.1:8321", "cookie": f"session={browser.client.cookies['session']}"}
    return schemathesis.openapi.from_asgi("/api/openapi.json", clinic.app, headers=headers)


def test_the_description_names_every_data_route(clinic, clinician) -> None:
    described = {one.ok().label for one in _described(clinic, clinician).get_all_operations()}
    assert described == set(OPERATIONS)
    for path in clinic.app.openapi()["paths"].values():
        for operation in path.values():
            assert operation["summary"]
            assert {"422"} < set(operation["responses"])


@pytest.mark.parametrize("label", OPERATIONS)
def test_whatever_is_asked_the_answer_is_described(measured, label: str) -> None:
    clinic = measured
    clara = clinic.signed_in("Clara Clinic")
    with clinic.store() as kept:
        link = clinic.link(kept.patient("M-1"))
        run = kept.begin_run(kept.task_of(link), 1.0)
        upload = (
            kept.add_upload(name="a", size=100, run_id=run.id, movement="abduction", side="right")
            if "/home/" in label
            else kept.add_upload(name="a", size=100, visit_id=1)
        )
        reading = kept.readings_of(kept.clip(1))[0].id
    there = {"token": link, "name": upload.id, "number": reading if "/readings/" in label else 1}
    operation = next(one.ok() for one in _described(clinic, clara).get_all_operations() if one.ok().label == label)
    given = {
        "host": "127.0.0.1:8321",
        "cookie": f"session={clara.client.cookies['session']}",
        "x-form-token": clara.form_token,
    }
    statuses: set[int] = set()

    @hypothesis.settings(
        max_examples=12,
        deadline=None,
        database=None,
        derandomize=True,
        suppress_health_check=list(hypothesis.HealthCheck),
    )
    @hypothesis.given(case=operation.as_strategy(), known=strategies.sampled_from([True, True, False]))
    def ask(case, known: bool) -> None:
        # nobody guesses a true address, and behind a wrong one little is tried
        if known:
            case.path_parameters = {name: there[name] for name in case.path_parameters}
        clinic.app.state.rates = Rates()
        answer = case.call(base_url=HERE, headers=given)
        statuses.add(answer.status_code)
        case.validate_response(answer, checks=CHECKS)

    ask()
    assert statuses - {404, 410}, "not one question came as far as the work itself"


@pytest.mark.parametrize(
    "address",
    [
        "/api/clips/99999999999999999999999",
        "/api/clips/-1",
        "/api/clips/0",
        "/api/clips/x",
        "/visits/99999999999999999999999",
        "/clips/99999999999999999999999/video",
        "/api/uploads/" + "x" * 9000,
        "/patients/" + "%F0%9F%92%AA" * 200,
        "/patients/%FF%FE",
    ],
)
def test_numbers_and_names_that_cannot_be_are_refused(clinician, address: str) -> None:
    assert clinician.get(address).status_code in (404, 422)


@pytest.mark.parametrize(
    "form",
    [
        {"step": "abduction|right", "days": "9" * 5000},
        {"step": "abduction|right", "uses": "9" * 5000},
        {"step": "abduction|right", "days": "0"},
        {"step": "abduction|right", "days": "91"},
        {"step": "abduction|right", "uses": "31"},
        {"step": "abduction|right", "days": "-1"},
        {"step": "abduction|up"},
        {"step": "somersault|right"},
        {"step": ""},
        {},
        {"step": "abduction|right", "language": "xx"},
    ],
)
def test_a_task_that_cannot_be_is_refused(clinic, clinician, patient, form: dict[str, str]) -> None:
    assert clinician.post(f"/patients/{patient.code}/tasks", data=form).status_code in (400, 404)
    with clinic.store() as kept:
        assert kept.tasks(patient) == ()


@pytest.mark.parametrize(
    "form",
    [
        {"code": ""},
        {"code": "x" * 61},
        {"code": "N", "birth_year": "1066"},
        {"code": "N", "birth_year": "abcd"},
        {"code": "N", "sex": "x"},
        {"code": "N", "dominant_side": "x"},
        {"code": "N", "complaint": "sore", "side": "x"},
        {"code": "P-1"},
    ],
)
def test_a_patient_who_cannot_be_is_refused(clinic, clinician, patient, form: dict[str, str]) -> None:
    assert clinician.post("/patients", data=form).status_code in (400, 422)
    with clinic.store() as kept:
        assert [one.code for one in kept.patients()] == [patient.code]
