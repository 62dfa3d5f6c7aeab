"""Libraries loaded while pictures are looked at."""

from __future__ import annotations

import importlib
import sys
import threading

import pytest

from vision_rom.cli import ahead


@pytest.fixture
def asked(monkeypatch):
    """Names of the modules that were asked for; none is really loaded."""
    names = []
    monkeypatch.setattr(ahead, "import_module", names.append)
    return names


def test_every_module_exists():
    for name in ahead.LOADED:
        importlib.import_module(name)
        assert name in sys.modules


def test_loading_begins_with_the_first_picture_and_ends_with_the_block(asked):
    told = []
    with ahead.loaded_ahead(lambda *what: told.append(what)) as on_progress:
        on_progress("starting", None)
        assert asked == []
        on_progress(ahead.STAGE, 0.1)
        on_progress("writing", None)
        assert any(one.name == "ahead" for one in threading.enumerate()) or asked
    assert told == [("starting", None), (ahead.STAGE, 0.1), ("writing", None)]
    assert not any(one.name == "ahead" for one in threading.enumerate())


def test_without_pictures_nothing_is_loaded(asked):
    with ahead.loaded_ahead(lambda stage, share: None):
        pass
    assert asked == []


def test_leaving_early_waits_for_one_library_at_most(monkeypatch):
    loading, go_on, asked = threading.Event(), threading.Event(), []

    def slow(name):
        asked.append(name)
        loading.set()
        go_on.wait(10)

    monkeypatch.setattr(ahead, "import_module", slow)

    def interrupted():
        with ahead.loaded_ahead(lambda stage, share: None) as on_progress:
            on_progress(ahead.STAGE, None)
            assert loading.wait(10)
            threading.Timer(0.2, go_on.set).start()
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert asked == [ahead.LOADED[0]]


def test_a_library_that_cannot_be_loaded_is_no_matter_here(monkeypatch):
    asked = []

    def broken(name):
        asked.append(name)
        raise ImportError(name)

    monkeypatch.setattr(ahead, "import_module", broken)
    done = threading.Event()
    monkeypatch.setattr("vision_rom.movements.load_catalogue", done.set)
    with ahead.loaded_ahead(lambda stage, share: None) as on_progress:
        on_progress(ahead.STAGE, None)
        assert done.wait(10)
    assert asked == list(ahead.LOADED)
