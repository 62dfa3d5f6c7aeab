"""``vision-rom camera``: print the sheets, calibrate a camera, check it against known angles."""

from __future__ import annotations

import datetime
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vision_rom.cli.groups import group
from vision_rom.errors import EXIT_MEASURED, NothingMeasurable, UsageError

if TYPE_CHECKING:
    from rich.table import Table

    from vision_rom.camera.check import TargetCheck

camera_app = group("camera", "Know the camera: print the sheets, calibrate the lens, check it against known angles.")


@camera_app.command("sheets")
def sheets_command(
    folder: Annotated[Path, typer.Argument(help="Where to write the PDFs.", metavar="FOLDER", show_default=False)],
    paper: Annotated[str, typer.Option(help="a4 or letter; a3 or tabloid for the large angle target.")] = "a4",
) -> int:
    """Write the calibration board and the angle target as PDFs in true scale."""
    from vision_rom.camera.pdf import write_pdf
    from vision_rom.camera.sheets import PAPERS_MM, page, paper_named

    chosen = paper_named(paper)
    if not folder.is_dir():
        raise UsageError(f"The folder '{folder}' does not exist; make it first.")
    if chosen in ("a4", "letter"):
        board = folder / f"board_{chosen}.pdf"
        write_pdf(board, page("board", chosen), PAPERS_MM[chosen], title="Calibration board")
        print(board)
    target = folder / f"angle_target_{chosen}.pdf"
    write_pdf(target, page("target", chosen), PAPERS_MM[chosen], title="Angle target")
    print(target)
    print("Print at 100 % and measure the ruler on the sheet.")
    return EXIT_MEASURED


@camera_app.command("calibrate")
def calibrate_command(
    clip: Annotated[
        Path, typer.Argument(help="Recording of the calibration board.", metavar="CLIP", show_default=False)
    ],
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Camera profile to write  [default: CLIP-stem.camera.toml]")
    ] = None,
    name: Annotated[str, typer.Option(help="Name of the phone and lens, for your own use.")] = "",
    zoom: Annotated[float, typer.Option(min=0.01, help="Zoom as the phone showed it.")] = 1.0,
    focus_note: Annotated[str, typer.Option(help="How the focus was set, for your own use.")] = "",
    replace: Annotated[bool, typer.Option("--replace", help="Overwrite an existing profile.")] = False,
) -> int:
    """Find the lens of a camera from a recording of the board, and write its profile if it is good."""
    from vision_rom.camera.profile import CameraProfile, write_profile
    from vision_rom.camera.recording import calibrate_recording
    from vision_rom.cli.measuring import progress_shown

    path = out or clip.with_suffix(".camera.toml")
    if path.exists() and not replace:
        raise UsageError(f"'{path}' exists already; give another --out, or --replace.")
    with progress_shown(clip.name, sys.stderr.isatty()) as progress:
        found = calibrate_recording(clip, on_progress=lambda fraction: progress("looking for the board", fraction))
    fit = found.calibration
    lens = fit.lens
    low, high = fit.focal_interval95_px
    across, along = lens.field_of_view_deg()
    print(
        f"Board in {found.with_board} of {found.pictures} pictures looked at; {found.chosen} sharp and different ones "
        f"chosen, {len(fit.dropped_times_s)} dropped because they did not fit."
    )
    print(f"Picture        {lens.width_px} x {lens.height_px} px")
    focal_px = (lens.focal_x_px + lens.focal_y_px) / 2
    if high - low > focal_px:
        print("Focal length   not known from these pictures")
    else:
        print(
            f"Focal length   {focal_px:.1f} px, 95 % interval {low:.1f} to {high:.1f}; field of view {across:.1f} x "
            f"{along:.1f} deg"
        )
    print(f"Residual       {fit.residual_px:.2f} px")
    print(f"Straight lines corrected to {fit.bend_px:.2f} px")
    print(f"Coverage       {fit.coverage:.0%} of the picture, {fit.tilted_views} tilted views")
    for row in fit.covered:
        print("               " + " ".join("#" if cell else "." for cell in row))
    print(fit.verdict)
    if not fit.good:
        raise NothingMeasurable(f"No camera profile was written for '{clip}': the calibration must be repeated.")
    profile = CameraProfile(
        name=name or path.name.removesuffix(".toml").removesuffix(".camera"),
        date=datetime.date.today(),
        lens=lens,
        residual_px=fit.residual_px,
        focal_interval95_px=fit.focal_interval95_px,
        views=len(fit.times_s),
        coverage=fit.coverage,
        rotation_deg=found.rotation_deg,
        zoom=zoom,
        focus_note=focus_note,
    )
    write_profile(profile, path)
    print(f"Camera profile: {path}")
    return EXIT_MEASURED


@camera_app.command("check")
def check_command(
    clip: Annotated[
        Path,
        typer.Argument(
            help="Recording of the angle target from where the patient will be filmed.",
            metavar="CLIP",
            show_default=False,
        ),
    ],
    camera: Annotated[Path | None, typer.Option(metavar="PROFILE", help="Camera profile of the phone.")] = None,
    zoom: Annotated[float | None, typer.Option(min=0.01, help="Zoom, if other than the profile's.")] = None,
    equivalent_mm: Annotated[
        float | None, typer.Option(min=1.0, help="Focal length equivalent to 35 mm film, if there is no profile.")
    ] = None,
) -> int:
    """Read known angles from where the patient will be filmed: error per angle, how the camera stands, pass or fail."""
    from rich.console import Console

    from vision_rom.camera.profile import read_profile
    from vision_rom.camera.recording import check_recording
    from vision_rom.cli.measuring import progress_shown

    if camera is not None and equivalent_mm is not None:
        raise UsageError("Give --camera or --equivalent-mm, not both: the profile states the focal length.")
    profile = None if camera is None else read_profile(camera)
    with progress_shown(clip.name, sys.stderr.isatty()) as progress:
        checked = check_recording(
            clip,
            profile=profile,
            zoom=zoom,
            equivalent_mm=equivalent_mm,
            on_progress=lambda fraction: progress("looking for the target", fraction),
        )
    check = checked.check
    place = check.placement
    for remark in checked.remarks:
        print(remark)
    print(
        f"Angle target '{check.target_name}' read in {check.pictures} pictures, {place.distance_m:.2f} m away"
        + _between(*checked.span(lambda one: one.distance_m), digits=2)
        + "."
    )
    Console(highlight=False).print(_table(check))
    turn_sd, pitch_sd, roll_sd = place.sd_deg
    print(
        f"Camera off the wall's plane by {place.off_plane_deg:.1f} deg"
        + _between(*checked.span(lambda one: one.off_plane_deg))
    )
    print(
        f"  turned {abs(place.turn_deg):.1f} deg to the {'right' if place.turn_deg >= 0 else 'left'} (sd {turn_sd:.1f})"
        + _between(*checked.span(lambda one: one.turn_deg), signs="right +, left -")
    )
    print(
        f"  tipped {abs(place.pitch_deg):.1f} deg {'up' if place.pitch_deg >= 0 else 'down'} (sd {pitch_sd:.1f})"
        + _between(*checked.span(lambda one: one.pitch_deg), signs="up +, down -")
    )
    way = "clockwise" if place.roll_deg >= 0 else "counter-clockwise"
    print(
        f"  tilted {abs(place.roll_deg):.1f} deg {way} (sd {roll_sd:.1f}) against the sheet's 0 bar"
        + _between(*checked.span(lambda one: one.roll_deg), signs="clockwise +")
    )
    print(check.verdict)
    return EXIT_MEASURED if check.passed else NothingMeasurable.exit_code


def _table(check: TargetCheck) -> Table:
    from rich.table import Table

    table = Table(box=None, pad_edge=False)
    for heading in ("known", "as filmed", "error", *(["with profile", "error"] if check.with_profile else [])):
        table.add_column(heading, justify="right")
    table.add_column("facing the wall", justify="right")
    table.add_column("error", justify="right")
    for reading in check.readings:
        if reading.known_deg == 0.0:
            continue
        read = [reading.as_filmed_deg, *([reading.straightened_deg] if check.with_profile else []), reading.facing_deg]
        cells = [text for value in read for text in (f"{value:.2f}", f"{value - reading.known_deg:+.2f}")]
        table.add_row(f"{reading.known_deg:g}", *cells)
    return table


def _between(low: float, high: float, *, digits: int = 1, signs: str = "") -> str:
    """Say between which values a number lies over the range of the focal length, unless they would print alike."""
    if high - low < 10.0**-digits:
        return ""
    sign = "+" if signs else ""
    told = f"; {signs}" if signs else ""
    return f" ({low:{sign}.{digits}f} to {high:{sign}.{digits}f} over the range of the focal length{told})"
