"""From a description to a clip with its truth beside it.

The truth depends on the description alone, down to the last digit. The picture does too on one machine; another version
of VTK, Mesa, OpenCV or the encoder may differ by what no eye sees.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision_rom.errors import OutputError
from vision_rom.synthetic.camera import Camera
from vision_rom.synthetic.clip_description import ClipDescription
from vision_rom.synthetic.encode import write_clip
from vision_rom.synthetic.figure import Figure
from vision_rom.synthetic.phone import Phone, photograph
from vision_rom.synthetic.renderer import Renderer
from vision_rom.synthetic.scene import make_room
from vision_rom.synthetic.truth_file import Actor, ClipTruth, clip_truth, write_truth

Progress = Callable[[int, int], None]
"""Called with pictures done and pictures in all."""


def truth_path_of(clip: Path) -> Path:
    """Return where the truth of a clip lies: ``NAME.truth.json`` beside ``NAME.mp4``."""
    return clip.with_name(f"{clip.stem}.truth.json")


def actors_of(description: ClipDescription) -> tuple[Actor, ...]:
    """Return the patient and, where there is one, the bystander."""
    actors = [Actor(description.person, description.script)]
    if description.bystander is not None:
        actors.append(Actor(description.bystander.person, description.bystander.script))
    return tuple(actors)


def truth_of(description: ClipDescription, clip: str | None = None) -> ClipTruth:
    """Compute what is exactly known about a clip, without rendering it; ``clip`` is its file name, for the record."""
    patient, *others = actors_of(description)
    camera = description.camera
    return clip_truth(
        patient,
        description.times_s(),
        seed=description.seed,
        others=others,
        project=lambda points: camera.project(points)[0],
        camera=_recorded_camera(description),
        clip=clip,
    )


def _recorded_camera(description: ClipDescription) -> dict[str, Any]:
    """Return what the truth says of camera, room and phone."""
    camera = description.camera
    return asdict(camera) | {
        "yaw_deg": camera.yaw_deg,
        "focal_px": camera.focal_px,
        "position_m": camera.position_m.tolist(),
        "room": description.room,
        "phone": asdict(description.phone),
        "rate_hz": description.rate_hz,
        "variable_rate": description.variable_rate,
        "rotation_deg": description.rotation_deg,
    }


def render_clip(description: ClipDescription, path: Path, *, progress: Progress | None = None) -> Path:
    """Render a clip to ``path`` (``.mp4``) and its truth beside it; return the truth's path.

    Raises OutputError where a file cannot be written; the clip and its truth appear only when each is complete.
    """
    if not path.parent.is_dir():
        raise OutputError(f"There is no folder '{path.parent}' to write '{path.name}' into.")
    truth = truth_of(description, path.name)
    pictures = render_actors(
        actors_of(description),
        description.times_s(),
        camera=description.camera,
        room=description.room,
        phone=description.phone,
        seed=description.seed,
        progress=progress,
    )
    write_clip(path, pictures, truth.time_s, crf=description.crf, rotation_deg=description.rotation_deg)
    write_truth(truth, truth_path_of(path))
    return truth_path_of(path)


def render_actors(
    actors: Sequence[Actor],
    times_s: NDArray[np.float64],
    *,
    camera: Camera,
    room: int,
    phone: Phone,
    seed: int,
    progress: Progress | None = None,
) -> Iterator[NDArray[np.uint8]]:
    """Yield the pictures (height_px, width_px, 3) of people at the times (n,), as the phone stores them.

    Each picture is exposed for the phone's shutter time, its middle at the picture's time.
    """
    renderer = Renderer(make_room(room), camera)
    rng = np.random.default_rng((seed, 17))
    still = replace(phone, jpeg_quality=0)  # a clip is compressed by the encoder
    for i, (start, end) in enumerate(_exposures(actors, times_s, phone.shutter_s)):
        picture = photograph(renderer.draw_moving(start, end), still, rng)
        if progress is not None:
            progress(i + 1, len(times_s))
        yield picture


def _exposures(
    actors: Sequence[Actor], times_s: NDArray[np.float64], shutter_s: float
) -> Iterator[tuple[list[Figure], list[Figure]]]:
    """Yield the people at the opening and closing of the shutter, moved evenly as between the neighbouring pictures."""
    last = now = _figures(actors, float(times_s[0]))
    for i in range(len(times_s)):
        after = min(i + 1, len(times_s) - 1)
        coming = _figures(actors, float(times_s[after])) if after > i else now
        step_s = float(times_s[after] - times_s[max(i - 1, 0)])
        half = np.float32(shutter_s / step_s / 2.0 if step_s > 0 else 0.0)
        moved = [half * (b.vertices_m - a.vertices_m) for a, b in zip(last, coming, strict=True)]
        yield (
            [replace(f, vertices_m=f.vertices_m - m) for f, m in zip(now, moved, strict=True)],
            [replace(f, vertices_m=f.vertices_m + m) for f, m in zip(now, moved, strict=True)],
        )
        last, now = now, coming


def _figures(actors: Sequence[Actor], time_s: float) -> list[Figure]:
    return [actor.person.figure(actor.pose_at(time_s)) for actor in actors]
