"""Nothing leaves this computer, and nothing clutters its terminal.

Since version 0.10.3x MediaPipe's native library reports its use: on every run it looks up a logging host and sends to
it, through libcurl, from a thread of its own. Python cannot stop that at its sockets. But libcurl asks the environment
for a proxy each time, and with a proxy it leaves even the look-up of the host's name to the proxy. So before the
library is loaded every proxy variable is pointed at a loopback port which this process occupies without listening on
it: a connection there is refused by the kernel, and nothing is looked up or sent. Exceptions (``no_proxy``) are removed.
Source for the variables: libcurl's manual, CURLOPT_PROXY and CURLOPT_NOPROXY, section "Environment".

LiteRT, which runs the networks, sends nothing as far as its system calls show; it is kept under the same switch.

The setting lasts as long as the process, since the library may report at any time. Other libraries in the process that
ask the same variables are silenced too; a tool for private recordings has nothing to send.
"""

from __future__ import annotations

import os
import socket
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from vision_rom.errors import InstallationError

PROXY_VARIABLES: Final = ("http_proxy", "https_proxy", "all_proxy", "HTTP_PROXY", "HTTPS_PROXY", "ALL_PROXY")
EXCEPTION_VARIABLES: Final = ("no_proxy", "NO_PROXY")
_BINDINGS: Final = "mediapipe.tasks.python.core.mediapipe_c_bindings"

_occupied: socket.socket | None = None
_lock = threading.Lock()


def silence_network() -> str:
    """Make sure that MediaPipe's native library can reach no network; return the proxy address that leads nowhere.

    Call it before every use of the library: it also repairs variables which somebody changed in between.

    Raises
    ------
    InstallationError
        The library was loaded in this process before it was silenced, so it may have reported already; or no loopback
        port can be occupied.

    """
    global _occupied
    with _lock:
        if _occupied is None:
            if native_library_loaded():
                raise InstallationError(
                    "MediaPipe was loaded in this process before vision-rom could keep it off the network. "
                    "Measure in a process of its own, or call vision_rom.pose.silence.silence_network() first."
                )
            _occupied = _occupy_loopback_port()
        proxy = f"http://127.0.0.1:{_occupied.getsockname()[1]}"
        for name in PROXY_VARIABLES:
            if os.environ.get(name) != proxy:
                os.environ[name] = proxy
        for name in EXCEPTION_VARIABLES:
            os.environ.pop(name, None)
    return proxy


def native_library_loaded() -> bool:
    """Say whether MediaPipe's native library is loaded in this process (its Python modules alone do not matter)."""
    bindings = sys.modules.get(_BINDINGS)
    return bindings is not None and getattr(bindings, "_shared_lib", None) is not None


def _occupy_loopback_port() -> socket.socket:
    """Bind a loopback port and never listen: nobody else can listen there, and every connection is refused."""
    occupied = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        occupied.bind(("127.0.0.1", 0))
    except OSError as error:
        occupied.close()
        raise InstallationError(
            f"No loopback port can be occupied ({error.strerror}), which keeps MediaPipe off the network; "
            "nothing was measured. Check that the address 127.0.0.1 exists on this computer."
        ) from error
    return occupied


_withheld_depth = 0
_withheld_stderr = -1


@contextmanager
def native_log_withheld() -> Iterator[None]:
    """Keep what native code writes to the standard error stream off the terminal.

    MediaPipe writes some fifty lines each time a network is loaded and has no switch for it. The stream is turned
    away at its file descriptor, so wrap only the calls that are known to chatter: what another thread writes
    in the meantime is lost too. Nested and parallel uses are allowed.
    """
    _withhold()
    try:
        yield
    finally:
        _give_back()


def _withhold() -> None:
    global _withheld_depth, _withheld_stderr
    with _lock:
        _withheld_depth += 1
        if _withheld_depth > 1:
            return
        _flush_stderr()
        try:
            _withheld_stderr = os.dup(2)
        except OSError:  # started without a standard error stream: nothing can be cluttered
            _withheld_stderr = -1
            return
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 2)
        os.close(nowhere)


def _give_back() -> None:
    global _withheld_depth, _withheld_stderr
    with _lock:
        _withheld_depth -= 1
        if _withheld_depth or _withheld_stderr < 0:
            return
        _flush_stderr()
        os.dup2(_withheld_stderr, 2)
        os.close(_withheld_stderr)
        _withheld_stderr = -1


def _flush_stderr() -> None:
    if sys.stderr is not None and not sys.stderr.closed:
        sys.stderr.flush()
