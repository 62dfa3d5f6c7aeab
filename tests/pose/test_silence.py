"""Nothing is looked up, nothing is sent, and the terminal stays clean, whatever the caller's environment."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import threading
from ipaddress import ip_address
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from vision_rom.pose import probe, silence

ROOT = Path(__file__).parents[2]
MEASURE_A_PICTURE = """
import sys
from itertools import islice
from vision_rom.clip import open_clip
from vision_rom.pose import track_patient
with open_clip({clip!r}) as reader:
    track = track_patient(islice(reader.as_stored(), 5), width_px=reader.width_px, height_px=reader.height_px)
print(int(track.people.sum()))
"""
LOOK_WITH_MEDIAPIPE = """
import numpy as np
from vision_rom.pose import mediapipe_task
from vision_rom.pose.settings import PoseSettings
with mediapipe_task.TaskLandmarker(PoseSettings()) as task:
    task.look(np.full((240, 320, 3), 128, np.uint8))
"""
WITHOUT_SILENCE = f"""
from vision_rom.pose import mediapipe_task
mediapipe_task.silence_network = lambda: ""
{LOOK_WITH_MEDIAPIPE}"""


def run(code: str, environment: dict[str, str], *before: str) -> subprocess.CompletedProcess[str]:
    """Run Python code in a process of its own."""
    return subprocess.run(
        [*before, sys.executable, "-c", code],
        env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )


def test_every_proxy_leads_to_a_loopback_port_that_refuses(monkeypatch):
    for name in silence.PROXY_VARIABLES:
        monkeypatch.setenv(name, "http://proxy.invalid:3128")
    for name in silence.EXCEPTION_VARIABLES:
        monkeypatch.setenv(name, "*")
    proxy = silence.silence_network()
    assert {os.environ[name] for name in silence.PROXY_VARIABLES} == {proxy}
    assert not any(name in os.environ for name in silence.EXCEPTION_VARIABLES)
    address = urlsplit(proxy)
    assert ip_address(address.hostname).is_loopback
    with socket.socket() as caller, pytest.raises(ConnectionRefusedError):
        caller.connect((address.hostname, address.port))


def test_nobody_else_can_listen_on_that_port():
    address = urlsplit(silence.silence_network())
    with socket.socket() as other, pytest.raises(OSError):
        other.bind((address.hostname, address.port))


def test_variables_changed_in_between_are_mended(monkeypatch):
    proxy = silence.silence_network()
    monkeypatch.setenv("https_proxy", "http://proxy.invalid:3128")
    monkeypatch.setenv("NO_PROXY", "*")
    assert silence.silence_network() == proxy
    assert os.environ["https_proxy"] == proxy
    assert "NO_PROXY" not in os.environ


def test_a_library_loaded_before_the_silence_is_refused():
    code = """
from mediapipe.tasks.python.core.mediapipe_c_bindings import load_raw_library
from vision_rom.errors import InstallationError
from vision_rom.pose import silence
assert not silence.native_library_loaded()  # its Python modules alone do no harm
load_raw_library()
assert silence.native_library_loaded()
try:
    silence.silence_network()
except InstallationError as error:
    print(error)
"""
    done = run(code, {})
    assert "process of its own" in done.stdout, done.stderr


def test_a_trap_on_the_proxy_hears_what_the_library_would_have_sent():
    """The control: without the silence the same run does call out, so the tests below can fail."""
    with probe.LoopbackTrap() as trap:
        lure = dict.fromkeys(silence.PROXY_VARIABLES, trap.proxy) | dict.fromkeys(silence.EXCEPTION_VARIABLES, "")
        done = run(WITHOUT_SILENCE, lure)
        assert done.returncode == 0, done.stderr
        heard = b"".join(trap.heard)
    assert heard.startswith(b"CONNECT "), "the trap heard nothing: is the control still a control?"


def test_with_the_silence_the_trap_hears_nothing():
    found = probe.probe()
    assert found.worked, found.complaint
    assert found.heard == ()


def test_with_the_silence_mediapipe_itself_says_nothing():
    with probe.LoopbackTrap() as trap:
        done = run(LOOK_WITH_MEDIAPIPE, dict(probe.luring_environment(trap.proxy)))
        assert done.returncode == 0, done.stderr
        assert trap.heard == []


def test_measuring_loads_no_mediapipe():
    code = f"{probe.LOOK_ONCE}; import sys; print('mediapipe' in sys.modules)"
    assert run(code, {}).stdout == "False\n"


def test_no_system_call_goes_off_the_loopback(watch, sample_clips: Path, tmp_path: Path):
    """Watched from outside, in the environment that would let the library call out directly."""
    lure = {**dict.fromkeys(silence.PROXY_VARIABLES, "http://proxy.invalid:3128"), "NO_PROXY": "*", "no_proxy": "*"}
    code = MEASURE_A_PICTURE.format(clip=str(sample_clips / "pose_1.mp4"))
    done = run(code, lure, *watch.words(tmp_path / "calls"))
    assert done.returncode == 0, done.stderr[-2000:]
    assert done.stdout == "5\n"
    assert watch.outward(tmp_path / "calls") == []


@pytest.mark.parametrize(
    ("call", "expected"),
    [
        # recorded from an unsilenced run, with the address replaced by one reserved for documentation (RFC 5737)
        ('connect(5, {sa_family=AF_INET, sin_port=htons(53), sin_addr=inet_addr("192.0.2.53")}, 16) = 0', True),
        ('connect(5, {sa_family=AF_INET, sin_port=htons(53), sin_addr=inet_addr("127.0.0.53")}, 16) = 0', True),
        ('sendto(5, "", 9, 0, {sa_family=AF_INET6, inet_pton(AF_INET6, "2001:db8::1", &sin6_addr)}, 28) = 9', True),
        ('connect(5, {sa_family=AF_INET, sin_port=htons(9), sin_addr=inet_addr("127.0.0.1")}, 16) = -1', False),
        ('connect(5, {sa_family=AF_UNIX, sun_path="/var/run/nscd/socket"}, 110) = -1 ENOENT', False),
        ("socket(AF_INET, SOCK_DGRAM, IPPROTO_IP) = 3", False),
    ],
)
def test_the_watch_tells_calls_apart(goes_out, call, expected):
    assert goes_out(call) is expected


@pytest.mark.parametrize("look", [probe.LOOK_ONCE, LOOK_WITH_MEDIAPIPE], ids=["litert", "mediapipe"])
def test_a_look_leaves_the_terminal_clean(look):
    done = run(look, {})
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_native_log_is_withheld_only_inside(capfd):
    os.write(2, b"before ")
    with silence.native_log_withheld():
        os.write(2, b"inside ")
        with silence.native_log_withheld():
            os.write(2, b"nested ")
        os.write(2, b"still inside ")
    os.write(2, b"after")
    assert capfd.readouterr().err == "before after"


def test_native_log_comes_back_after_an_error(capfd):
    with pytest.raises(RuntimeError), silence.native_log_withheld():
        raise RuntimeError
    os.write(2, b"after")
    assert capfd.readouterr().err == "after"


def test_native_log_comes_back_when_threads_overlap(capfd):
    entered, leave = threading.Event(), threading.Event()

    def hold() -> None:
        with silence.native_log_withheld():
            entered.set()
            leave.wait(10)

    with silence.native_log_withheld():
        other = threading.Thread(target=hold)
        other.start()
        assert entered.wait(10)
    os.write(2, b"withheld by the other thread")
    leave.set()
    other.join()
    os.write(2, b"after")
    assert capfd.readouterr().err == "after"


def test_importing_the_room_loads_nothing_heavy():
    code = "import sys, vision_rom.pose; print(sorted({'mediapipe', 'ai_edge_litert', 'cv2', 'matplotlib'} & sys.modules.keys()))"
    assert run(code, {}).stdout == "[]\n"
