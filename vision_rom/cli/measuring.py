"""What ``vision-rom measure`` does around the pipeline: progress, the folder, the table, the exit code."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from vision_rom.cli.ahead import loaded_ahead
from vision_rom.errors import EXIT_MEASURED, NothingMeasurable, UsageError
from vision_rom.handover import Motion, PersonFacts
from vision_rom.pain.recorded import PainAsked

if TYPE_CHECKING:
    from vision_rom.camera.patient import CameraAsked


@dataclass(frozen=True)
class MeasureRequest:
    """The command's arguments."""

    clip: Path
    movement: str | None
    side: Literal["left", "right", "both"] | None
    out: Path | None
    json_wanted: bool
    model: Literal["full", "heavy"]
    method: Literal["learned", "picture"]
    mirrored: bool
    time_factor: float
    person: int | Literal["follower", "leader"] | None
    rate_hz: float | None
    cache: Path | None
    no_cache: bool
    camera: Path | None = None
    """Camera profile"""
    zoom: float | None = None
    equivalent_mm: float | None = None
    tilt_deg: tuple[float, float] | None = None
    """The phone tipped upwards, and rolled clockwise"""
    findings: Path | None = None
    video: bool = False
    show_faces: bool = False
    sequence: str | None = None
    """Name of a sequence, or a file"""
    motion: Motion = "active"
    body_height_cm: float | None = None
    known_length: str | None = None
    """A part of the body or two picture points, and its length in cm"""
    marks: tuple[str, ...] = ()
    """Points that the user marked in the picture"""
    mark_sd: float | None = None
    about: PersonFacts = field(default_factory=PersonFacts)
    pain: PainAsked = field(default_factory=PainAsked)


def measure_and_write(request: MeasureRequest) -> int:
    """Measure, write the result folder, print, and return the exit code."""
    with progress_shown(request.clip.name, sys.stderr.isatty()) as shown, loaded_ahead(shown) as on_progress:
        on_progress("starting", None)
        from vision_rom.angles.across_body import MARK_SD_WIDTHS
        from vision_rom.camera.known_length import parse_known_length
        from vision_rom.clip.files import check_readable
        from vision_rom.marked import parse_marks
        from vision_rom.measure import measure
        from vision_rom.movements.sequences import read_sequence
        from vision_rom.places import in_cm
        from vision_rom.readings import with_motion
        from vision_rom.recorded_pain import table_beside, with_findings, with_pain
        from vision_rom.report.document import reading_document, to_json
        from vision_rom.report.folder import default_folder, staged, write_reading_files

        # before any folder is made, whose name may be as impossible as the recording's
        check_readable(request.clip)
        marks = parse_marks(request.marks)
        camera, pain = _camera_asked(request), request.pain
        known_length = None if request.known_length is None else parse_known_length(request.known_length)
        if pain.table is None and not pain.none:
            pain = replace(pain, table=table_beside(request.clip))
        folder = request.out or default_folder(request.clip)
        with staged(folder) as stage:
            # a folder that is still to be made takes its cache along when it appears
            cache = request.cache or (folder if folder.is_dir() else stage)
            measurement = measure(
                request.clip,
                movement=request.movement,
                side=request.side,
                model=request.model,
                method=request.method,
                mirrored=request.mirrored,
                time_factor=request.time_factor,
                person=request.person,
                rate_hz=request.rate_hz,
                camera=camera,
                known_length=known_length,
                order=read_sequence(request.sequence) if request.sequence else (),
                marks=marks,
                mark_sd=MARK_SD_WIDTHS if request.mark_sd is None else request.mark_sd,
                cache=None if request.no_cache else cache,
                on_progress=on_progress,
            )
            measurement = replace(with_motion(measurement, request.motion), person=request.about)
            if request.body_height_cm is not None:
                # a sheet on the wall or a length that was named tells more than the patient's height
                lengths = tuple(
                    one if math.isfinite(one.cm) else in_cm(one, request.body_height_cm, measurement.track)
                    for one in measurement.places
                )
                measurement = replace(measurement, places=lengths)
            measurement = with_pain(measurement, pain)
            if request.findings is not None:
                measurement = with_findings(measurement, request.findings)
            on_progress("writing", None)
            write_reading_files(measurement, stage)
            if request.video and len(measurement.track.time_s):
                from vision_rom.report.video import write_annotated_clip

                write_annotated_clip(
                    measurement,
                    stage / "annotated.mp4",
                    hide_faces=not request.show_faces,
                    on_frame=lambda share: on_progress("drawing", share),
                )
    if request.json_wanted:
        sys.stdout.write(to_json(reading_document(measurement)))
    else:
        from rich.console import Console

        from vision_rom.report.screen import print_measurement

        console = Console()
        print_measurement(measurement, console)
        console.print(f"Results: {folder}", highlight=False, soft_wrap=True, markup=False)
    measured = any(one.status == "measured" for one in measurement.readings)
    measured |= any(one.status == "measured" for one in measurement.places)
    return EXIT_MEASURED if measured else NothingMeasurable.exit_code


def person_asked(text: str | None) -> int | Literal["follower", "leader"] | None:
    """Return who was named as the patient; UsageError where it is neither a number nor a role."""
    if text is None:
        return None
    if text == "follower":
        return "follower"
    if text == "leader":
        return "leader"
    if text.isdecimal() and int(text) >= 1:
        return int(text)
    raise UsageError(f"--person takes a number from 1 on, follower or leader, not {text!r}.")


def _camera_asked(request: MeasureRequest) -> CameraAsked | None:
    """Return what is said of the camera; None where nothing is."""
    from vision_rom.camera.patient import CameraAsked
    from vision_rom.camera.placement import level_from_user
    from vision_rom.camera.profile import read_profile

    if request.camera is None and request.equivalent_mm is None and request.tilt_deg is None:
        if request.zoom is not None:
            raise UsageError("--zoom means something with --camera PROFILE only.")
        return None
    if request.camera is not None and request.equivalent_mm is not None:
        raise UsageError("Give --camera or --equivalent-mm, not both: the profile states the focal length.")
    tilt = request.tilt_deg
    return CameraAsked(
        profile=None if request.camera is None else read_profile(request.camera),
        zoom=request.zoom,
        equivalent_mm=request.equivalent_mm,
        level=None if tilt is None else level_from_user(pitch_deg=tilt[0], roll_deg=tilt[1]),
    )


@contextmanager
def progress_shown(title: str, shown: bool) -> Iterator[Callable[[str, float | None], None]]:
    """Show stage and fraction on stderr while the block runs; give the function that reports them."""
    if not shown:
        yield lambda stage, fraction: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f}%"),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(title, total=None)

        def report(stage: str, fraction: float | None) -> None:
            total = None if fraction is None else 1.0
            bar.update(task, description=f"{title}: {stage}", completed=fraction or 0.0, total=total)

        yield report
