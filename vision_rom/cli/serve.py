"""``vision-rom serve`` and ``account``: the pages for clinic and patients, from the clinic's own machine."""

from __future__ import annotations

import getpass
import socket
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from vision_rom.cli.groups import group
from vision_rom.cli.records import DEFAULT_RECORDS, Folder, Who, open_records
from vision_rom.errors import InstallationError, UsageError

if TYPE_CHECKING:
    from vision_rom.web.settings import ServeSettings
    from vision_rom.web.store import ClinicStore

account_app = group("account", "Who may sign in to the pages.")
Name = Annotated[str, typer.Argument(help="Name to sign in with.", show_default=False)]


@contextmanager
def _pages_installed() -> Iterator[None]:
    """Around the imports of what the pages need; where it is missing, say which line installs it."""
    try:
        yield
    except ImportError as error:
        raise InstallationError("The pages need one more step: pip install 'vision-rom[web]'.") from error


def _open(folder: Path, who: str) -> ClinicStore:
    with _pages_installed():
        return open_records(folder, who)


def serve_command(
    records: Folder = DEFAULT_RECORDS,
    address: Annotated[
        str, typer.Option(help="Address to listen on; another than this machine's own needs TLS.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option(help="Port to listen on.")] = 8321,
    public_url: Annotated[
        str, typer.Option(metavar="URL", help="How browsers reach the server, for links and checks.")
    ] = "",
    certificate: Annotated[Path | None, typer.Option(metavar="PEM", help="Certificate for TLS.")] = None,
    key: Annotated[Path | None, typer.Option(metavar="PEM", help="Its key.")] = None,
    behind_proxy: Annotated[
        bool, typer.Option("--behind-proxy", help="A reverse proxy on this machine ends TLS and passes requests on.")
    ] = False,
    largest_gb: Annotated[float, typer.Option(min=0.01, max=64, help="Largest recording that is taken in.")] = 4.0,
) -> int:
    """Serve the pages for review and for recording at home; stop with Ctrl-C."""
    with _pages_installed():
        import uvicorn

        from vision_rom.web.app import create_app
        from vision_rom.web.settings import GIB, ServeSettings

    settings = ServeSettings(
        records.resolve(), address, port, public_url, certificate, key, behind_proxy, int(largest_gb * GIB)
    )
    check_free(settings)
    with _open(settings.folder, "the server") as kept, only_server(settings.folder):
        accounts = kept.accounts()
        if settings.on_network and not accounts:
            raise UsageError("On a network everybody needs an account; add one with 'vision-rom account add NAME'.")
        way_in = "" if accounts else f"/enter/{kept.begin_session(getpass.getuser(), 'clinician', once=True)}"
        print(f"Open {settings.base_url}{way_in}", flush=True)
        if way_in:
            print("The address opens once, for whoever sits at this machine. Stop with Ctrl-C.", flush=True)
        uvicorn.run(create_app(settings), **options_of(settings))
    return 0


def check_free(settings: ServeSettings) -> None:
    """Raise UsageError where nothing can listen at the server's address."""
    kind = socket.AF_INET6 if ":" in settings.address else socket.AF_INET
    try:
        socket.create_server((settings.address, settings.port), family=kind).close()
    except OSError as error:
        raise UsageError(
            f"Nothing can listen on {settings.address}, port {settings.port}: {error.strerror or error}; choose another with --port."
        ) from error


def options_of(settings: ServeSettings) -> dict[str, Any]:
    """Return how the server's library is to serve."""
    from vision_rom.web.patience import MOST_CONNECTIONS, PatientProtocol
    from vision_rom.web.security import LONGEST_HEADERS_BYTES

    return {
        "host": settings.address,
        "port": settings.port,
        "ssl_certfile": settings.certificate,
        "ssl_keyfile": settings.key,
        "proxy_headers": settings.behind_proxy,
        "forwarded_allow_ips": "127.0.0.1",
        "server_header": False,
        "date_header": False,
        "access_log": False,
        "log_level": "warning",
        "http": PatientProtocol,
        "limit_concurrency": MOST_CONNECTIONS,
        # nothing of ours speaks it
        "ws": "none",
        "timeout_keep_alive": 15,
        "timeout_graceful_shutdown": 5,
        "h11_max_incomplete_event_size": LONGEST_HEADERS_BYTES,
    }


class only_server:  # noqa: N801 - a context manager reads as a verb
    """Hold the folder for one server: two would run each job twice. The lock goes with the process, however it ends."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / ".serving"

    def __enter__(self) -> None:
        import fcntl

        self._file = self._path.open("w")
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            self._file.close()
            raise UsageError(
                f"Another server uses the records in '{self._path.parent}' already; stop it first."
            ) from None

    def __exit__(self, *_: object) -> None:
        self._file.close()


@account_app.command("add")
def add_account(
    name: Name,
    role: Annotated[
        Literal["clinician", "assistant"], typer.Option(help="A clinician also reviews, corrects, exports and deletes.")
    ] = "clinician",
    records: Folder = DEFAULT_RECORDS,
    by: Who = "",
) -> int:
    """Add an account; asks for the password, or reads it from a pipe."""
    with _pages_installed():
        from vision_rom.web.security import SHORTEST_PASSWORD, hashed

    if sys.stdin.isatty():
        password = getpass.getpass("Password: ")
        if getpass.getpass("Again: ") != password:
            raise UsageError("The two passwords differ; nothing was added.")
    else:
        password = sys.stdin.readline().rstrip("\n")
    if len(password) < SHORTEST_PASSWORD:
        raise UsageError(f"The password needs at least {SHORTEST_PASSWORD} signs; several words are easy to remember.")
    with _open(records, by) as kept:
        kept.add_account(name, role, hashed(password))
    print(f"Added {name} ({role}).")
    return 0


@account_app.command("list")
def list_accounts(records: Folder = DEFAULT_RECORDS) -> int:
    """List the accounts."""
    with _open(records, "") as kept:
        for name, role in kept.accounts():
            print(f"{name}\t{role}")
    return 0


@account_app.command("remove")
def remove_account(
    name: Name,
    records: Folder = DEFAULT_RECORDS,
    by: Who = "",
) -> int:
    """Remove an account and end its sessions."""
    with _open(records, by) as kept:
        kept.remove_account(name)
    print(f"Removed {name}.")
    return 0
