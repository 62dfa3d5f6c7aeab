"""The result folder: wholly of one measurement, or not there at all."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from vision_rom.errors import OutputError
from vision_rom.handover import SIDES, Reading, Side
from vision_rom.pain import ReadingPain
from vision_rom.readings import Measurement
from vision_rom.report.document import check_document, reading_document, to_json
from vision_rom.spool import let_go
from vision_rom.whole_files import PREFIX, exchange, whole_folder

if TYPE_CHECKING:
    from vision_rom.report.pictures import Frames

READING_FILES = (
    "annotated.mp4",
    "angles.csv",
    "curve.png",
    "examination.jpg",
    "segments.csv",
    "peak_left.jpg",
    "peak_right.jpg",
    "sheet_left.jpg",
    "sheet_right.jpg",
    "to_mark_left.jpg",
    "to_mark_right.jpg",
    "pain_left.png",
    "pain_right.png",
    "reading.json",
)


def default_folder(clip: Path) -> Path:
    """Return ``CLIP-stem.reading`` beside the clip."""
    return clip.with_name(f"{clip.stem}.reading")


@contextmanager
def staged(folder: Path) -> Iterator[Path]:
    """Give a temporary folder on the same disk whose files are in ``folder`` when the block ends well.

    A new folder appears by one rename, and one that exists is exchanged in one step for a new one that has its other files too, so
    that nobody ever meets the files of two measurements. Where the system cannot exchange folders (another than Linux, some
    network drives) whole files replace whole files and the last one to move is ``reading.json``. After an error or Ctrl-C nothing
    of the temporary folder remains; after a kill it goes with the next result for the same folder.

    Raises
    ------
    OutputError
        The disk is full, or the folder may not be written.

    """
    try:
        # a link stays a link: what it leads to is exchanged
        target = folder.resolve()
        target.parent.mkdir(parents=True, exist_ok=True)
        with whole_folder(target) as stage:
            yield stage
            _put_in_place(stage, target)
    except OSError as error:
        raise OutputError(_sentence(folder, error)) from error


def _put_in_place(stage: Path, folder: Path) -> None:
    stage.chmod(0o777 & ~_umask())
    if not folder.exists():
        try:
            stage.rename(folder)
            return
        except OSError:
            # another process may have made it meanwhile
            if not folder.exists():
                raise
    if not folder.is_dir():
        raise OutputError(f"{folder} is a file; name a folder for the results with --out.")
    made = sorted(stage.iterdir(), key=lambda path: (path.name == "reading.json", path.name))
    names = {path.name for path in made}
    if stage.parent == folder.parent and _exchanged(stage, folder, names):
        return
    for name in set(READING_FILES) - names:
        (folder / name).unlink(missing_ok=True)
    for path in made:
        path.replace(folder / path.name)


def _exchanged(stage: Path, folder: Path, made: set[str]) -> bool:
    """Exchange the folder for the stage after giving it the files that are not a measurement's; False where that cannot be."""
    for path in folder.iterdir():
        if path.name in made or path.name in READING_FILES or path.name.startswith(PREFIX):
            continue
        if path.is_dir() and not path.is_symlink():
            shutil.copytree(path, stage / path.name, symlinks=True, copy_function=_second_name)
        else:
            _second_name(path, stage / path.name)
    stage.chmod(folder.stat().st_mode & 0o7777)
    return exchange(stage, folder)


def _second_name(old: str | Path, new: str | Path) -> None:
    """Give a file a second name, or copy it where there are none."""
    try:
        os.link(old, new, follow_symlinks=False)
    except OSError:
        shutil.copy2(old, new, follow_symlinks=False)


def frames_shown(measurement: Measurement) -> Frames:
    """Return the recording's pictures that the result folder shows, by their index."""
    from vision_rom.report.contact_sheet import key_pictures
    from vision_rom.report.pictures import frames_near

    # the middle of the best hold, which is the peak's picture, is one of the key pictures
    moments = [
        (reading, key.time_s)
        for _, reading, pain in _shown(measurement)
        for key in key_pictures(measurement, reading, pain)
    ]
    return frames_near(measurement, moments) if moments else {}


def _shown(measurement: Measurement) -> list[tuple[Side, Reading, ReadingPain | None]]:
    """Return the first measured reading of each side, with its pain where that was recorded."""
    shown = []
    for side in SIDES:
        measured = [
            (side, reading, measurement.pain[index] if measurement.pain else None)
            for index, reading in enumerate(measurement.readings)
            if reading.side == side and reading.status == "measured"
        ]
        shown += measured[:1]
    return shown


def write_reading_files(measurement: Measurement, stage: Path) -> None:
    """Write the reading document, tables and pictures into an existing folder; the annotated recording is written apart."""
    # plotting and pictures load only when something is written
    from vision_rom.report.contact_sheet import contact_sheet_jpeg
    from vision_rom.report.curve import curve_png
    from vision_rom.report.dial import dial_png
    from vision_rom.report.pictures import peak_jpeg, picture_to_mark
    from vision_rom.report.tables import write_angles

    let_go()
    document = reading_document(measurement)
    check_document(document)
    shown = _shown(measurement)
    with ThreadPoolExecutor(1, thread_name_prefix="pictures") as beside:
        # decoding leaves Python to the table and the curve
        found = beside.submit(frames_shown, measurement)
        write_angles(measurement, stage / "angles.csv")
        (stage / "curve.png").write_bytes(curve_png(measurement))
        frames = found.result()
    let_go()
    for side, reading, pain in shown:
        picture = peak_jpeg(measurement, reading, frames)
        if picture is not None:
            (stage / f"peak_{side}.jpg").write_bytes(picture)
        sheet = contact_sheet_jpeg(measurement, reading, pain, frames)
        if sheet is not None:
            (stage / f"sheet_{side}.jpg").write_bytes(sheet)
        if pain is not None and pain.arc.pattern not in ("not recorded", "none"):
            (stage / f"pain_{side}.png").write_bytes(dial_png(reading, pain))
    for place in measurement.places:
        to_mark = picture_to_mark(measurement, place)
        if to_mark is not None:
            (stage / f"to_mark_{place.side}.jpg").write_bytes(to_mark)
    if measurement.segments:
        from vision_rom.report.cells import csv_of_table
        from vision_rom.report.examination import best_pictures_jpeg, examination_table

        table = examination_table(measurement).round({"start_s": 2, "end_s": 2, "confidence": 2})
        (stage / "segments.csv").write_text(csv_of_table(table), encoding="utf-8")
        pictures = best_pictures_jpeg(measurement)
        if pictures is not None:
            (stage / "examination.jpg").write_bytes(pictures)
    (stage / "reading.json").write_text(to_json(document), encoding="utf-8")


def _umask() -> int:
    current = os.umask(0o022)
    os.umask(current)
    return current


def _sentence(folder: Path, error: OSError) -> str:
    reason = error.strerror or str(error)
    return f"The results cannot be written to {folder}: {reason}. Free some space or name another folder with --out."
