"""``vision-rom demo``: an invented clinic with one invented patient over three visits, so that a newcomer sees a history."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vision_rom.errors import UsageError

if TYPE_CHECKING:
    from vision_rom.handover import Side
    from vision_rom.pain.recorded import PainAsked

CODE = "demo-patient"
EXAMINER = "Dr Imaginary"
VISITS = (
    ("2026-03-02", 78.0, "holds the right shoulder high"),
    ("2026-04-13", 104.0, "less guarding"),
    ("2026-06-01", 142.0, "nothing of note"),
)
"""Date, and how far the right arm goes, in degrees"""
SOUND_DEG = 158.0
PERSON, ROOM = 80_001, 29_000
"""Seeds that no training, calibration or proof uses"""


def demo_command(
    records: Annotated[Path, typer.Option("--records", metavar="FOLDER", help="A new folder.")] = Path("demo_records"),
) -> int:
    """Make records of an invented patient over three visits from rendered recordings, with a report of each."""
    from vision_rom.cli.measuring import progress_shown
    from vision_rom.handover import SIDES
    from vision_rom.records import Episode, Patient, Records, Visit
    from vision_rom.records.measuring import measure_into
    from vision_rom.synthetic.raster import check_vtk
    from vision_rom.visit_report.files import write_visit_report

    # before the folder is made, which would not be new the next time
    check_vtk()
    if records.exists() and any(records.iterdir()):
        raise UsageError(f"'{records}' is not empty; name a new folder for the demo with --records.")
    with Records(records, who=EXAMINER) as kept, progress_shown("demo", sys.stderr.isatty()) as on_progress:
        patient = kept.add_patient(Patient(CODE, 1971, "female", "right", "swimming"), name="Imagined Person")
        kept.add_episode(Episode(patient.id, "right", "stiff, painful shoulder", "2026-01-20"))
        episode = kept.episodes(patient)[0]
        strength = {"kind": "strength", "name": "abduction", "side": "right", "grade": 4, "painful": True}
        for day, peak_deg, inspection in VISITS:
            visit = kept.add_visit(
                Visit(patient.id, day, episode.id, examiner=EXAMINER, inspection=inspection), findings=[strength]
            )
            for side in SIDES:
                top = peak_deg if side == "right" else SOUND_DEG
                clip, pain = _recording(records / "recordings", day, side, top, on_progress)
                _, stored = measure_into(
                    kept,
                    visit,
                    clip,
                    movement="abduction",
                    side=side,
                    pain=pain,
                    consent=True,
                    on_progress=on_progress,
                )
                for reading in stored:
                    kept.review(reading, "accepted")
            for path in write_visit_report(kept, visit, kept.folder_of(visit)):
                print(path)
            write_visit_report(kept, visit, kept.folder_of(visit), reader="patient")
    print(f"See the history with: vision-rom patient history {CODE} --records {records}")
    return 0


def _recording(
    folder: Path, day: str, side: Side, peak_deg: float, on_progress: Callable[[str, float | None], None]
) -> tuple[Path, PainAsked]:
    """Render one visit's recording of one arm; the painful arm hurts in the upper part of its way."""
    from vision_rom.pain.recorded import PainAsked
    from vision_rom.synthetic.camera import Camera
    from vision_rom.synthetic.clip_description import ClipDescription
    from vision_rom.synthetic.script import Compensation, Exercise, Repetition, Script
    from vision_rom.synthetic.synth import render_clip

    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{day}_abduction_{side}.mp4"
    limited = side == "right"
    lean = Compensation(lean_away_deg=8.0, hike_m=0.02) if limited and peak_deg < 120 else Compensation()
    # slow, as is asked for where pain is marked
    repetitions = (Repetition(peak_deg, 3.6, 0.9, 3.6, rest_s=0.5),)
    exercise = Exercise("abduction", side, repetitions, ready_s=0.4, compensation=lean)
    description = ClipDescription(
        person=PERSON,
        script=Script(acts=(exercise,), seed=int(day[5:7])),
        camera=Camera(distance_m=2.8, width_px=384, height_px=512),
        room=ROOM,
        rate_hz=15.0,
        seed=int(day[5:7]),
    )
    render_clip(description, path, progress=lambda drawn, total: on_progress(f"rendering {path.stem}", drawn / total))
    marks = ("2.7-6.8:6",) if limited and peak_deg < 120 else ()
    return path, PainAsked(typed=marks, none=not marks)
