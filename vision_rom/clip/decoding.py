"""Open a container without trusting it, and decode its pictures past any damage.

FFmpeg (through PyAV) may read one local file in one of the formats that phones, cameras and browsers record. Play
lists, network addresses and picture sequences are shut out, so that a file cannot make the reader reach for another
place. Of the side data only the display matrix is asked for; place, device and person are never read.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import cast

import av
import av.error
import numpy as np
from av.container import InputContainer
from av.packet import Packet
from av.sidedata.sidedata import SideDataContainer
from av.sidedata.sidedata import Type as SideDataType
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from vision_rom.clip.files import check_readable, shown_name
from vision_rom.clip.structure import check_index
from vision_rom.errors import ClipEmpty, ClipError, ClipMissing, NoPicture, NotAVideo

# The sound formats are here so that they get their own sentence ("holds no picture").
_FORMATS = "mov,mp4,matroska,webm,avi,mpegts,mpeg,asf,flv,ogg,mxf,mp3,wav,flac,aac,amr,caf"
LARGEST_PICTURE_PX = 8192 * 8192
"""Twice the area of 8K. A header that claims more is refused before memory is set aside for it."""
_FEW_THREADS_ABOVE_PX = 4096 * 2304
_MOST_THREADS = 4
_FAILED_READS = 100
"""Reads in a row that may fail before the rest of the file is given up."""

_threads_allowed: int | None = None


def use_decoding_threads(count: int | None) -> None:
    """Keep this process to so many threads of decoding, as where several processes share the cores; None: as suits."""
    global _threads_allowed
    _threads_allowed = count


def local_container(path: Path) -> InputContainer:
    """Open one local file of a recording's format and nothing that it may name; FFmpeg's own errors pass through."""
    options = {"protocol_whitelist": "file", "format_whitelist": _FORMATS}
    # the prefix keeps a name such as "http:x.mp4" from being taken for an address
    return av.open(f"file:{os.path.abspath(path)}", options=options)


def open_container(path: Path) -> tuple[InputContainer, VideoStream]:
    """Open a recording and choose its picture stream; the caller closes the container.

    Raises
    ------
    ClipMissing, ClipEmpty, NotAVideo, NoPicture, ClipDamaged, ClipError
        one sentence each.
    """
    check_readable(path)
    check_index(path)
    name = shown_name(path)
    try:
        container = local_container(path)
    except (av.error.PermissionError, av.error.FileNotFoundError):
        raise ClipMissing(f"{name} was there but can no longer be read; check the path.") from None
    except (av.error.FFmpegError, UnicodeError):
        raise NotAVideo(
            f"{name} is not a recording that can be opened (MP4, MOV, WebM, MKV and AVI can); "
            "record it again or export it as MP4."
        ) from None
    try:
        return container, _picture_stream(container, name)
    except BaseException:
        container.close()
        raise


def _picture_stream(container: InputContainer, name: str) -> VideoStream:
    if not container.streams:
        raise ClipEmpty(f"{name} holds neither pictures nor sound: nothing was recorded; record it again.")
    streams = [stream for stream in container.streams.video if not is_cover(stream)]
    if not streams:
        raise NoPicture(f"{name} holds no moving picture, only sound or other data; name the video file.")
    best = container.streams.best("video")
    stream = next((candidate for candidate in streams if candidate is best), streams[0])
    if stream.codec_context is None:
        raise ClipError(
            f"{name} does not say in a way known here how its pictures are stored: it is damaged or of an unusual "
            "format; copy it again from the phone, or export it as MP4 (H.264)."
        )
    area_px = stream.width * stream.height
    if area_px > LARGEST_PICTURE_PX:
        raise ClipError(
            f"{name} says its pictures have {stream.width} x {stream.height} px, which is too large to decode; "
            "export it at 1920 x 1080 px."
        )
    stream.codec_context.options = {"max_pixels": str(LARGEST_PICTURE_PX)}
    stream.thread_type = "AUTO"
    # every thread holds pictures of its own
    suits = 2 if area_px > _FEW_THREADS_ABOVE_PX else min(os.cpu_count() or 1, _MOST_THREADS)
    stream.codec_context.thread_count = min(suits, _threads_allowed or suits)
    return stream


def is_cover(stream: VideoStream) -> bool:
    """Say whether the stream is a still picture attached to sound, such as an album cover."""
    return bool(stream.disposition & av.stream.Disposition.attached_pic)


def display_matrix(frame: VideoFrame) -> tuple[int, ...] | None:
    """Nine whole numbers of the display matrix that comes with a picture, or None."""
    try:
        # the library's own annotation of side_data knows motion vectors only
        data = cast(SideDataContainer, frame.side_data)[SideDataType.DISPLAYMATRIX]
    except KeyError:
        return None
    return tuple(int(number) for number in np.frombuffer(bytes(data), dtype=np.int32))


@dataclass(frozen=True, slots=True)
class StreamFacts:
    """What the header says; kept because a closed container may not be asked any more."""

    codec: str
    frames: int | None
    duration_s: float | None
    duration_is_own: bool
    """The duration is that of the pictures; otherwise it may be the sound's."""
    from_zero: bool
    """The duration counts from time 0, not from the first picture."""


def stream_facts(container: InputContainer, stream: VideoStream) -> StreamFacts:
    """Copy what the header says of the pictures."""
    duration_s, of_stream = None, bool(stream.duration and stream.time_base)
    if stream.duration and stream.time_base:
        duration_s = float(stream.duration * stream.time_base)
    elif container.duration:
        duration_s = container.duration / av.time_base
    # without sound there is nobody else whose duration it could be
    is_own = of_stream or len(container.streams) == 1
    return StreamFacts(stream.codec_context.name, stream.frames or None, duration_s, is_own, not of_stream)


@dataclass(slots=True)
class Damage:
    """A part of the recording that could not be decoded properly."""

    after_s: float | None
    """Time of the last good picture before it (container time); None at the very start."""
    until_s: float | None = None
    """Time of the first good picture after it; None where it lasts to the end."""
    withheld: int = 0
    """Pictures that came out, but were built on lost data."""


@dataclass(slots=True)
class Picture:
    """One decoded picture, its colours not yet converted."""

    index: int
    container_s: float
    duration_s: float
    """0 where it is not recorded."""
    frame: VideoFrame


@dataclass(slots=True)
class Decoder:
    """Goes through the pictures once, in the order in which they are shown.

    A picture that the decoder reports as damaged is withheld, and so are those predicted from it: all up to the next
    key picture. Angles measured on smeared pictures would be wrong without looking wrong.
    """

    container: InputContainer
    stream: VideoStream
    first_s: float | None = None
    """Container time of the first picture, good or not."""
    end_s: float | None = None
    """Container time of the end of the last picture, good or not."""
    pictures: int = 0
    untimed: int = 0
    """Pictures without any time stamp; they cannot be used."""
    position_bytes: int = 0
    damage: list[Damage] = field(default_factory=list)
    _broken: Damage | None = None
    _broken_at_s: float = -np.inf
    _latest_good_s: float | None = None
    _corrupt_pts: set[int] = field(default_factory=set)
    _fed_s: deque[float] = field(default_factory=deque)
    """Container times of the packets that the decoder's threads may still be busy with, oldest first."""

    @property
    def tick_s(self) -> float:
        """Resolution of the time stamps."""
        return float(self.stream.time_base or 1)

    def __iter__(self) -> Iterator[Picture]:
        time_base = self.stream.time_base or Fraction(1)
        self._fed_s = deque(maxlen=max(1, self.stream.codec_context.thread_count))
        starts_at_zero = "mp4" in self.container.format.name
        for frame in self._frames():
            stamp = frame.pts if frame.pts is not None else frame.dts
            if stamp is None:
                self.untimed += 1
                continue
            container_s = float(stamp * time_base)
            if starts_at_zero and stamp < 0:
                continue  # before the start of the edit list (ISO/IEC 14496-12): decoded, but not presented
            index = self.pictures
            self.pictures += 1
            self.first_s = container_s if self.first_s is None else self.first_s
            duration_s = float((frame.duration or 0) * time_base)
            self.end_s = container_s + duration_s
            if self._is_good(frame, container_s):
                yield Picture(index, container_s, duration_s, frame)

    def _frames(self) -> Iterator[VideoFrame]:
        for packet in self._packets():
            if packet is not None:
                self._note_fed(packet)
            try:
                frames = self.stream.decode(packet)
            except av.error.FFmpegError:
                # the threads work ahead: the packet at fault is the oldest of those under way
                self._break(self._fed_s[0] if self._fed_s else -np.inf)
                continue
            yield from frames

    def _note_fed(self, packet: Packet[VideoStream]) -> None:
        if packet.pos is not None:
            self.position_bytes = packet.pos
        if packet.pts is not None:
            self._fed_s.append(packet.pts * self.tick_s)
            if packet.is_corrupt:
                self._corrupt_pts.add(packet.pts)

    def _packets(self) -> Iterator[Packet[VideoStream] | None]:
        for _ in range(_FAILED_READS):
            try:
                yield from self.container.demux(self.stream)
                return
            except av.error.FFmpegError:
                self._break(-np.inf)
        yield None  # the file is given up: ask the decoder for what it still holds

    def _break(self, container_s: float) -> None:
        if self._broken is None:
            self._broken = Damage(self._latest_good_s)
            self.damage.append(self._broken)
        self._broken_at_s = max(self._broken_at_s, container_s)

    def _is_good(self, frame: VideoFrame, container_s: float) -> bool:
        if frame.is_corrupt or frame.pts in self._corrupt_pts:
            self._break(container_s)
        if self._broken is not None:
            if not (frame.key_frame and container_s > self._broken_at_s):
                self._broken.withheld += 1
                return False
            self._broken.until_s = container_s
            self._broken = None
        self._latest_good_s = container_s
        return True
