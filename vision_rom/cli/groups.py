"""Commands under one name, as ``vision-rom patient add``."""

from __future__ import annotations

import typer


def group(name: str, about: str) -> typer.Typer:
    """Return an empty group of commands; its help is plain text, and shown where no command is named."""
    return typer.Typer(name=name, help=about, no_args_is_help=True, add_completion=False, rich_markup_mode=None)
