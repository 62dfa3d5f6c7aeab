"""The command ``vision-rom synth``: render an invented person whose joint angles are exactly known."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from vision_rom.errors import UsageError

if TYPE_CHECKING:
    from vision_rom.synthetic.camera import Camera, CameraView
    from vision_rom.synthetic.clip_description import ClipDescription
    from vision_rom.synthetic.script import Movement

View = Literal["front", "left_side", "right_side", "back"]
Sides = Literal["left", "right", "both"]
Light = Literal["good", "low", "random"]


def synth_command(
    description: Annotated[
        Path | None,
        typer.Argument(metavar="[DESCRIPTION]", help="A description (.toml or .json); it replaces all but --out."),
    ] = None,
    movement: Annotated[str | None, typer.Option(help="What the person does, such as abduction.")] = None,
    side: Annotated[Sides, typer.Option(help="The arm that moves.")] = "right",
    peaks: Annotated[
        str | None, typer.Option(help="Furthest angle of each repetition, such as 150,156.", metavar="DEGREES")
    ] = None,
    up: Annotated[float, typer.Option(help="Seconds to raise the arm.")] = 1.6,
    hold: Annotated[float, typer.Option(help="Seconds held at the top.")] = 1.0,
    down: Annotated[float, typer.Option(help="Seconds to lower it.")] = 1.6,
    view: Annotated[
        View | None, typer.Option(help="Where the camera stands; without it where the movement is seen best.")
    ] = None,
    off_plane: Annotated[
        float, typer.Option(help="Turn of the camera off that view, towards the person's left.")
    ] = 0.0,
    person: Annotated[int, typer.Option(help="Number of the invented person.")] = 1,
    room: Annotated[int, typer.Option(help="Number of the invented room.")] = 1,
    seed: Annotated[int, typer.Option(help="Number from which noise and sway come.")] = 0,
    light: Annotated[Light, typer.Option(help="Light and phone.")] = "good",
    rate: Annotated[float, typer.Option(help="Pictures a second.")] = 30.0,
    variable_rate: Annotated[bool, typer.Option("--variable-rate", help="Uneven picture times.")] = False,
    size: Annotated[str, typer.Option(help="Width x height in pixels.", metavar="WxH")] = "480x640",
    out: Annotated[
        Path | None, typer.Option(metavar="CLIP.mp4", help="Clip to write  [default: beside the description]")
    ] = None,
    describe: Annotated[
        bool, typer.Option("--describe", help="Print the description as TOML instead of rendering.")
    ] = False,
) -> int:
    """Render a clip of an invented person with exactly known joint angles, and its truth beside it."""
    if (description is None) == (movement is None):
        raise UsageError("Give either a description file or --movement with --peaks.")
    if description is not None:
        from vision_rom.synthetic.clip_description import read_description

        wanted = read_description(description)
        out = out or description.with_suffix(".mp4")
    else:
        wanted = _from_options(
            movement=movement or "",
            side=side,
            peaks=peaks,
            seconds=(up, hold, down),
            view=view,
            off_plane_deg=off_plane,
            person=person,
            room=room,
            seed=seed,
            light=light,
            rate_hz=rate,
            variable_rate=variable_rate,
            size=size,
        )
    if describe:
        from vision_rom.synthetic.clip_description import description_to_toml

        typer.echo(description_to_toml(wanted), nl=False)
        return 0
    if out is None:
        raise UsageError("Say where the clip goes: --out CLIP.mp4.")
    from vision_rom.synthetic.synth import render_clip

    with _progress(out.name) as progress:
        truth = render_clip(wanted, out, progress=progress)
    typer.echo(f"{out}\n{truth}")
    return 0


def _from_options(
    *,
    movement: str,
    side: Sides,
    peaks: str | None,
    seconds: tuple[float, float, float],
    view: CameraView | None,
    off_plane_deg: float,
    person: int,
    room: int,
    seed: int,
    light: Light,
    rate_hz: float,
    variable_rate: bool,
    size: str,
) -> ClipDescription:
    import numpy as np

    from vision_rom.synthetic.clip_description import ClipDescription
    from vision_rom.synthetic.phone import LOW_LIGHT, Phone, draw_phone
    from vision_rom.synthetic.script import MOVEMENTS
    from vision_rom.synthetic.scripts import single_movement

    chosen = next((m for m in MOVEMENTS if m == movement), None)
    if chosen is None:
        raise UsageError(f"There is no movement '{movement}' to render; there are {', '.join(MOVEMENTS)}.")
    up_s, hold_s, down_s = seconds
    script = single_movement(chosen, side, _numbers(peaks), up_s=up_s, hold_s=hold_s, down_s=down_s, seed=max(seed, 0))
    phones = {"good": Phone(), "low": LOW_LIGHT, "random": draw_phone(np.random.default_rng(max(seed, 0)))}
    return ClipDescription(
        person=person,
        room=room,
        seed=seed,
        script=script,
        camera=_camera(view or usual_view(chosen, side), off_plane_deg, size),
        phone=phones[light],
        rate_hz=rate_hz,
        variable_rate=variable_rate,
    )


def usual_view(movement: Movement, side: Sides) -> CameraView:
    """Return where the camera stands to see a movement best."""
    if movement == "hand_behind_back":
        return "back"
    if movement in ("flexion", "extension", "external_rotation_90", "internal_rotation_90"):
        return "left_side" if side == "left" else "right_side"
    return "front"


def _numbers(text: str | None) -> list[float]:
    try:
        numbers = [float(part) for part in (text or "").split(",")]
    except ValueError:
        raise UsageError(f"--peaks takes numbers with commas between them, such as 150,156, not '{text}'.") from None
    return numbers


def _camera(view: CameraView, off_plane_deg: float, size: str) -> Camera:
    from vision_rom.synthetic.camera import Camera

    width, _, height = size.lower().partition("x")
    if not (width.isdecimal() and height.isdecimal()):
        raise UsageError(f"--size takes width x height in pixels, such as 480x640, not '{size}'.")
    return Camera(
        view=view,
        off_plane_deg=off_plane_deg,
        distance_m=2.7,
        vertical_fov_deg=56.0,
        width_px=int(width),
        height_px=int(height),
    )


@contextmanager
def _progress(name: str) -> Iterator[Callable[[int, int], None] | None]:
    """Show how far the rendering is, on stderr and only to a person."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(f"Rendering {name}", total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)
