"""Templates and languages. Everything is escaped; nothing of a user is ever part of a template."""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import lru_cache
from importlib.resources import files
from typing import Any

import jinja2
from babel.messages.pofile import read_po
from starlette.requests import Request
from starlette.responses import HTMLResponse

from vision_rom.errors import UsageError
from vision_rom.movements import movement as movement_named
from vision_rom.web.model import Session

LANGUAGES = {"en": "English", "de": "Deutsch"}


@lru_cache
def _messages(language: str) -> Mapping[str, str]:
    """Return the translations of a language (gettext's PO files); English is what the templates say."""
    if language not in LANGUAGES or language == "en":
        return {}
    with files("vision_rom.web").joinpath(f"locale/{language}.po").open("rb") as file:
        catalogue = read_po(file)
    return {str(one.id): str(one.string) for one in catalogue if one.id and one.string}


def translated(text: str, language: str) -> str:
    """Return a text in a language; in English where it is not translated."""
    return _messages(language).get(text, text)


@lru_cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("vision_rom.web", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["plain"] = plain_name
    environment.filters["degrees"] = in_degrees
    return environment


def in_degrees(value: float) -> str:
    """Return an angle in whole degrees, a hyphen where it is not known."""
    return f"{value:z.0f}°" if math.isfinite(value) else "-"


def plain_name(name: str | None) -> str:
    """Return the title of a movement, or the name itself with spaces."""
    if not name:
        return ""
    try:
        return movement_named(name).title
    except UsageError:
        return name.replace("_", " ")


def page(
    request: Request, template: str, session: Session | None = None, *, status: int = 200, **values: Any
) -> HTMLResponse:
    """Return a page of the clinic's side."""
    text = _environment().get_template(template).render(request=request, session=session, **values)
    return HTMLResponse(text, status_code=status)


def home_page(template: str, language: str, *, status: int = 200, **values: Any) -> HTMLResponse:
    """Return a page of the patient's side in a language."""

    def said(text: str, **inserted: Any) -> str:
        return translated(text, language).format(**inserted) if inserted else translated(text, language)

    text = _environment().get_template(template).render(_=said, language=language, languages=LANGUAGES, **values)
    return HTMLResponse(text, status_code=status)


def language_of(request: Request, default: str) -> str:
    """Return the language that the patient chose, else what the browser prefers, else the task's."""
    chosen = request.query_params.get("language", "")
    if chosen in LANGUAGES:
        return chosen
    kept = request.cookies.get("language", "")
    if kept in LANGUAGES:
        return kept
    if default in LANGUAGES and default != "en":
        return default
    for part in request.headers.get("accept-language", "").split(","):
        code = part.split(";")[0].strip()[:2].lower()
        if code in LANGUAGES:
            return code
    return "en"
