"""The doctor finds what is wrong and names the cure."""

from __future__ import annotations

import sys

import pytest

from vision_rom.cli import doctor
from vision_rom.errors import APT_LINE
from vision_rom.pose import networks
from vision_rom.pose.probe import ProbeResult

UNINSTALL, INSTALL = "pip uninstall -y opencv-python", "pip install opencv-contrib-python"


def test_this_installation_is_whole():
    checks = doctor.run_checks()
    assert [check.sentence for check in checks if not check.passed] == []
    assert {check.name for check in checks} >= {
        "OpenCV",
        "graphics libraries",
        "pose model full",
        "pose model heavy",
        "off the network",
        "free disk",
    }


@pytest.mark.parametrize(
    ("owners", "imported", "found"),
    [
        # opencv/opencv-python issues 388 and 962: both installed, nobody complains
        ({"opencv-contrib-python": "5.1.0.95", "opencv-python": "5.0.0.93"}, "5.0.0", "overwrite each other"),
        ({"opencv-contrib-python": "5.1.0.95"}, "5.0.0", "cv2 says it is 5.0.0"),
        ({"opencv-contrib-python": "5.1.0.95"}, None, "empty folder"),
        ({"opencv-contrib-python": "5.10.0.1"}, "5.1", "cv2 says it is 5.1"),
        ({}, "5.0.0", "No installed package owns cv2"),
    ],
    ids=["two owners", "wrong version", "empty", "longer number", "no owner"],
)
def test_a_mixed_opencv_is_found_with_the_two_commands(owners, imported, found):
    check = doctor.judge_cv2(owners, imported)
    assert not check.passed
    assert found in check.sentence
    assert UNINSTALL in check.sentence
    assert INSTALL in check.sentence


@pytest.mark.parametrize("version", ["5.1.0.95", "5.1.0"])
def test_one_owner_of_the_imported_version_passes(version):
    assert doctor.judge_cv2({"opencv-contrib-python": version}, "5.1.0").passed


def test_missing_graphics_libraries_are_named_with_the_line_that_mends_it():
    def load(name: str) -> object:
        if "GL" in name:
            raise OSError(f"{name}: cannot open shared object file")
        return object()

    check = doctor.check_system_libraries(load, platform="linux")
    assert not check.passed
    assert "libGL.so.1, libEGL.so.1, libGLESv2.so.2 cannot" in check.sentence
    assert check.sentence.endswith(APT_LINE)
    assert doctor.check_system_libraries(load, platform="darwin").passed


def test_an_altered_model_is_found(monkeypatch):
    monkeypatch.setitem(networks.SHA256, "heavy", "0" * 64)
    full, heavy = doctor.check_networks()
    assert full.passed
    assert not heavy.passed
    assert "altered" in heavy.sentence


def test_a_call_into_the_network_is_found():
    heard = ProbeResult(True, (b"CONNECT logs.example.invalid:443 HTTP/1.1\r\nHost: x\r\n",), "")
    check = doctor.check_silence(lambda: heard)
    assert not check.passed
    assert "CONNECT logs.example.invalid:443" in check.sentence


def test_a_network_that_does_not_run_is_found():
    check = doctor.check_silence(lambda: ProbeResult(False, (), "InstallationError: something is missing"))
    assert not check.passed
    assert "something is missing" in check.sentence


def test_a_full_disk_is_found(tmp_path):
    check = doctor.check_disk(tmp_path, least_bytes=10**18)
    assert not check.passed
    assert doctor.check_disk(tmp_path, least_bytes=1).passed


@pytest.mark.parametrize("passed", [True, False])
def test_the_table_and_the_exit_code(monkeypatch, capsys, passed):
    checks = [doctor.Check("first", True, "fine"), doctor.Check("second", passed, "see [this] bracket")]
    monkeypatch.setattr(doctor, "run_checks", lambda: checks)
    assert doctor.doctor_command() == (0 if passed else 6)
    printed = capsys.readouterr().out
    assert "see [this] bracket" in printed
    assert ("FAILED" in printed) is not passed


def test_a_broken_cv2_import_is_a_failed_check(monkeypatch):
    monkeypatch.setitem(sys.modules, "cv2", None)
    assert not doctor.check_cv2().passed
