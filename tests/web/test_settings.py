from __future__ import annotations

from pathlib import Path

import pytest

from vision_rom.errors import UsageError
from vision_rom.web.settings import ServeSettings


@pytest.fixture
def pem(tmp_path: Path) -> dict[str, Path]:
    for name in ("certificate", "key"):
        (tmp_path / name).write_text("a file is all that the settings look for")
    return {name: tmp_path / name for name in ("certificate", "key")}


def test_stays_on_this_machine_unless_told(tmp_path: Path) -> None:
    settings = ServeSettings(tmp_path)
    assert not settings.on_network
    assert settings.base_url == "http://127.0.0.1:8321"
    assert settings.hosts == {"127.0.0.1", "localhost", "::1"}


@pytest.mark.parametrize(
    "unsafe",
    [
        {"address": "0.0.0.0"},
        {"address": "192.168.1.5"},
        {"address": "clinic.example"},
        {"address": "::"},
        {"public_url": "https://clinic.example"},
        {"public_url": "http://clinic.example"},
        {"behind_proxy": True},
        {"behind_proxy": True, "public_url": "http://clinic.example"},
        {"behind_proxy": True, "public_url": "https://clinic.example", "address": "0.0.0.0"},
    ],
)
def test_does_not_cross_a_network_in_the_open(tmp_path: Path, unsafe: dict[str, object]) -> None:
    with pytest.raises(UsageError):
        ServeSettings(tmp_path, **unsafe)


def test_every_address_with_tls_needs_the_name_that_browsers_use(tmp_path: Path, pem: dict[str, Path]) -> None:
    with pytest.raises(UsageError, match="--public-url"):
        ServeSettings(tmp_path, address="0.0.0.0", **pem)
    settings = ServeSettings(tmp_path, address="0.0.0.0", public_url="https://clinic.example", **pem)
    assert settings.secure
    assert settings.hosts == {"clinic.example"}


def test_a_proxy_on_this_machine_may_end_tls(tmp_path: Path) -> None:
    settings = ServeSettings(tmp_path, behind_proxy=True, public_url="https://clinic.example/")
    assert settings.secure
    assert settings.on_network
    assert settings.base_url == "https://clinic.example"
    assert "clinic.example" in settings.hosts


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"port": 70000}, "port"),
        ({"public_url": "ftp://clinic.example"}, "https://"),
        ({"certificate": Path("missing.pem"), "key": Path("missing.pem")}, "There is no file"),
        ({"certificate": Path("missing.pem")}, "together"),
    ],
)
def test_says_in_a_sentence_what_is_wrong(tmp_path: Path, wrong: dict[str, object], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        ServeSettings(tmp_path, **wrong)
