"""Whether a folder lies on a drive of another machine, where the locks and the shared memory of SQLite may not hold."""

from __future__ import annotations

from pathlib import Path

_KINDS = frozenset(
    [
        "nfs",
        "nfs4",
        "cifs",
        "smb3",
        "smbfs",
        "smb2",
        "afs",
        "ceph",
        "glusterfs",
        "lustre",
        "9p",
        "davfs",
        "ncpfs",
        "afpfs",
        "webdav",
        "fuse.sshfs",
        "fuse.davfs2",
        "fuse.rclone",
        "fuse.s3fs",
        "fuse.glusterfs",
        "fuse.gvfsd-fuse",
    ]
)
WARNING = (
    "The records in '{folder}' lie on a network drive ({kind}). Only one computer at a time may use them: locks of such drives are "
    "not to be relied on. A folder on a disk of this computer is safer."
)


def network_kind(folder: Path, *, mounts: Path = Path("/proc/self/mountinfo")) -> str | None:
    """Return the kind of network drive that a folder lies on, such as ``nfs4``; None where it is none, or the system does not say."""
    try:
        lines = mounts.read_text(encoding="utf-8", errors="surrogateescape").splitlines()
    except OSError:
        return None
    place = folder.resolve()
    found = ("", "")
    for line in lines:
        before, _, after = line.partition(" - ")
        fields = before.split()
        if len(fields) < 5 or not after:
            continue
        point = fields[4].replace("\\040", " ").replace("\\011", "\t").replace("\\134", "\\")
        # a later mount at the same place lies over the earlier one
        if place.is_relative_to(point) and len(point) >= len(found[0]):
            found = (point, after.split()[0])
    return found[1] if found[1] in _KINDS else None
