"""What the patient reads: complete in every language, in short words, with the placeholders kept."""

from __future__ import annotations

import re
from importlib.resources import files

import jinja2
import pytest
from jinja2 import nodes

from vision_rom.movements import load_catalogue
from vision_rom.web import home_words
from vision_rom.web.pages import LANGUAGES, translated

TABLES = (
    home_words.TITLES, home_words.HOW_TO_MOVE, home_words.HOW_TO_FILM, home_words.FAULTS, home_words.STOP_REASONS,
)  # fmt: skip
SENT_BY_THE_SERVER = (
    "This link is no longer open. Please ask the clinic for a new one.",
    "Too many tries. Please wait a minute and try again.",
)


def said_in_templates() -> set[str]:
    """Every text that a template of the patient's side puts through the translation."""
    folder = files("vision_rom.web").joinpath("templates")
    found: set[str] = set()
    for file in folder.iterdir():
        if not file.name.startswith("home"):
            continue
        for call in jinja2.Environment().parse(file.read_text(encoding="utf-8")).find_all(nodes.Call):
            if isinstance(call.node, nodes.Name) and call.node.name == "_" and isinstance(call.args[0], nodes.Const):
                found.add(call.args[0].value)
    return found


def everything_said() -> list[str]:
    texts = {text for table in TABLES for text in table.values()} | said_in_templates() | set(SENT_BY_THE_SERVER)
    return sorted(texts)


def test_there_is_something_to_say() -> None:
    assert len(said_in_templates()) > 40


@pytest.mark.parametrize("language", [one for one in LANGUAGES if one != "en"])
def test_every_text_is_translated_with_its_placeholders(language: str) -> None:
    missing = [text for text in everything_said() if translated(text, language) == text]
    assert missing == []
    for text in everything_said():
        assert re.findall(r"{\w+}", translated(text, language)) == re.findall(r"{\w+}", text), text


def test_every_measured_movement_is_explained() -> None:
    names = {one.name for one in load_catalogue().measured()}
    assert set(home_words.TITLES) == set(home_words.HOW_TO_MOVE) == names
    loops = files("vision_rom.web").joinpath("static/movements")
    assert {one.name for one in loops.iterdir()} == {
        f"{name}_{side}.mp4" for name in names for side in ("left", "right")
    }


@pytest.mark.parametrize("text", everything_said())
def test_sentences_are_short(text: str) -> None:
    # our own choice: a child of twelve follows a sentence of 30 words; consent and choices are the longest
    assert max(len(sentence.split()) for sentence in re.split(r"[.:?!]", text)) <= 30
    assert max((len(word) for word in re.findall(r"[A-Za-z]+", text)), default=0) <= 12
