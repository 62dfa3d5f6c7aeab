"""A clinic with two accounts, one patient and a task for home, and browsers for each of them."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from fastapi import FastAPI
from starlette.testclient import TestClient

from vision_rom.handover import Step
from vision_rom.records import Episode, Patient, Visit
from vision_rom.web.app import create_app
from vision_rom.web.job import run_job
from vision_rom.web.model import Upload
from vision_rom.web.security import hashed
from vision_rom.web.settings import ServeSettings
from vision_rom.web.store import ClinicStore

HERE = "http://127.0.0.1:8321"
PASSWORD = "four words of ours"
ACCOUNTS = {"Clara Clinic": "clinician", "Anton Assist": "assistant"}
STEPS = (Step("abduction", "right"), Step("flexion", "left"))


@pytest.fixture(scope="session")
def password_hash() -> str:
    """One hash for all accounts, for argon2 is slow by design."""
    return hashed(PASSWORD)


@dataclass
class Browser:
    """A browser that is signed in as somebody, or nobody."""

    client: TestClient
    form_token: str = ""

    def get(self, path: str, **more: object):
        return self.client.get(path, **more)

    def send(self, method: str, path: str, **more: object):
        """Change something as our own pages do."""
        headers = {"origin": HERE, "x-form-token": self.form_token} | more.pop("headers", {})
        return self.client.request(method, path, headers=headers, **more)

    def post(self, path: str, **more: object):
        return self.send("POST", path, **more)


@dataclass
class Clinic:
    """A served folder of records."""

    folder: Path
    settings: ServeSettings
    app: FastAPI
    _open: list[TestClient] = field(default_factory=list)

    def store(self, who: str = "the test") -> ClinicStore:
        return ClinicStore(self.folder, who=who)

    def anonymous(self, **more: object) -> Browser:
        client = TestClient(self.app, base_url=HERE, follow_redirects=False, **more)
        self._open.append(client)
        return Browser(client)

    def signed_in(self, name: str) -> Browser:
        browser = self.anonymous()
        with self.store() as kept:
            token = kept.begin_session(name)
            browser.form_token = kept.session(token).form_token
        browser.client.cookies.set("session", token)
        return browser

    def patient_added(self, code: str = "P-1", **more: object) -> Patient:
        with self.store() as kept:
            return kept.add_patient(Patient(code, 1980), **more)

    def visit_begun(self, patient: Patient) -> Visit:
        with self.store() as kept:
            return kept.add_visit(Visit(patient.id, "2026-11-26"))

    def link(self, patient: Patient, steps=STEPS, *, days: float = 7, uses: int = 3, shows_angle: bool = False) -> str:
        with self.store() as kept:
            return kept.add_task(patient, steps, days=days, uses=uses, language="en", shows_angle=shows_angle)[1]

    def announced(self, visit: Visit, *, size: int = 10, name: str = "raise.mp4", **more: object) -> Upload:
        with self.store() as kept:
            return kept.add_upload(name=name, size=size, visit_id=visit.id, **more)

    def received(self, visit: Visit, content: bytes, **more: object) -> Upload:
        """A recording whose last piece has come in."""
        upload = self.announced(visit, size=len(content), **more)
        self.settings.receiving.mkdir(exist_ok=True)
        (self.settings.receiving / upload.id).write_bytes(content)
        with self.store() as kept:
            kept.set_upload(upload.id, state="received")
        return upload

    def run_next_job(self) -> int:
        """Do the oldest waiting job in this process and return its number."""
        with self.store() as kept:
            job = kept.claim_job()
        assert job is not None
        run_job(self.settings, job.id)
        return job.id


def _clinic(folder: Path, password_hash: str, **more: object) -> Clinic:
    settings = ServeSettings(folder, **({"least_free_bytes": 0} | more))
    app = create_app(settings, work=False)
    with ClinicStore(folder, who="the test") as kept:
        for name, role in ACCOUNTS.items():
            kept.add_account(name, role, password_hash)
    return Clinic(folder, settings, app)


@pytest.fixture
def make_clinic(tmp_path: Path, password_hash: str) -> Iterator:
    """A function that makes a clinic with other settings."""
    made: list[Clinic] = []

    def make(**more: object) -> Clinic:
        made.append(_clinic(tmp_path / f"records-{len(made)}", password_hash, **more))
        return made[-1]

    yield make
    for clinic in made:
        for client in clinic._open:
            client.close()


@pytest.fixture
def clinic(make_clinic) -> Clinic:
    return make_clinic()


@pytest.fixture
def patient(clinic: Clinic) -> Patient:
    return clinic.patient_added()


@pytest.fixture
def visit(clinic: Clinic, patient: Patient) -> Visit:
    return clinic.visit_begun(patient)


@pytest.fixture
def clinician(clinic: Clinic) -> Browser:
    return clinic.signed_in("Clara Clinic")


@pytest.fixture
def assistant(clinic: Clinic) -> Browser:
    return clinic.signed_in("Anton Assist")


@pytest.fixture
def anonymous(clinic: Clinic) -> Browser:
    return clinic.anonymous()


@pytest.fixture(scope="session")
def measured_once(tmp_path_factory: pytest.TempPathFactory, sample_clips: Path, password_hash: str) -> Clinic:
    """A clinic with one recording that was really received and measured; copy it, never change it."""
    clinic = _clinic(tmp_path_factory.mktemp("measured") / "records", password_hash)
    patient = clinic.patient_added("M-1")
    with clinic.store() as kept:
        kept.add_episode(Episode(patient.id, "right", "stiff shoulder"))
    visit = clinic.visit_begun(patient)
    upload = clinic.received(
        visit, (sample_clips / "demo_abduction_right.mp4").read_bytes(), movement="abduction", side="right"
    )
    with clinic.store() as kept:
        kept.add_job("measure", upload_id=upload.id)
    number = clinic.run_next_job()
    with clinic.store() as kept:
        assert kept.job(number).state == "done", kept.job(number)
    return clinic


@pytest.fixture
def measured(measured_once: Clinic, tmp_path: Path) -> Iterator[Clinic]:
    """A copy of :func:`measured_once` that a test may change."""
    folder = tmp_path / "measured"
    shutil.copytree(measured_once.folder, folder)
    settings = ServeSettings(folder, least_free_bytes=0)
    clinic = Clinic(folder, settings, create_app(settings, work=False))
    with clinic.store() as kept:
        for table in ("clip", "upload"):
            kept._connection.execute(
                f"UPDATE {table} SET path = replace(path, ?, ?)", (str(measured_once.folder), str(folder))
            )
    yield clinic
    for client in clinic._open:
        client.close()
