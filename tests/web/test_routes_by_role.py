"""Every route as everybody. A new route without a line here fails the first test."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from fastapi.routing import APIRoute
from starlette.routing import Mount

from vision_rom.handover import Step

WHO = (
    "anonymous",
    "patient link",
    "wrong link",
    "expired link",
    "revoked link",
    "another patient's link",
    "assistant",
    "clinician",
)
OUTSIDE = WHO[:6]


@dataclass(frozen=True)
class Case:
    """One route: how it is asked, and what each asker gets."""

    method: str
    route: str
    assistant: int
    clinician: int
    outside: int = 401
    """Of everybody without an account, whatever link they hold"""
    json: dict[str, object] | None = None
    form: dict[str, str] | None = None


OPEN, NOT_THERE, BAD = 200, 404, 400
CLINIC = (
    Case("GET", "/sign-in", 303, 303, outside=200),
    Case("POST", "/sign-in", 403, 403, outside=403, form={"name": "x", "password": "y"}),
    Case("GET", "/enter/{token}", 403, 403, outside=403),
    Case("POST", "/sign-out", 303, 303),
    Case("GET", "/api/openapi.json", 200, 200),
    Case("GET", "/", 200, 200),
    Case("GET", "/jobs", 200, 200),
    Case("POST", "/jobs/{number}/cancel", 200, 200),
    Case("POST", "/jobs/{number}/repeat", 200, 200),
    Case("POST", "/patients", 303, 303, form={"code": "NEW"}),
    Case("GET", "/patients/{code}", 200, 200),
    Case("POST", "/patients/{code}/visits", 303, 303, form={}),
    Case("GET", "/visits/{number}", 200, 200),
    Case("GET", "/visits/{number}/files/{name}", 403, 200),
    Case("GET", "/patients/{code}/course.png", 404, 404),
    Case("GET", "/patients/{code}/export.json", 403, 200),
    Case("POST", "/patients/{code}/delete", 403, 400, form={"again": "another code"}),
    Case("POST", "/api/visits/{number}/uploads", 201, 201, json={"name": "a", "size": 9, "consent": True}),
    Case("GET", "/api/uploads/{name}", 200, 200),
    Case("PATCH", "/api/uploads/{name}", 409, 409),
    Case("POST", "/patients/{code}/tasks", 201, 201, form={"step": "abduction|right"}),
    Case("POST", "/tasks/{number}/revoke", 303, 303),
    Case("GET", "/audit", 403, 200),
    Case("GET", "/clips/{number}", 404, 404),
    Case("GET", "/clips/{number}/video", 404, 404),
    Case("GET", "/clips/{number}/files/{name}", 404, 404),
    Case("POST", "/clips/{number}/annotated", 404, 404),
    Case("POST", "/clips/{number}/measure", 403, 404),
    Case("GET", "/api/clips/{number}", 404, 404),
    Case("POST", "/api/clips/{number}/corrections", 403, 404, json={"kind": "pain", "marks": []}),
    Case("DELETE", "/api/clips/{number}/corrections/last", 403, 404),
    Case("POST", "/api/readings/{number}/review", 403, 404, json={"review": "accepted"}),
)
HOME = {
    # method and route below the link: what its own patient gets, and what a patient with another open link gets for this upload
    ("GET", ""): (200, 200),
    ("GET", "/drawing/{number}.svg"): (200, 200),
    ("POST", "/begin"): (303, 303),
    ("POST", "/uploads"): (201, 201),
    ("GET", "/uploads/{name}"): (200, 404),
    ("PATCH", "/uploads/{name}"): (409, 404),
    ("POST", "/uploads/{name}/keep"): (409, 404),
    ("POST", "/uploads/{name}/again"): (200, 404),
    ("POST", "/finish"): (409, 409),
    ("GET", "/sent"): (303, 303),
}


def _routes(app) -> set[tuple[str, str]]:
    found: set[tuple[str, str]] = set()

    def walk(routes) -> None:
        for route in routes:
            if isinstance(route, Mount):
                continue
            if isinstance(route, APIRoute):
                found.update((method, route.path) for method in route.methods)
            elif hasattr(route, "effective_route_contexts"):
                found.update((m, one.path) for one in route.effective_route_contexts() for m in one.methods)
            else:
                raise AssertionError(f"{route!r} is no kind of route that this test knows")

    walk(app.routes)
    return found


def test_every_route_has_its_line(clinic) -> None:
    told = {(one.method, one.route) for one in CLINIC}
    told |= {(method, f"/home/{{token}}{rest}") for method, rest in HOME}
    assert _routes(clinic.app) == told
    assert [one.path for one in clinic.app.routes if isinstance(one, Mount)] == ["/static"]
    assert len(_routes(clinic.app)) == len(CLINIC) + len(HOME)


@pytest.fixture
def scene(clinic, patient, visit) -> dict[str, object]:
    """A job, a task and uploads of the clinic and of two patients at home; links in every state."""
    mine = clinic.announced(visit)
    links = {"patient link": clinic.link(patient), "wrong link": "x" * 32}
    links["expired link"], links["revoked link"] = clinic.link(patient), clinic.link(patient)
    links["another patient's link"] = clinic.link(clinic.patient_added("P-2"), (Step("flexion", "right"),))
    with clinic.store() as kept:
        job = kept.add_job("measure", upload_id=mine.id)
        expired, revoked = kept.task_of(links["expired link"]), kept.task_of(links["revoked link"])
        kept._connection.execute(
            "UPDATE home_task SET expires_at = '2020-01-01T00:00:00+00:00' WHERE id = ?", (expired.id,)
        )
        kept.revoke_task(revoked.id)
        run = kept.begin_run(kept.task_of(links["patient link"]), 2.0)
        kept.begin_run(kept.task_of(links["another patient's link"]), 2.0)
        home = kept.add_upload(name="h.mp4", size=10, run_id=run.id, movement="abduction", side="right")
    return {"upload": mine.id, "home": home.id, "job": job, "visit": visit.id, "code": patient.code, "links": links}


def _browser(clinic, scene, who: str):
    if who == "assistant":
        return clinic.signed_in("Anton Assist")
    if who == "clinician":
        return clinic.signed_in("Clara Clinic")
    browser = clinic.anonymous()
    if who in scene["links"]:
        # a link is tried wherever a secret could be given
        link = scene["links"][who]
        browser.client.cookies.set("session", link)
        browser.form_token = link
    return browser


def _path(case: Case, scene: dict[str, object], who: str) -> str:
    number = scene["job"] if "/jobs/" in case.route else scene["visit"] if "/visits/" in case.route else 1
    name = scene["upload"] if "/uploads/" in case.route else "chart.txt" if "/visits/" in case.route else "curve.png"
    token = scene["links"].get(who, "x")
    return case.route.format(number=number, name=name, code=scene["code"], token=token)


@pytest.mark.parametrize("case", CLINIC, ids=lambda one: f"{one.method} {one.route}")
def test_a_route_of_the_clinic_as_everybody(clinic, scene, case: Case) -> None:
    answers, expected = {}, {}
    # outsiders first, so that none of them can have changed what the others find
    for who in WHO:
        browser = _browser(clinic, scene, who)
        if case.route.endswith("/repeat") and who not in OUTSIDE:
            with clinic.store() as kept:
                kept.cancel_job(scene["job"])
        form = dict(case.form) if case.form is not None else None
        if case.form and "code" in case.form:
            form = {"code": f"NEW-{who}"}
        more = {"json": case.json} if case.json is not None else {"data": form} if form is not None else {}
        answers[who] = browser.send(case.method, _path(case, scene, who), **more).status_code
        expected[who] = case.assistant if who == "assistant" else case.clinician if who == "clinician" else case.outside
    assert answers == expected


@pytest.mark.parametrize(
    "route", [one for one in CLINIC if one.method == "GET" and one.outside == 401], ids=lambda one: one.route
)
def test_a_page_sends_everybody_else_to_sign_in(clinic, scene, route: Case) -> None:
    answer = clinic.anonymous().get(_path(route, scene, "anonymous"), headers={"accept": "text/html"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")


def _at_home(browser, link: str, method: str, rest: str, upload: str):
    path = f"/home/{link}{rest.format(number=0, name=upload)}"
    more: dict[str, object] = {}
    if rest == "/begin":
        more = {"data": {"consent": "yes", "understood": "yes", "pain": "3"}}
    elif rest == "/uploads":
        more = {"json": {"step": 0, "name": "a.webm", "size": 9}}
    return browser.send(method, path, **more)


@pytest.mark.parametrize(("method", "rest"), HOME, ids=lambda one: one or "start")
def test_a_route_of_home_opens_for_its_own_link_alone(clinic, scene, method: str, rest: str) -> None:
    own, other = HOME[method, rest]
    links, home = scene["links"], scene["home"]
    expected = {"wrong link": 410, "expired link": 410, "revoked link": 410, "another patient's link": other}
    browser = clinic.anonymous()
    answers = {who: _at_home(browser, links[who], method, rest, home).status_code for who in expected}
    assert answers == expected
    # a session of the clinic opens no task, for its cookie would then let another site's page act
    assert _at_home(clinic.signed_in("Clara Clinic"), "none", method, rest, home).status_code == 410
    assert _at_home(browser, links["patient link"], method, rest, home).status_code == own


def test_a_patient_reaches_no_recording_of_the_clinic(clinic, scene) -> None:
    link = scene["links"]["patient link"]
    for method, rest in HOME:
        if "{name}" in rest:
            assert _at_home(clinic.anonymous(), link, method, rest, scene["upload"]).status_code == 404


def test_the_clinic_does_not_write_into_a_patients_recording(clinic, clinician, scene) -> None:
    answer = clinician.send("PATCH", f"/api/uploads/{scene['home']}", content=b"x", headers={"upload-offset": "0"})
    assert answer.status_code == 403


def test_a_revoked_link_ends_in_the_middle_of_a_run(clinic, scene) -> None:
    link, browser = scene["links"]["patient link"], clinic.anonymous()
    assert browser.get(f"/home/{link}/uploads/{scene['home']}").status_code == 200
    with clinic.store() as kept:
        kept.revoke_task(kept.task_of(link).id)
    assert browser.get(f"/home/{link}/uploads/{scene['home']}").status_code == 410
    sent = browser.send("PATCH", f"/home/{link}/uploads/{scene['home']}", content=b"x", headers={"upload-offset": "0"})
    assert sent.status_code == 410


def test_what_outsiders_tried_changed_nothing(clinic, scene) -> None:
    with clinic.store() as kept:
        before = len(kept.audit())
    for who in OUTSIDE:
        for case in CLINIC:
            if case.outside == 401:
                more = {"json": case.json} if case.json is not None else {"data": case.form} if case.form else {}
                assert (
                    _browser(clinic, scene, who).send(case.method, _path(case, scene, who), **more).status_code == 401
                )
    with clinic.store() as kept:
        assert len(kept.audit()) == before
