"""What the memory of the server comes to while many recordings come in at once. Run by hand; traffic stays on this machine.

    python -m vision_rom.proof.upload_bench --out tests/web/bench/uploads.json

Starts ``vision-rom serve`` in a temporary folder, sends fifty recordings of 100 MB at once, in the browser's pieces, a fifth of them
with a line that breaks once, and then one of 3 GB: refused where 2 GB are allowed, taken in piece by piece where 4 GB are. The content
is generated and no recording, so the server's check refuses it afterwards; everything is removed at the end.
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import json
import re
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

MB = 1_000_000
GB = 1000 * MB
PIECE_BYTES = 2 << 20
"""What the pages send at once (``static/send.js``)"""
PIECE = bytes(range(256)) * (PIECE_BYTES // 256)
AT_ONCE, EACH_BYTES = 50, 100 * MB
LARGE_BYTES = 3 * GB
BROKEN_EVERY = 5
LONGEST_WAIT_S = 60.0


@dataclass(frozen=True)
class Served:
    """A running server and somebody signed in."""

    process: subprocess.Popen[str]
    port: int
    cookie: str
    form_token: str
    uploads_path: str

    def peak_mb(self) -> float:
        """Return the most memory that the server's process ever held."""
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        found = re.search(r"VmHWM:\s+(\d+) kB", status)
        assert found is not None
        return int(found[1]) * 1024 / MB

    def headers(self) -> dict[str, str]:
        """Return what every change carries."""
        return {"cookie": self.cookie, "x-form-token": self.form_token}


@contextlib.contextmanager
def served(folder: Path, *, largest_gb: float) -> Iterator[Served]:
    """Run a server in a folder, with one visit to send recordings to."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = int(free.getsockname()[1])
    command = [sys.executable, "-m", "vision_rom", "serve", "--records", str(folder), "--port", str(port)]
    command += ["--largest-gb", str(largest_gb)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    try:
        assert process.stdout is not None
        way_in = re.search(r"(/enter/\S+)", process.stdout.readline())
        assert way_in is not None
        yield _signed_in(process, port, way_in[1])
    finally:
        process.terminate()
        process.wait(timeout=LONGEST_WAIT_S)


def _signed_in(process: subprocess.Popen[str], port: int, way_in: str) -> Served:
    ends = time.monotonic() + LONGEST_WAIT_S
    while True:
        try:
            answer, _ = _asked(port, "GET", way_in)
            break
        except ConnectionRefusedError:
            if time.monotonic() > ends:
                raise
            time.sleep(0.2)
    cookie = answer.headers["set-cookie"].partition(";")[0]
    _, page = _asked(port, "GET", "/", headers={"cookie": cookie})
    found = re.search(r'name="form_token" value="([^"]+)"', page.decode())
    assert found is not None
    form = {"cookie": cookie, "content-type": "application/x-www-form-urlencoded", "x-form-token": found[1]}
    _asked(port, "POST", "/patients", body=urlencode({"code": "B-1"}).encode(), headers=form)
    begun, _ = _asked(port, "POST", "/patients/B-1/visits", body=b"position=standing", headers=form)
    return Served(process, port, cookie, found[1], f"/api{begun.headers['location']}/uploads")


def _asked(
    port: int, method: str, path: str, *, body: bytes | None = None, headers: dict[str, str] | None = None
) -> tuple[http.client.HTTPResponse, bytes]:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=LONGEST_WAIT_S)
    with contextlib.closing(connection):
        connection.request(method, path, body, headers or {})
        answer = connection.getresponse()
        return answer, answer.read()


def announced(server: Served, size: int) -> tuple[int, dict[str, Any]]:
    """Announce a recording; returns status and answer."""
    body = json.dumps({"name": "bench.mp4", "size": size, "consent": True}).encode()
    headers = server.headers() | {"content-type": "application/json"}
    answer, told = _asked(server.port, "POST", server.uploads_path, body=body, headers=headers)
    return answer.status, json.loads(told)


def sent(server: Served, size: int, *, breaks: bool = False) -> int:
    """Send one recording to its end and return how many bytes the server says it has."""
    status, told = announced(server, size)
    assert status == 201, told
    path, offset = f"/api/uploads/{told['id']}", 0
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=LONGEST_WAIT_S)
    with contextlib.closing(connection):
        while offset < size:
            if breaks and offset > size // 2:
                breaks = False
                _break_off(server, path, offset)
                offset = _arrived(server, path)
            piece = PIECE[: min(PIECE_BYTES, size - offset)]
            connection.request("PATCH", path, piece, server.headers() | {"upload-offset": str(offset)})
            answer = connection.getresponse()
            told = json.loads(answer.read())
            assert answer.status == 200, told
            offset = int(told["offset"])
    return offset


def _break_off(server: Served, path: str, offset: int) -> None:
    """Begin a piece and go away in its middle."""
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=LONGEST_WAIT_S)
    with contextlib.closing(connection):
        connection.putrequest("PATCH", path)
        headers = server.headers() | {"upload-offset": str(offset), "content-length": str(PIECE_BYTES)}
        for name, value in headers.items():
            connection.putheader(name, value)
        connection.endheaders(PIECE[: PIECE_BYTES // 3])


def _arrived(server: Served, path: str) -> int:
    """Ask until the server has noticed that the line broke, as the pages do."""
    before = -1
    while True:
        _, told = _asked(server.port, "GET", path, headers=server.headers())
        now = int(json.loads(told)["offset"])
        if now == before:
            return now
        before = now
        time.sleep(0.5)


def main() -> None:
    """Run the bench and write what it came to."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    out: Path = parser.parse_args().out
    result: dict[str, Any] = {"piece_bytes": PIECE_BYTES}
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "records"
        with served(folder, largest_gb=2) as server:
            status, told = announced(server, LARGE_BYTES)
            result["large_where_2_gb_are_allowed"] = {"bytes": LARGE_BYTES, "status": status, "said": told["detail"]}
            idle_mb, began_s = server.peak_mb(), time.monotonic()
            with ThreadPoolExecutor(AT_ONCE) as pool:
                tasks = [pool.submit(sent, server, EACH_BYTES, breaks=not n % BROKEN_EVERY) for n in range(AT_ONCE)]
                whole = sum(task.result() == EACH_BYTES for task in tasks)
            result["many_at_once"] = {
                "recordings": AT_ONCE,
                "bytes_each": EACH_BYTES,
                "lines_broken": len(range(0, AT_ONCE, BROKEN_EVERY)),
                "arrived_whole": whole,
                "took_s": round(time.monotonic() - began_s, 1),
                "server_peak_mb_before": round(idle_mb, 1),
                "server_peak_mb": round(server.peak_mb(), 1),
            }
    with tempfile.TemporaryDirectory() as scratch, served(Path(scratch) / "records", largest_gb=4) as server:
        idle_mb, began_s = server.peak_mb(), time.monotonic()
        result["large_where_4_gb_are_allowed"] = {
            "bytes": LARGE_BYTES,
            "arrived": sent(server, LARGE_BYTES),
            "took_s": round(time.monotonic() - began_s, 1),
            "server_peak_mb_before": round(idle_mb, 1),
            "server_peak_mb": round(server.peak_mb(), 1),
        }
    out.write_text(json.dumps(result, indent=2) + "\n")
    print(out.read_text())


if __name__ == "__main__":
    main()
