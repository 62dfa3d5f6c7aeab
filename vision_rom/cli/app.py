"""The commands and how they end: one sentence and a stable exit code, never a traceback for a user's mistake.

Everything heavy is imported inside the commands, so that ``--help`` answers at once.
"""

from __future__ import annotations

import sqlite3
import sys
from collections.abc import Sequence
from enum import Enum
from pathlib import Path
from typing import Annotated, Literal

import typer

from vision_rom import __version__
from vision_rom.cli import STOPPED
from vision_rom.cli.agree import agree_command, sample_size_command
from vision_rom.cli.batch import batch_command
from vision_rom.cli.camera import camera_app
from vision_rom.cli.demo import demo_command
from vision_rom.cli.filming import filming_command
from vision_rom.cli.prove import prove_command
from vision_rom.cli.records import patient_app, reading_app, visit_app
from vision_rom.cli.serve import account_app, serve_command
from vision_rom.cli.synth import synth_command
from vision_rom.errors import (
    EXIT_INTERRUPTED,
    InstallationError,
    UsageError,
    VisionRomError,
    missing_library_sentence,
    refused_by_the_machine,
)


class PainSignal(Enum):
    """What can be looked for; typer takes no list of plain literals."""

    HAND = "hand"
    SOUND = "sound"


app = typer.Typer(
    name="vision-rom",
    help="Joint angles of the active shoulder examination from a phone recording, with their error. Not a diagnosis.",
    epilog="Exit codes: 0 measured, 2 usage, 3 recording unreadable, 4 nothing measurable in it, 5 result not written, "
    "6 installation incomplete, 130 stopped with Ctrl-C.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


# some versions of typer bring their own copy of click, so its root error is found through typer and not imported
_WRONG_OPTION: type[Exception] = next(kind for kind in typer.BadParameter.__mro__ if kind.__name__ == "ClickException")


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code; expected errors are printed to stderr as one sentence."""
    try:
        result = app(args=arguments, standalone_mode=False)
    except VisionRomError as error:
        print(f"vision-rom: {error}", file=sys.stderr)
        return error.exit_code
    except typer.Exit as end:
        result = end.exit_code
    except (KeyboardInterrupt, typer.Abort):
        result = EXIT_INTERRUPTED
    except _WRONG_OPTION as error:
        error.show()  # type: ignore[attr-defined]
        return UsageError.exit_code
    except ImportError as error:
        # whatever was to be loaded, and by whom: without it nothing can be done
        print(f"vision-rom: {missing_library_sentence(error)}", file=sys.stderr)
        return InstallationError.exit_code
    except (OSError, MemoryError, sqlite3.Error) as error:
        refused = refused_by_the_machine(error)
        print(f"vision-rom: {refused}", file=sys.stderr)
        return refused.exit_code
    except SystemExit as end:
        # typer ends so when the reader of our output has gone, as with `| head`: nothing went wrong
        if not isinstance(end.__context__, BrokenPipeError):
            raise
        return 0
    # typer itself turns Ctrl-C into this code, so the sentence is said here for both
    if result == EXIT_INTERRUPTED:
        print(STOPPED, file=sys.stderr)
    return int(result) if isinstance(result, int) else 0


def _print_version(wanted: bool) -> None:
    if wanted:
        print(f"vision-rom {__version__}")
        raise typer.Exit


@app.callback()
def common(
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    """Measure joint angles in recordings of the active shoulder examination."""


@app.command("measure")
def measure_command(
    clip: Annotated[Path, typer.Argument(help="The recording.", metavar="CLIP", show_default=False)],
    movement: Annotated[
        str | None,
        typer.Option(help="Movement that was recorded; without it one is chosen from view and direction of motion."),
    ] = None,
    side: Annotated[
        Literal["left", "right", "both"] | None,
        typer.Option(help="The patient's side; without it the side that moves."),
    ] = None,
    out: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Folder for the results  [default: CLIP-stem.reading]")
    ] = None,
    json_wanted: Annotated[
        bool, typer.Option("--json", help="Print the reading document on stdout and nothing else.")
    ] = False,
    model: Annotated[Literal["full", "heavy"], typer.Option(help="Pose network.")] = "full",
    method: Annotated[
        Literal["learned", "picture"],
        typer.Option(help="Way to the angle: the arm's learned direction, or the plain angle in the picture."),
    ] = "learned",
    mirrored: Annotated[
        bool, typer.Option("--mirrored", help="The picture itself was flipped, as some selfie cameras do.")
    ] = False,
    time_factor: Annotated[
        float, typer.Option(help="Real seconds per recorded second; 0.125 for 240 pictures a second played at 30.")
    ] = 1.0,
    person: Annotated[
        str | None,
        typer.Option(
            help="Which person is the patient: a number counted from the left of the picture, or follower for the one who copies "
            "what another shows (leader for the other)."
        ),
    ] = None,
    sequence: Annotated[
        str | None,
        typer.Option(
            metavar="NAME|FILE",
            help="Movements that were asked for, in their order: shoulder_active, or a TOML file of [[step]] tables. A recording of "
            "several movements is taken apart without it too.",
        ),
    ] = None,
    age: Annotated[
        float | None, typer.Option(min=0.0, max=120.0, help="The patient's age in years, for published ranges.")
    ] = None,
    sex: Annotated[
        Literal["female", "male"] | None, typer.Option(help="The patient's sex, for published ranges.")
    ] = None,
    dominant: Annotated[
        Literal["left", "right"] | None, typer.Option(help="The patient's dominant side, for the usual difference.")
    ] = None,
    body_height: Annotated[
        float | None,
        typer.Option(
            min=50.0,
            max=250.0,
            metavar="CM",
            help="The patient's height: gives the hand behind the back, and the elbow across the body, in cm too.",
        ),
    ] = None,
    known_length: Annotated[
        str | None,
        typer.Option(
            metavar="WHAT=CM",
            help="A length you know, for the hand behind the back and the elbow across the body in cm: UPPER_ARM (acromion to elbow), FOREARM (elbow to wrist) or "
            "SPINE (C7 to the sacrum), by tape, as UPPER_ARM=31; or the ends of a rod at the patient's distance, in pixels: "
            "X1,Y1,X2,Y2=100.",
        ),
    ] = None,
    mark: Annotated[
        list[str] | None,
        typer.Option(
            metavar="POINT@SECONDS=X,Y",
            help="For adduction across the body: the elbow's middle that you saw in the upright picture of the furthest position, in pixels, as "
            "right_elbow@7.4=312,250, and where you wish its shoulder, as right_shoulder@7.4=250,244; repeat for sides and repetitions.",
        ),
    ] = None,
    mark_sd: Annotated[
        float | None,
        typer.Option(
            metavar="WIDTHS",
            help="How unsure a mark is: its standard deviation in shoulder widths  [default: 0.05]",
            show_default=False,
        ),
    ] = None,
    motion: Annotated[
        Literal["active", "assisted", "passive"],
        typer.Option(help="Who moved the arm: the patient, with help, or you."),
    ] = "active",
    rate: Annotated[
        float, typer.Option(min=0.0, help="Pictures a second that are looked at; 0 looks at every one.")
    ] = 30.0,
    camera: Annotated[
        Path | None,
        typer.Option(
            metavar="PROFILE", help="Camera profile of the phone: removes the lens's distortion and the tilt."
        ),
    ] = None,
    zoom: Annotated[float | None, typer.Option(min=0.01, help="Zoom, if other than the profile's.")] = None,
    equivalent_mm: Annotated[
        float | None, typer.Option(min=1.0, help="Focal length equivalent to 35 mm film, if there is no profile.")
    ] = None,
    tilt: Annotated[
        tuple[float, float] | None,
        typer.Option(
            metavar="UP CLOCKWISE",
            help="Degrees by which the phone was tipped upwards and rolled clockwise, as its spirit level shows; without it "
            "the tilt is looked for where a camera is named.",
        ),
    ] = None,
    video: Annotated[
        bool,
        typer.Option("--video", help="Also write annotated.mp4: the recording with lines and angle, heads hidden."),
    ] = False,
    show_faces: Annotated[
        bool, typer.Option("--show-faces", help="Leave heads in annotated.mp4 as they are; ask for consent first.")
    ] = False,
    pain: Annotated[
        list[str] | None,
        typer.Option(
            metavar="START-END:SCORE", help="When it hurt, in seconds, and how much (0 to 10), as 3.2-4.6:5; repeat."
        ),
    ] = None,
    pain_table: Annotated[
        Path | None,
        typer.Option(metavar="CSV", help="The same as a table: start_s, end_s, score  [default: CLIP-stem.pain.csv]"),
    ] = None,
    pain_signal: Annotated[
        list[PainSignal] | None,
        typer.Option(help="Look for a signal of pain in the recording: the other hand held up, or claps; repeat."),
    ] = None,
    no_pain: Annotated[bool, typer.Option("--no-pain", help="Asked throughout, and it did not hurt.")] = False,
    pain_at_rest: Annotated[
        float, typer.Option(metavar="SCORE", help="Pain before the first movement, 0 to 10.", show_default=False)
    ] = float("nan"),
    findings: Annotated[
        Path | None,
        typer.Option(
            metavar="TOML", help="The examiner's other findings: [[finding]] tables with kind, name, side ..."
        ),
    ] = None,
    stopped_because: Annotated[str, typer.Option(metavar="TEXT", help="Why the movement was stopped.")] = "",
    cache: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Folder for found landmarks  [default: the result folder]")
    ] = None,
    no_cache: Annotated[bool, typer.Option("--no-cache", help="Neither use nor keep found landmarks.")] = False,
) -> int:
    """Measure a recording: readings on the terminal, reading.json, tables and pictures in a folder."""
    from vision_rom.cli.measuring import MeasureRequest, measure_and_write, person_asked
    from vision_rom.handover import PersonFacts
    from vision_rom.pain.recorded import PainAsked

    return measure_and_write(
        MeasureRequest(
            clip=clip,
            movement=movement,
            side=side,
            out=out,
            json_wanted=json_wanted,
            model=model,
            method=method,
            mirrored=mirrored,
            time_factor=time_factor,
            person=person_asked(person),
            sequence=sequence,
            motion=motion,
            body_height_cm=body_height,
            known_length=known_length,
            marks=tuple(mark or ()),
            mark_sd=mark_sd,
            about=PersonFacts(age=age, sex=sex, dominant=dominant),
            rate_hz=rate or None,
            camera=camera,
            zoom=zoom,
            equivalent_mm=equivalent_mm,
            tilt_deg=tilt,
            video=video,
            show_faces=show_faces,
            findings=findings,
            pain=PainAsked(
                typed=tuple(pain or ()),
                table=pain_table,
                signals=tuple(one.value for one in pain_signal or ()),
                none=no_pain,
                at_rest=pain_at_rest,
                stopped_because=stopped_because,
            ),
            cache=cache,
            no_cache=no_cache,
        )
    )


@app.command("doctor")
def doctor() -> int:
    """Check that this installation is whole: libraries, model files, silence on the network."""
    from vision_rom.cli.doctor import doctor_command

    return doctor_command()


app.command("filming")(filming_command)
app.command("batch")(batch_command)
app.command("agree")(agree_command)
app.command("sample-size")(sample_size_command)
app.command("synth")(synth_command)
app.command("prove")(prove_command)
app.command("demo")(demo_command)
app.command("serve")(serve_command)
app.add_typer(camera_app, name="camera")
app.add_typer(patient_app, name="patient")
app.add_typer(visit_app, name="visit")
app.add_typer(reading_app, name="reading")
app.add_typer(account_app, name="account")
