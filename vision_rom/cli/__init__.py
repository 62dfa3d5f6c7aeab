"""The command line."""

from __future__ import annotations

import os
import sys
from contextlib import suppress

from vision_rom.errors import EXIT_INTERRUPTED, OutputError

UNWRITTEN = OutputError.exit_code
STOPPED = "vision-rom: stopped; nothing half-written was left."


def _say_no_more() -> None:
    """Turn the error stream away: native threads that were loading a network when Ctrl-C came go on writing their log."""
    if sys.stderr is not None and not sys.stderr.closed:
        sys.stderr.flush()
    with suppress(OSError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 2)
        os.close(nowhere)


def _said_all(code: int) -> int:
    """Return the exit code, another one where what was printed did not arrive."""
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        # whoever read it had enough, as `head` has
        pass
    except OSError as error:
        if code != UNWRITTEN:
            print(f"vision-rom: What was printed did not arrive: {error.strerror or error}.", file=sys.stderr)
        code = UNWRITTEN
    else:
        return code
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.close(nowhere)
    return code


def main() -> None:
    """Run ``vision-rom`` and end the process with a documented exit code."""
    try:
        # Ctrl-C may come while this loads, which takes longer than many commands
        from vision_rom.cli.app import run

        code = run()
        # what was printed is a result too, and may not fit where it goes
        code = _said_all(code)
    except KeyboardInterrupt:
        print(STOPPED, file=sys.stderr)
        code = EXIT_INTERRUPTED
    if code == EXIT_INTERRUPTED:
        _say_no_more()
        # CPython notes a Ctrl-C that came inside evaluated text, as in the making of a dataclass, and would end the
        # process by the signal instead of by our code; evaluating any text takes the note back
        eval("None")
    raise SystemExit(code)
