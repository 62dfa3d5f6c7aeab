"""The command line."""

from __future__ import annotations


def main() -> None:
    """Run ``vision-rom`` and end the process with a documented exit code."""
    from vision_rom.cli.app import run

    raise SystemExit(run())
