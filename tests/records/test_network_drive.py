from __future__ import annotations

from pathlib import Path

import pytest

from vision_rom.records import Patient, Records, database
from vision_rom.records.network_drive import network_kind

# as proc(5) describes it: identity, parent, device, root, mount point, options, optional fields, "-", kind, source, options
MOUNTS = """\
22 1 254:0 / / rw,relatime shared:1 - ext4 /dev/vda rw
30 22 0:40 / {here}/clinic rw - nfs4 server:/export rw,vers=4.2
31 30 0:41 / {here}/clinic/local rw - ext4 /dev/vdb rw
32 22 0:42 / {here}/with\\040space rw shared:2 master:1 - cifs //server/share rw
33 22 0:43 / {here}/clinic2 rw - tmpfs tmpfs rw
"""


@pytest.mark.parametrize(
    ("folder", "kind"),
    [
        ("clinic", "nfs4"),
        ("clinic/records/deeper", "nfs4"),
        ("clinic/local/records", None),
        ("clinic2", None),
        ("with space/records", "cifs"),
        ("elsewhere", None),
    ],
)
def test_the_drive_is_told_by_the_innermost_mount(tmp_path: Path, folder: str, kind: str | None) -> None:
    mounts = tmp_path / "mountinfo"
    mounts.write_text(MOUNTS.format(here=tmp_path.resolve()))
    assert network_kind(tmp_path / folder, mounts=mounts) == kind


def test_where_the_system_does_not_say_there_is_none(tmp_path: Path) -> None:
    assert network_kind(tmp_path, mounts=tmp_path / "none") is None


def test_on_a_network_drive_no_memory_is_shared(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Records(tmp_path) as kept:
        kept.add_patient(Patient("p-1"))
    monkeypatch.setattr(database, "network_kind", lambda folder: "nfs4")
    with Records(tmp_path) as kept:
        kept.add_patient(Patient("p-2"))
        assert not list(tmp_path.glob("*-shm"))
        assert not list(tmp_path.glob("*-wal"))
        assert [one.code for one in kept.patients()] == ["p-1", "p-2"]
