from __future__ import annotations

import re

import pytest
from starlette.testclient import TestClient

from vision_rom.handover import Step
from vision_rom.web import clinic as clinic_routes
from vision_rom.web.app import create_app
from vision_rom.web.security import FORM_BYTES, HEADERS, LONGEST_HEADERS_BYTES, hashed, password_fits

HERE = "http://127.0.0.1:8321"
PASSWORD = "four words of ours"
SCRIPT = "<script>alert(1)</script>"


# --- signing in ---------------------------------------------------------------------------------------------------


def _sign_in(browser, name: str = "Clara Clinic", password: str = PASSWORD, **more):
    return browser.client.post("/sign-in", data={"name": name, "password": password}, **more)


def test_a_password_opens_a_session(anonymous) -> None:
    answer = _sign_in(anonymous)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    assert anonymous.get("/").status_code == 200


@pytest.mark.parametrize(("name", "password"), [("Clara Clinic", "wrong"), ("Nobody", PASSWORD), ("Nobody", "")])
def test_wrong_name_and_wrong_password_look_alike(anonymous, name: str, password: str) -> None:
    answer = _sign_in(anonymous, name, password)
    if password:
        assert answer.status_code == 403
        assert answer.text == _sign_in(anonymous, "Clara Clinic", "also wrong").text
    else:
        assert answer.status_code in (403, 422)
    assert "set-cookie" not in answer.headers


def test_passwords_are_kept_as_argon2_alone(clinic) -> None:
    stored = hashed(PASSWORD)
    assert stored.startswith("$argon2id$")
    assert password_fits(stored, PASSWORD)
    assert not password_fits(stored, PASSWORD + " ")
    assert not password_fits(None, "no account has this name")
    with clinic.store() as kept:
        assert kept.password_of("Clara Clinic").startswith("$argon2id$")


def test_the_session_cookie_is_out_of_reach_of_scripts_and_other_sites(anonymous) -> None:
    cookie = _sign_in(anonymous).headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert "path=/" in cookie
    assert cookie.startswith("session=")


def test_over_tls_the_cookie_is_secure_and_bound_to_the_host(make_clinic) -> None:
    clinic = make_clinic(behind_proxy=True, public_url="https://clinic.example")
    client = TestClient(clinic.app, base_url="https://clinic.example", follow_redirects=False)
    with client:
        answer = client.post("/sign-in", data={"name": "Clara Clinic", "password": PASSWORD})
    cookie = answer.headers["set-cookie"].lower()
    assert cookie.startswith("__host-session=")
    assert "secure" in cookie
    assert answer.headers["strict-transport-security"].startswith("max-age=")


def test_a_token_that_was_planted_before_signing_in_opens_nothing(anonymous) -> None:
    anonymous.client.cookies.set("session", "planted")
    fresh = _sign_in(anonymous).cookies["session"]
    assert fresh != "planted"
    anonymous.client.cookies.clear()
    anonymous.client.cookies.set("session", "planted")
    assert anonymous.get("/api/openapi.json").status_code == 401


def test_every_sign_in_has_a_token_of_its_own_and_ends_the_one_before(clinic, anonymous) -> None:
    first = _sign_in(anonymous).cookies["session"]
    second = _sign_in(anonymous).cookies["session"]
    assert first != second
    with clinic.store() as kept:
        assert kept.session(first) is None
        assert kept.session(second) is not None


def test_signing_out_ends_the_session_on_the_server(clinic, clinician) -> None:
    token = clinician.client.cookies["session"]
    assert clinician.post("/sign-out").status_code == 303
    again = clinic.anonymous()
    again.client.cookies.set("session", token)
    assert again.get("/api/openapi.json").status_code == 401


def test_removing_an_account_ends_its_sessions(clinic, clinician) -> None:
    with clinic.store() as kept:
        kept.remove_account("Clara Clinic")
    assert clinician.get("/api/openapi.json").status_code == 401


def test_trying_passwords_is_slowed_down_for_an_address(anonymous) -> None:
    answers = [_sign_in(anonymous, f"name {number}", "guess").status_code for number in range(9)]
    assert answers == [403] * 8 + [429]
    assert _sign_in(anonymous).status_code == 429


def test_trying_passwords_of_one_name_is_slowed_down_from_many_addresses(clinic) -> None:
    answers = [
        _sign_in(clinic.anonymous(client=(f"10.0.0.{number}", 5000)), password="guess").status_code
        for number in range(9)
    ]
    assert answers == [403] * 8 + [429]


def test_the_address_for_this_machine_opens_once(clinic) -> None:
    with clinic.store() as kept:
        token = kept.begin_session("the user", "clinician", once=True)
    direct = clinic.anonymous()
    direct.client.cookies.set("session", token)
    assert direct.get("/api/openapi.json").status_code == 401, "the way in is no session itself"
    first = clinic.anonymous()
    answer = first.get(f"/enter/{token}")
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    assert token not in answer.headers["set-cookie"]
    assert first.get("/audit").status_code == 200
    assert clinic.anonymous().get(f"/enter/{token}").status_code == 403


def test_a_session_opens_no_way_in(clinic, clinician) -> None:
    assert clinic.anonymous().get(f"/enter/{clinician.client.cookies['session']}").status_code == 403


# --- changes come from our own pages ------------------------------------------------------------------------------


@pytest.mark.parametrize("token", ["", "wrong", "ä" * 4])
def test_a_change_without_the_form_token_is_refused(clinic, clinician, token: str) -> None:
    given = {"x-form-token": token.encode()} if token else {}
    answer = clinician.client.post("/patients", data={"code": "P-2"}, headers=given)
    assert answer.status_code == 403
    with clinic.store() as kept:
        assert kept.patients() == ()


def test_the_form_token_of_somebody_else_is_refused(clinician, assistant) -> None:
    clinician.form_token = assistant.form_token
    assert clinician.post("/patients", data={"code": "P-2"}).status_code == 403


def test_the_form_token_may_stand_in_the_form(clinician) -> None:
    data = {"code": "P-2", "form_token": clinician.form_token}
    assert clinician.client.post("/patients", data=data).status_code == 303


@pytest.mark.parametrize(
    "origin",
    ["https://elsewhere.example", "null", "http://127.0.0.1.elsewhere.example", "http://[", "http://127.0.0.1:9"],
)
def test_a_change_from_another_site_is_refused(clinic, clinician, origin: str) -> None:
    assert clinician.post("/patients", data={"code": "P-2"}, headers={"origin": origin}).status_code == 403
    assert _sign_in(clinic.anonymous(), headers={"origin": origin}).status_code == 403
    link = clinic.link(clinic.patient_added())
    answers = {"consent": "yes", "understood": "yes", "pain": "2"}
    begun = clinic.anonymous().client.post(f"/home/{link}/begin", data=answers, headers={"origin": origin})
    assert begun.status_code == 403


@pytest.mark.parametrize("host", ["elsewhere.example", "", "[", "127.0.0.1.elsewhere.example", "a b"])
def test_another_name_of_the_server_is_refused(anonymous, host: str) -> None:
    assert anonymous.get("/sign-in", headers={"host": host}).status_code == 421


@pytest.mark.parametrize("host", ["127.0.0.1:8321", "localhost:9000", "[::1]:8321"])
def test_the_names_of_this_machine_are_taken(anonymous, host: str) -> None:
    assert anonymous.get("/sign-in", headers={"host": host}).status_code == 200


# --- what every answer says, and what is too much -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/sign-in", 200),
        ("/", 303),
        ("/static/style.css", 200),
        ("/static/../app.py", 404),
        ("/none", 404),
        ("/api/openapi.json", 401),
        ("/home/none", 410),
    ],
)
def test_every_answer_carries_the_headers(anonymous, path: str, status: int) -> None:
    answer = anonymous.get(path, headers={"accept": "text/html"} if "api" not in path else {})
    assert answer.status_code == status
    for name, value in HEADERS.items():
        assert answer.headers[name] == value
    assert "server" not in answer.headers


def test_a_refusal_carries_the_headers(anonymous) -> None:
    answers = [
        anonymous.get("/", headers={"host": "elsewhere.example"}),
        anonymous.client.post("/sign-in", content=b"x" * (FORM_BYTES + 1)),
        anonymous.get("/", headers={"x-long": "x" * LONGEST_HEADERS_BYTES}),
        anonymous.client.put("/sign-in"),
    ]
    assert [one.status_code for one in answers] == [421, 413, 431, 405]
    for answer in answers:
        assert answer.headers["content-security-policy"] == HEADERS["content-security-policy"]


def test_an_error_of_our_own_carries_the_headers_and_tells_nothing(clinic, clinician, monkeypatch) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("a secret of the inside")

    monkeypatch.setattr(clinic_routes, "_shown_jobs", broken)
    browser = clinic.anonymous(raise_server_exceptions=False)
    browser.client.cookies.set("session", clinician.client.cookies["session"])
    answer = browser.get("/jobs")
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert answer.headers["content-security-policy"] == HEADERS["content-security-policy"]


def test_the_policy_lets_nothing_foreign_and_nothing_inline_in() -> None:
    policy = dict(part.strip().split(" ", 1) for part in HEADERS["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == "'self'"
    assert policy["style-src"] == "'self'"
    assert policy["frame-ancestors"] == "'none'"
    assert not re.search(r"unsafe|https?:|\*", HEADERS["content-security-policy"])


def test_a_body_that_hides_its_length_is_counted(clinic, clinician) -> None:
    def without_end():
        for _ in range(40):
            yield b"code=" + b"x" * 10_000

    answer = clinician.post(
        "/patients", content=without_end(), headers={"content-type": "application/x-www-form-urlencoded"}
    )
    assert answer.status_code == 413
    with clinic.store() as kept:
        assert kept.patients() == ()


def test_many_headers_of_one_name_are_counted_too(anonymous) -> None:
    answer = anonymous.client.get("/sign-in", headers=[("x-again", "x" * 1000)] * 40)
    assert answer.status_code == 431


def test_too_long_a_length_is_refused(anonymous) -> None:
    assert anonymous.client.post("/sign-in", headers={"content-length": "9" * 5000}).status_code == 413


# --- links --------------------------------------------------------------------------------------------------------


def test_guessing_links_is_slowed_down_and_the_true_one_too(clinic, patient, anonymous) -> None:
    link = clinic.link(patient)
    answers = [anonymous.get(f"/home/guess-{number}").status_code for number in range(21)]
    assert answers == [410] * 20 + [429]
    assert anonymous.get(f"/home/{link}").status_code == 429
    assert clinic.anonymous(client=("10.0.0.9", 5000)).get(f"/home/{link}").status_code == 200


def test_one_link_cannot_be_asked_without_end(clinic, patient, anonymous) -> None:
    link = clinic.link(patient)
    answers = [anonymous.get(f"/home/{link}/drawing/0.svg").status_code for _ in range(241)]
    assert answers.count(200) == 240
    assert answers[-1] == 429


def test_a_link_is_kept_as_its_hash_alone(clinic, patient) -> None:
    link = clinic.link(patient)
    assert len(link) >= 32
    for file in clinic.folder.iterdir():
        if file.is_file():
            assert link.encode() not in file.read_bytes()


# --- stored texts -------------------------------------------------------------------------------------------------


@pytest.fixture
def scripted(clinic, clinician) -> dict[str, str]:
    """A patient whose every text is a script, entered as anybody could; the addresses of the pages that show it."""
    code = "<script>alert(1)<-script>"
    added = clinician.post(
        "/patients", data={"code": code, "name": SCRIPT, "complaint": SCRIPT, "birth_year": "1980", "side": "right"}
    )
    assert added.status_code == 303
    patient_page = added.headers["location"]
    visit_page = clinician.post(f"{patient_page}/visits").headers["location"]
    sent = clinician.post(f"/api{visit_page}/uploads", json={"name": SCRIPT, "size": 10, "consent": True})
    assert sent.status_code == 201
    with clinic.store(SCRIPT) as kept:
        number = kept.add_job("measure", upload_id=sent.json()["id"])
        kept.set_job(number, state="failed", message=SCRIPT)
        kept.note(SCRIPT)
    return {"patient": patient_page, "visit": visit_page, "worklist": "/", "jobs": "/jobs", "audit": "/audit"}


@pytest.mark.parametrize("which", ["patient", "visit", "worklist", "jobs", "audit"])
def test_a_script_in_a_stored_text_is_shown_not_run(clinician, scripted: dict[str, str], which: str) -> None:
    answer = clinician.get(scripted[which])
    assert answer.status_code == 200
    assert "&lt;script&gt;alert(1)" in answer.text
    assert "<script>alert" not in answer.text


def test_a_script_in_a_refusal_is_shown_not_run(clinician) -> None:
    answer = clinician.get("/patients/%3Cscript%3Ealert(1)", headers={"accept": "text/html"})
    assert answer.status_code == 404
    assert "<script>alert" not in answer.text
    assert "&lt;script&gt;" in answer.text


def test_no_page_has_inline_script_or_style(clinic, clinician, scripted: dict[str, str]) -> None:
    link = clinic.link(clinic.patient_added(), (Step("abduction", "both"),))
    texts = [clinician.get(path).text for path in scripted.values()]
    texts += [clinic.anonymous().get(path).text for path in ("/sign-in", f"/home/{link}")]
    for text in texts:
        assert not re.search(r"<style|\sstyle=|\son[a-z]+=", text)
        assert all("src=" in tag or "application/json" in tag for tag in re.findall(r"<script[^>]*>", text))
        assert not re.search(r"(?:src|href|action)=\"(?:https?:)?//", text)


def test_a_code_that_would_be_a_path_is_refused(clinic, clinician) -> None:
    for code in ("..", ".", "a/b", "a\\b", "../x", "a\x00b", " "):
        assert clinician.post("/patients", data={"code": code}).status_code == 400, code
    with clinic.store() as kept:
        assert kept.patients() == ()


def test_two_applications_do_not_share_their_rates(make_clinic) -> None:
    first, second = make_clinic(), make_clinic()
    assert first.app.state.rates is not second.app.state.rates
    assert create_app(first.settings, work=False).state.rates is not first.app.state.rates
