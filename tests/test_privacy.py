"""Nothing leaves this machine, and nothing that is given away tells more than it must.

The whole tree of processes is watched from outside with strace while recordings are measured, alone, in a folder, and by the
server for a browser; and every file that came of it is searched for what the phone wrote into the recording, for the patient's name,
and for where things lie on this machine.
"""

from __future__ import annotations

import base64
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import av
import httpx
import pyarrow
import pyarrow.parquet
import pytest

from vision_rom.records import Patient, Records, Visit

pytestmark = pytest.mark.slow
PLACE, DEVICE, OWNER, DAY = "+47.3769+008.5417/", "Inventedphone 12", "Owner of the phone", "1999-12-31"
NAME = "Imagined Person"
MACHINE = (socket.gethostname(),) if len(socket.gethostname()) > 5 else ()
"""A shorter name is found anywhere by chance"""


def trapped(watch, log: Path, *words: object) -> list[str]:
    """A command of ours, with its whole tree of processes watched."""
    return [*watch.words(log), sys.executable, "-m", "vision_rom", *map(str, words)]


def lured() -> dict[str, str]:
    """An environment in which a library that calls out would try to."""
    lure = "http://proxy.invalid:3128"
    return {
        **os.environ,
        "https_proxy": lure,
        "HTTPS_PROXY": lure,
        "http_proxy": lure,
        "NO_PROXY": "*",
        "no_proxy": "*",
    }


def test_the_trap_would_tell(watch, tmp_path: Path) -> None:
    """The control: a datagram to an address reserved for documentation (RFC 5737) leaves nobody's machine, but is seen."""
    code = "import socket; socket.socket(socket.AF_INET, socket.SOCK_DGRAM).connect(('192.0.2.1', 9))"
    log = tmp_path / "calls"
    subprocess.run([*watch.words(log), sys.executable, "-c", code], check=False)
    assert watch.outward(log)


@pytest.fixture
def recording(sample_clips: Path, tmp_path: Path) -> Path:
    """A rendered recording with what phones write beside the pictures."""
    path = tmp_path / NAME / "IMG_7.mov"
    path.parent.mkdir()
    with av.open(str(sample_clips / "demo_abduction_right.mp4")) as old:
        options = {"movflags": "use_metadata_tags"}
        with av.open(str(path), "w", format="mov", options=options) as new:
            new.metadata.update(
                {
                    "com.apple.quicktime.location.ISO6709": PLACE,
                    "location": PLACE,
                    "com.apple.quicktime.model": DEVICE,
                    "make": DEVICE,
                    "artist": OWNER,
                    "author": OWNER,
                    "title": OWNER,
                    "creation_time": f"{DAY}T23:59:58.000000Z",
                    "com.apple.quicktime.creationdate": f"{DAY}T23:59:58+0000",
                }
            )
            stream = old.streams.video[0]
            copy = new.add_stream_from_template(stream)
            for packet in old.demux(stream):
                if packet.dts is not None:
                    packet.stream = copy
                    new.mux(packet)
    assert PLACE.encode() in path.read_bytes()
    assert DEVICE.encode() in path.read_bytes()
    return path


def insides(path: Path) -> Iterator[bytes]:
    """What a file holds, as it is and taken out of what it is packed in."""
    content = path.read_bytes()
    yield content
    if path.suffix == ".npz":
        with zipfile.ZipFile(path) as archive:
            yield from (archive.read(name) for name in archive.namelist())
    elif path.suffix == ".parquet":
        table = pyarrow.parquet.read_table(path)
        yield f"{table.schema} {table.schema.metadata} {table.slice(0, 100).to_pylist()}".encode()
    elif path.suffix == ".pdf":
        for packed in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", content, re.DOTALL):
            with suppress(zlib.error):
                yield zlib.decompress(packed)
    elif path.suffix == ".html":
        for packed in re.findall(rb"base64,([A-Za-z0-9+/=]+)", content):
            yield base64.b64decode(packed)
    elif path.name == "bundle.json":
        for packed in re.findall(rb'"data": "([A-Za-z0-9+/=]+)"', content):
            yield base64.b64decode(packed)


def tells_too_much(folder: Path, here: Path, *, also: tuple[str, ...] = ()) -> list[str]:
    """Files below a folder that hold what they must not, with what they hold."""
    told = (PLACE, DEVICE, OWNER, DAY, str(here), str(Path.home()) + "/", *MACHINE, *also)
    found = []
    for path in sorted(one for one in folder.rglob("*") if one.is_file()):
        for content in insides(path):
            found += [f"{path.name}: {secret}" for secret in told if secret.encode() in content]
    return found


def test_measuring_calls_nobody_and_its_files_tell_nothing_of_phone_or_machine(
    watch, recording: Path, tmp_path: Path
) -> None:
    log, out = tmp_path / "calls", tmp_path / "out"
    words = (
        "measure",
        recording,
        "--movement",
        "abduction",
        "--side",
        "right",
        "--video",
        "--rate",
        "10",
        "--out",
        out,
    )
    done = subprocess.run(
        trapped(watch, log, *words), env=lured(), capture_output=True, text=True, timeout=400, check=False
    )
    assert done.returncode == 0, done.stderr[-2000:]
    assert watch.outward(log) == []
    assert (out / "annotated.mp4").is_file()
    assert tells_too_much(out, tmp_path, also=(NAME,)) == []


def test_the_search_would_find(tmp_path: Path) -> None:
    """The control: what is packed is taken out of it."""
    pyarrow.parquet.write_table(pyarrow.table({"clip": [DEVICE] * 50}), tmp_path / "a.parquet", compression="zstd")
    with zipfile.ZipFile(tmp_path / "b.npz", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("facts", DEVICE * 50)
    (tmp_path / "c.pdf").write_bytes(b"stream\n" + zlib.compress(DEVICE.encode() * 50) + b"\nendstream")
    (tmp_path / "d.html").write_bytes(b"data:image/png;base64," + base64.b64encode(DEVICE.encode()))
    (tmp_path / "bundle.json").write_bytes(b'{"data": "' + base64.b64encode(DEVICE.encode()) + b'"}')
    found = tells_too_much(tmp_path, tmp_path)
    assert {one.partition(":")[0] for one in found} == {"a.parquet", "b.npz", "c.pdf", "d.html", "bundle.json"}


def test_a_folder_of_recordings_calls_nobody(watch, recording: Path, tmp_path: Path) -> None:
    log, clips, run = tmp_path / "calls", tmp_path / "clips", tmp_path / "run"
    clips.mkdir()
    for name in ("a.mov", "b.mov"):
        shutil.copy(recording, clips / name)
    (clips / "list.csv").write_text("clip\na.mov\nb.mov\nnone.mov\n", encoding="utf-8")
    words = (
        "batch",
        clips / "list.csv",
        "--out",
        run,
        "--movement",
        "abduction",
        "--side",
        "right",
        "--rate",
        "10",
        "--workers",
        "2",
    )
    done = subprocess.run(
        trapped(watch, log, *words), env=lured(), capture_output=True, text=True, timeout=400, check=False
    )
    assert done.returncode == 0, done.stderr[-2000:]
    assert watch.outward(log) == []
    assert "none.mov" in (run / "failures.csv").read_text(encoding="utf-8")
    # the one file that says on which machine and where it ran
    (run / "machine.json").unlink()
    assert len(list(run.rglob("*.*"))) >= 12
    assert tells_too_much(run, tmp_path, also=(NAME,)) == []


@contextmanager
def serving(watch, log: Path, folder: Path, port: int) -> Iterator[str]:
    words = trapped(watch, log, "serve", "--records", folder, "--port", port)
    with subprocess.Popen(words, env=lured(), stdout=subprocess.PIPE, text=True, start_new_session=True) as process:
        assert process.stdout is not None
        way_in = re.search(r"http://\S+", process.stdout.readline())
        try:
            assert way_in
            yield way_in.group()
        finally:
            os.killpg(process.pid, signal.SIGINT)
            process.wait(timeout=60)


def test_the_server_calls_nobody_and_its_exports_tell_nothing_of_phone_machine_or_name(
    watch, recording: Path, tmp_path: Path
) -> None:
    log, folder, out = tmp_path / "calls", tmp_path / "records", tmp_path / "exports"
    out.mkdir()
    with Records(folder) as kept:
        patient = kept.add_patient(Patient("p-1", 1971, "female", "right"), name=NAME)
        visit = kept.add_visit(Visit(patient.id, "2026-03-02"))
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port = one.getsockname()[1]
    with (
        serving(watch, log, folder, port) as way_in,
        httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=120, trust_env=False) as browser,
    ):
        for _ in range(900):
            try:
                if browser.get(way_in.partition(f":{port}")[2]).status_code == 303:
                    break
            except httpx.TransportError:
                time.sleep(0.2)
        page = browser.get(f"/visits/{visit.id}").text
        token = re.search(r'data-form-token="([^"]+)"', page).group(1)  # type: ignore[union-attr]
        content, headers = recording.read_bytes(), {"x-form-token": token}
        announced = {
            "name": "IMG_7.mov",
            "size": len(content),
            "movement": "abduction",
            "side": "right",
            "consent": True,
        }
        upload = browser.post(f"/api/visits/{visit.id}/uploads", json=announced, headers=headers).json()
        sent = browser.patch(
            f"/api/uploads/{upload['id']}",
            content=content,
            headers=headers | {"upload-offset": "0", "content-type": "application/offset+octet-stream"},
        )
        assert sent.json()["offset"] == len(content)
        for _ in range(600):
            if browser.get(f"/api/uploads/{upload['id']}").json()["state"] == "sent":
                break
            time.sleep(0.5)
        for name in (
            "report.html",
            "report.pdf",
            "chart.txt",
            "bundle.json",
            "for_the_patient.html",
            "for_the_patient.pdf",
        ):
            answer = browser.get(f"/visits/{visit.id}/files/{name}")
            assert answer.status_code == 200, name
            (out / name).write_bytes(answer.content)
        for name in ("curve.png", "peak_right.jpg", "sheet_right.jpg"):
            answer = browser.get(f"/clips/1/files/{name}")
            assert answer.status_code == 200, name
            (out / name).write_bytes(answer.content)
        export = browser.get("/patients/p-1/export.json").json()
    assert watch.outward(log) == []
    assert tells_too_much(out, tmp_path, also=(NAME,)) == []
    # what is kept lost what the phone wrote; the patient's own export names the patient and nothing of the phone
    assert tells_too_much(folder / "recordings", tmp_path / "nowhere", also=(NAME,)) == []
    assert export["patient"]["name"] == NAME
    assert not any(secret in json.dumps(export) for secret in (PLACE, DEVICE, OWNER))
