"""The recording that speed is measured on: a few rendered seconds in a phone's size, played over and over.

Only the seconds are rendered and encoded; a clip of any length repeats their packets, so that an hour costs a file copy.
The person is at rest where one round ends and the next begins.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av

from vision_rom.errors import OutputError
from vision_rom.synthetic.camera import Camera
from vision_rom.synthetic.clip_description import ClipDescription
from vision_rom.synthetic.encode import TICKS_PER_S
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


def one_round(folder: Path) -> Path:
    """Return the rendered seconds, rendered now where the folder does not hold them yet."""
    path = folder / "round.mp4"
    if not path.exists():
        from vision_rom.synthetic.synth import render_clip

        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise OutputError(f"The folder '{folder}' cannot be made: {error.strerror or error}.") from error
        render_clip(ROUND, path)
    return path


def repeated(round_path: Path, path: Path, *, pictures: int) -> Path:
    """Write a clip of so many pictures that repeats a round (which starts with a key picture and has none from the future).

    The packets are copied, not encoded again; ``path`` appears only when it is complete.
    """
    partial = path.with_name(f".{path.stem}.partial.mp4")
    step = round(TICKS_PER_S / ROUND.rate_hz)
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
