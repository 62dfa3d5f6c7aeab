"""The recording that speed is measured on: a few rendered seconds in a phone's size, played over and over.

Only the seconds are rendered and encoded; a clip of any length repeats their packets, so that an hour costs a file copy.
The person is at rest where one round ends and the next begins.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

from vision_rom.clip import open_clip
from vision_rom.errors import OutputError
from vision_rom.synthetic.camera import Camera
from vision_rom.synthetic.clip_description import ClipDescription
from vision_rom.synthetic.encode import TICKS_PER_S, steady_times_s, write_clip
from vision_rom.synthetic.script import Exercise, Repetition, Script

ROUND = ClipDescription(
    person=61001,
    room=31001,
    seed=5,
    # the size of a phone's 1080p held upright, as phones store it: lying, with a note that it must be turned
    camera=Camera(off_plane_deg=5.0, distance_m=2.9, vertical_fov_deg=62.0, width_px=1080, height_px=1920),
    rotation_deg=90,
    rate_hz=30.0,
    # as many bits a second as phones spend, so that decoding costs what it does there
    crf=19,
    script=Script(
        acts=(
            Exercise(
                movement="abduction",
                side="both",
                repetitions=(Repetition(peak=150.0, up_s=1.6, hold_s=0.8, down_s=1.6, rest_s=0.4),),
                ready_s=0.4,
            ),
        ),
        seed=5,
    ),
)
"""Of no other set of people or rooms."""


def described(width_px: int, height_px: int) -> ClipDescription:
    """Return the same seconds in another size of the upright picture."""
    return replace(ROUND, camera=replace(ROUND.camera, width_px=width_px, height_px=height_px))


def one_round(folder: Path, size_px: tuple[int, int] | None = None) -> Path:
    """Return the rendered seconds, rendered now where the folder does not hold them yet.

    ``size_px`` is width and height of the upright picture; None takes those of :data:`ROUND`, and larger ones are enlarged from it.
    """
    own = (ROUND.camera.width_px, ROUND.camera.height_px)
    size_px = size_px or own
    path = folder / ("round.mp4" if size_px == own else f"round_{size_px[0]}x{size_px[1]}.mp4")
    if not path.exists():
        from vision_rom.synthetic.synth import render_clip

        if size_px[0] > own[0]:
            return _enlarged(one_round(folder), path, size_px)
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise OutputError(f"The folder '{folder}' cannot be made: {error.strerror or error}.") from error
        render_clip(described(*size_px), path)
    return path


def quick_to_decode(round_path: Path) -> Path:
    """Return the same seconds in far fewer bits, as pictures that hardly change: as dear to hold, and a fraction as dear to decode."""
    path = round_path.with_name(f"{round_path.stem}_quick.mp4")
    if not path.exists():
        with open_clip(round_path) as reader:
            size_px = (reader.width_px, reader.height_px)
        _enlarged(round_path, path, size_px, crf=36)
    return path


def _enlarged(source: Path, path: Path, size_px: tuple[int, int], *, crf: int = ROUND.crf) -> Path:
    """Write a round in another size: as dear to decode and to hold as a rendered one, which would take an hour."""
    import cv2

    with open_clip(source) as reader:
        pictures = (
            np.asarray(cv2.resize(frame.rgb, size_px, interpolation=cv2.INTER_CUBIC), np.uint8) for frame in reader
        )
        with av.open(str(source)) as container:
            count = container.streams.video[0].frames
        times_s = steady_times_s(count, ROUND.rate_hz)
        write_clip(path, pictures, times_s, crf=crf, rotation_deg=ROUND.rotation_deg, preset="veryfast")
    return path


def repeated(round_path: Path, path: Path, *, pictures: int, rate_hz: float = ROUND.rate_hz) -> Path:
    """Write a clip of so many pictures that repeats a round (which starts with a key picture and has none from the future).

    At another rate than the round's the person moves faster or slower, which costs the same. The packets are copied, not encoded again; ``path`` appears only when it is complete.
    """
    partial = path.with_name(f".{path.stem}.partial.mp4")
    step = round(TICKS_PER_S / rate_hz)
    tick = Fraction(1, TICKS_PER_S)
    with av.open(str(round_path)) as source, av.open(str(partial), "w") as target:
        stream = source.streams.video[0]
        packets = [(bytes(one), one.is_keyframe) for one in source.demux(stream) if one.size]
        out = target.add_stream_from_template(stream)
        out.time_base = tick
        for count in range(pictures):
            content, is_key = packets[count % len(packets)]
            packet = av.Packet(content)
            packet.pts = packet.dts = count * step
            packet.time_base, packet.duration, packet.is_keyframe, packet.stream = tick, step, is_key, out
            target.mux(packet)
    partial.replace(path)
    return path
