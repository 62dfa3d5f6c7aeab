"""What the operator of the server decides."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from vision_rom.errors import UsageError

GIB = 1 << 30


@dataclass(frozen=True, slots=True)
class ServeSettings:
    """Where the server listens and what it takes in. Raises UsageError where that would not be safe."""

    folder: Path
    """Of the records; everything that is received lies in it"""
    address: str = "127.0.0.1"
    port: int = 8321
    public_url: str = ""
    """How browsers reach the server, such as ``https://clinic.example``; needed to leave this machine"""
    certificate: Path | None = None
    key: Path | None = None
    behind_proxy: bool = False
    """A reverse proxy on this machine ends TLS"""
    largest_recording_bytes: int = 4 * GIB
    least_free_bytes: int = 2 * GIB
    """Nothing is received that would leave less on the disk"""

    def __post_init__(self) -> None:
        if not 0 <= self.port <= 65535:
            raise UsageError(f"The port lies between 1 and 65535, not at {self.port}.")
        if self.public_url and urlsplit(self.public_url).scheme not in ("http", "https"):
            raise UsageError(f"The public address '{self.public_url}' must begin with https://.")
        if bool(self.certificate) != bool(self.key):
            raise UsageError("A certificate needs its key: give --certificate and --key together.")
        for file in (self.certificate, self.key):
            if file is not None and not file.is_file():
                raise UsageError(f"There is no file '{file}'.")
        if self.behind_proxy and self.certificate is None and not _this_machine(self.address):
            raise UsageError(
                f"Behind a proxy on this machine the server listens on 127.0.0.1: on '{self.address}' others could go around the proxy, "
                "without TLS."
            )
        if self.on_network and not self.secure:
            raise UsageError(
                "Recordings of patients must not cross a network in the open: give --certificate and --key, or --behind-proxy with "
                "--public-url https://...; without these the server stays on 127.0.0.1."
            )
        if not self.hosts:
            raise UsageError(
                f"On '{self.address}' the server needs the name that browsers use: give --public-url https://..."
            )

    @property
    def on_network(self) -> bool:
        """Whether other machines can reach the server."""
        named = urlsplit(self.public_url).hostname or ""
        return self.behind_proxy or not _this_machine(self.address) or (named != "" and not _this_machine(named))

    @property
    def secure(self) -> bool:
        """Whether browsers reach the server over TLS."""
        return self.certificate is not None or (self.behind_proxy and self.public_url.startswith("https://"))

    @property
    def base_url(self) -> str:
        """The address that is printed and put into links, without a slash at the end."""
        if self.public_url:
            return self.public_url.rstrip("/")
        scheme = "https" if self.secure else "http"
        return f"{scheme}://{self.address}:{self.port}"

    @property
    def hosts(self) -> frozenset[str]:
        """Names of this server that a request may use, so that no foreign name can be pointed at it."""
        names = {urlsplit(self.base_url).hostname or "", self.address}
        if not self.on_network:
            names |= {"127.0.0.1", "localhost", "::1"}
        return frozenset(names - {"", "0.0.0.0", "::"})

    @property
    def receiving(self) -> Path:
        """Where recordings lie while they come in."""
        return self.folder / "receiving"

    @property
    def recordings(self) -> Path:
        """Where received recordings are kept."""
        return self.folder / "recordings"


def _this_machine(address: str) -> bool:
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return address == "localhost"


def without_places(sentence: str, folder: Path) -> str:
    """Return a sentence for the pages: where the records lie is for the terminal."""
    return sentence.replace(f" in '{folder}'", "").replace(str(folder), "the records")
