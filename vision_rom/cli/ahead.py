"""What a command needs once the pictures are looked at, loaded while they are.

Loading takes one core some two seconds, on which nothing waits while the networks run.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from importlib import import_module
from threading import Event, Thread
from typing import Final

LOADED: Final = (
    "scipy.ndimage",
    "scipy.optimize",
    "scipy.signal",
    "vision_rom.report.tables",
    "vision_rom.report.curve",
    "vision_rom.report.contact_sheet",
    "vision_rom.report.dial",
    "vision_rom.report.screen",
)
"""In the order in which they are needed"""
STAGE: Final = "finding the patient"
"""Before this stage Python itself is busy, and loading would only delay it."""

_OnProgress = Callable[[str, float | None], None]


@contextmanager
def loaded_ahead(on_progress: _OnProgress) -> Iterator[_OnProgress]:
    """Give a function that passes progress on; from the first picture on, the rest is loaded on a thread.

    Whatever ends the block waits for the one library that is being loaded and for no other. A library that cannot be loaded is no
    matter here: whoever needs it meets the fault.
    """
    begin, end = Event(), Event()

    def load() -> None:
        begin.wait()
        for name in LOADED:
            if end.is_set():
                return
            with suppress(Exception):
                import_module(name)
        if not end.is_set():
            from vision_rom.learned import load_arm_network
            from vision_rom.movements import load_catalogue

            with suppress(Exception):
                load_catalogue()
                load_arm_network()

    def told(stage: str, fraction: float | None) -> None:
        if stage == STAGE:
            begin.set()
        on_progress(stage, fraction)

    thread = Thread(target=load, name="ahead", daemon=True)
    thread.start()
    try:
        yield told
    finally:
        end.set()
        begin.set()
        thread.join()
