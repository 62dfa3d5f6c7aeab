"""A recording, picture by picture: upright, in 8-bit RGB, each with the time its container gives it."""

from __future__ import annotations

import os
from array import array
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import chain
from pathlib import Path
from types import TracebackType
from typing import Self

import av.error
import numpy as np

from vision_rom.clip import remarks, timing
from vision_rom.clip.converting import PictureConverter
from vision_rom.clip.decoding import Decoder, Picture, open_container, stream_facts
from vision_rom.clip.display import LONGEST_SIDE_PX
from vision_rom.clip.files import sha256_of, shown_name
from vision_rom.clip.structure import soundness_of
from vision_rom.errors import ClipDamaged, ClipEmpty, UsageError
from vision_rom.handover import Clip, Floats, Frame, StoredFrame

_OWN_TOLERANCE_S = 0.1
_SHARED_TOLERANCE_S = 0.5
"""How far the pictures may end before the declared duration: where it is their own, and where it may be the sound's."""
_PROGRESS_STEP = 0.002
_TIME_ROUNDING_S = 1e-6
_DECODED_THROUGH_S = 2.5
"""A picture that comes so soon after another one is reached by decoding on: key pictures lie some seconds apart"""

Progress = Callable[[float | None], None]


class ClipReader:
    """Iterate over it once for the :class:`~vision_rom.handover.Frame` objects, then ask for :meth:`clip`.

    Use it in a ``with`` statement. Only the picture at hand is kept in memory.
    """

    width_px: int
    """Of the upright picture, known before the first one is asked for."""
    height_px: int
    rotation_deg: int
    """Clockwise turn that makes the stored picture upright; known before the first picture too."""

    def __init__(
        self,
        path: Path,
        *,
        mirrored: bool,
        time_factor: float,
        wanted_rate_hz: float | None,
        longest_side_px: int,
        on_progress: Progress | None,
    ) -> None:
        self.path = path
        self._flipped_by_user = mirrored
        self._time_factor = time_factor
        self._on_progress = on_progress
        self._container, stream = open_container(path)
        try:
            self._file_bytes = path.stat().st_size
            self._stream_facts = stream_facts(self._container, stream)
            self._track = stream.id
            self._decoder = Decoder(self._container, stream)
            pictures = iter(self._decoder)
            first = self._first_picture(pictures)
            self._pictures: Iterator[Picture] = chain([first], pictures)
            self._converter = PictureConverter(first.frame, stream, mirrored=mirrored, longest_side_px=longest_side_px)
        except BaseException:
            self._container.close()
            raise
        self.width_px, self.height_px = self._converter.width_px, self._converter.height_px
        self.rotation_deg = self._converter.orientation.rotation_deg
        self._thinning = timing.Thinning(wanted_rate_hz)
        self._increasing = timing.IncreasingTimes()
        self._recorded_s = array("d")
        self._last_duration_s = 0.0
        self._thinned = 0
        self._odd_shapes = 0
        self._told = -1.0
        self._state = "new"

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file. Calling it again does nothing."""
        self._container.close()

    def __iter__(self) -> Iterator[Frame]:
        for picture, time_s in self._kept():
            yield self._frame(picture, time_s)

    def as_stored(self) -> Iterator[Frame | StoredFrame]:
        """Iterate over the same pictures without converting them, where that can be done; instead of iterating over it."""
        for picture, time_s in self._kept():
            stored = self._converter.stored(picture.frame, index=picture.index, time_s=time_s)
            yield self._frame(picture, time_s) if stored is None else stored

    def clip(self) -> Clip:
        """What is known of the recording, after it was read to its end.

        Raises
        ------
        RuntimeError
            before the last picture was asked for.
        """
        if self._state != "exhausted":
            raise RuntimeError("a clip is complete only after its reader was read to the end")
        factor = self._time_factor
        times_s = np.array(self._recorded_s, dtype=np.float64) * factor
        step_s = timing.typical_step_s(times_s)
        duration_s = float(times_s[-1]) + timing.last_picture_s(self._last_duration_s * factor, step_s)
        declared_s = None if self._stream_facts.duration_s is None else self._stream_facts.duration_s * factor
        gaps_s = timing.gaps_s(times_s)
        rate_changes = timing.rate_changes(times_s)
        return Clip(
            path=self.path,
            sha256=sha256_of(self.path),
            duration_s=duration_s,
            frames_decoded=self._decoder.pictures,
            frame_rate_hz=1.0 / step_s,
            variable_frame_rate=timing.is_variable(times_s),
            rotation_deg=self._converter.orientation.rotation_deg,
            mirrored=self._converter.orientation.mirrored,
            width_px=self.width_px,
            height_px=self.height_px,
            frames_declared=self._stream_facts.frames,
            duration_declared_s=declared_s,
            frames_thinned=self._thinned,
            time_factor=factor,
            colour=self._converter.colour,
            codec=self._stream_facts.codec,
            gaps_s=gaps_s,
            speeds_trusted=not rate_changes,
            remarks=self._remarks(times_s, gaps_s, rate_changes, declared_s, step_s),
        )

    def _remarks(
        self,
        times_s: Floats,
        gaps_s: tuple[tuple[float, float], ...],
        rate_changes: tuple[timing.Stretch, ...],
        declared_s: float | None,
        step_s: float,
    ) -> tuple[str, ...]:
        first_s = self._decoder.first_s or 0.0
        end_s = ((self._decoder.end_s or 0.0) - first_s) * self._time_factor
        facts = self._stream_facts
        tolerance_s = _OWN_TOLERANCE_S if facts.duration_is_own else _SHARED_TOLERANCE_S
        # Matroska counts its duration from time 0, not from the first picture
        counted_to_s = max(end_s, (self._decoder.end_s or 0.0) * self._time_factor) if facts.from_zero else end_s
        missing_s = timing.missing_end_s(
            counted_to_s,
            declared_s,
            step_s,
            tolerance_s * self._time_factor,
            # without sound, at an even rate and with the last picture's own duration, the end is known to the picture
            even=facts.duration_is_own and self._last_duration_s > 0 and not timing.is_variable(times_s),
        )
        sound = soundness_of(self.path, self._track)
        counted = facts.frames or sound.pictures or 0
        seen = self._decoder.pictures + self._decoder.untimed
        times = self._increasing
        return (
            *remarks.damage_remarks(self._decoder.damage, first_s, self._time_factor),
            *remarks.missing_end_remarks(missing_s, end_s, declared_s),
            *remarks.structure_remarks(sound.missing_bytes, broken=sound.broken, told=bool(missing_s)),
            *remarks.count_remarks(seen, counted),
            *remarks.gap_remarks([gap for gap in gaps_s if not self._is_damage(gap)]),
            *remarks.single_remarks(timing.lost_singly_s(times_s)),
            *remarks.time_remarks(
                times.equal,
                times.backwards,
                self._decoder.untimed,
                [refused_s * self._time_factor for refused_s in times.refused_s],
            ),
            *remarks.rate_remarks(rate_changes),
            *remarks.size_remarks(self._converter.shown_px, (self.width_px, self.height_px), self._odd_shapes),
            *remarks.orientation_remarks(self._converter.asked_orientation, flipped_by_user=self._flipped_by_user),
        )

    def _is_damage(self, gap_s: tuple[float, float]) -> bool:
        """Say whether a gap is one that the damage already explains."""
        first_s = self._decoder.first_s or 0.0
        return any(
            part.until_s is not None and abs((part.until_s - first_s) * self._time_factor - gap_s[1]) < 1e-6
            for part in self._decoder.damage
        )

    def _first_picture(self, pictures: Iterator[Picture]) -> Picture:
        first = next(pictures, None)
        if first is not None:
            return first
        name = shown_name(self.path)
        decoder = self._decoder
        if decoder.damage or decoder.pictures or decoder.position_bytes or self._stream_facts.frames:
            raise ClipDamaged(
                f"{name} is so damaged that no picture in it can be decoded; copy it again from the phone."
            )
        raise ClipEmpty(f"{name} is a recording without a single picture; record it again.")

    def _kept(self) -> Iterator[tuple[Picture, float]]:
        """Pictures that are delivered, colours not yet converted, with their time in real seconds."""
        if self._state != "new":
            raise RuntimeError("a recording is read once; open it again to read it again")
        self._state = "reading"
        for picture in self._pictures:
            recorded_s = picture.container_s - (self._decoder.first_s or 0.0)
            self._tell(recorded_s)
            if not self._increasing.accept(recorded_s):
                continue
            if not self._converter.fits(picture.frame):
                self._odd_shapes += 1
                continue
            self._recorded_s.append(recorded_s)
            self._last_duration_s = picture.duration_s
            time_s = recorded_s * self._time_factor
            if self._thinning.keep(time_s):
                yield picture, time_s
            else:
                self._thinned += 1
        self._state = "exhausted"
        if self._on_progress is not None:
            self._on_progress(1.0)

    def _tell(self, recorded_s: float) -> None:
        if self._on_progress is None:
            return
        if self._stream_facts.duration_s:
            done = recorded_s / self._stream_facts.duration_s
        elif self._file_bytes:
            done = self._decoder.position_bytes / self._file_bytes
        else:
            self._on_progress(None)
            return
        done = min(max(done, 0.0), 1.0)
        if done >= self._told + _PROGRESS_STEP:
            self._told = done
            self._on_progress(done)

    def _frame(self, picture: Picture, time_s: float) -> Frame:
        return Frame(picture.index, time_s, self._converter.rgb(picture.frame))

    def _picture_at(self, *, index: int | None, time_s: float | None) -> Frame | None:
        """Go through the pictures without converting them until the wanted one is found."""
        before: tuple[Picture, float] | None = None
        for picture, here_s in self._kept():
            if index is not None and picture.index >= index:
                return self._frame(picture, here_s) if picture.index == index else None
            if time_s is not None and here_s >= time_s:
                nearer_before = before is not None and time_s - before[1] < here_s - time_s
                return self._frame(*before) if nearer_before and before else self._frame(picture, here_s)
            before = (picture, here_s)
        if time_s is None or before is None:
            return None
        step_s = timing.typical_step_s(np.array(self._recorded_s)) * self._time_factor
        last_s = timing.last_picture_s(self._last_duration_s * self._time_factor, step_s)
        return self._frame(*before) if time_s <= before[1] + last_s else None

    def _picture_by_seeking(self, *, index: int, time_s: float) -> Frame | None:
        """The picture whose time is ``time_s`` to the tick, reached from the key picture before it; else None."""
        return dict(self._pictures_by_seeking([(index, time_s)])).get(index)

    def _pictures_by_seeking(self, wanted: Sequence[tuple[int, float]]) -> Iterator[tuple[int, Frame]]:
        """Yield those pictures (index, time) that are found at their time to the tick; times must increase."""
        stream, tick_s = self._decoder.stream, self._decoder.tick_s
        pictures: Iterator[Picture] = iter(())
        reached_s = -np.inf
        for index, time_s in wanted:
            wanted_s = (self._decoder.first_s or 0.0) + time_s / self._time_factor
            try:
                if not 0.0 < wanted_s - reached_s < _DECODED_THROUGH_S:
                    self._container.seek(round(wanted_s / tick_s), stream=stream, backward=True)
                    pictures = iter(Decoder(self._container, stream))
                for picture in pictures:
                    reached_s = picture.container_s
                    if abs(reached_s - wanted_s) < 0.5 * tick_s:
                        yield index, Frame(index, time_s, self._converter.rgb(picture.frame))
                    if reached_s > wanted_s - 0.5 * tick_s:
                        break
            except av.error.FFmpegError:
                reached_s = -np.inf


def open_clip(
    path: str | os.PathLike[str],
    *,
    mirrored: bool = False,
    time_factor: float = 1.0,
    wanted_rate_hz: float | None = 30.0,
    longest_side_px: int = LONGEST_SIDE_PX,
    on_progress: Progress | None = None,
) -> ClipReader:
    """Open a recording for reading picture by picture.

    Parameters
    ----------
    path
        a file that FFmpeg can read: MP4, MOV, WebM, MKV, AVI, MPEG-TS.
    mirrored
        left and right are exchanged in the picture as a player shows it (selfie recordings); every picture
        is flipped back.
    time_factor
        real seconds per recorded second; 0.125 for 240 pictures per second played at 30.
    wanted_rate_hz
        pictures per real second to thin to, by time and before colours are converted; None keeps all.
    longest_side_px
        larger pictures are reduced to this.
    on_progress
        called now and then with the fraction done (0 to 1), None where it cannot be known.

    Raises
    ------
    UsageError
        a number that makes no sense.
    ClipError
        one of its kinds, with one sentence: the recording cannot be read.
    """
    if not (np.isfinite(time_factor) and time_factor > 0):
        raise UsageError(f"The time factor is {time_factor}; it must be a number above 0.")
    if wanted_rate_hz is not None and not (np.isfinite(wanted_rate_hz) and wanted_rate_hz > 0):
        raise UsageError(f"The wanted rate is {wanted_rate_hz} Hz; it must be a number above 0.")
    if longest_side_px < 1:
        raise UsageError(f"The longest side is {longest_side_px} px; it must be at least 1.")
    return ClipReader(
        Path(path),
        mirrored=mirrored,
        time_factor=time_factor,
        wanted_rate_hz=wanted_rate_hz,
        longest_side_px=longest_side_px,
        on_progress=on_progress,
    )


def frames_at(
    path: str | os.PathLike[str],
    wanted: Iterable[tuple[int, float]],
    *,
    mirrored: bool = False,
    time_factor: float = 1.0,
) -> dict[int, Frame]:
    """Return pictures again by their index, in one way through the recording that leaps over what lies between them.

    ``wanted`` holds index and own time of each, as :func:`open_clip` with the same options gave them. One that cannot be
    reached by its time is left out; :func:`frame_at` finds it still.

    Raises
    ------
    ClipError
        as in :func:`open_clip`.
    """
    with open_clip(path, mirrored=mirrored, time_factor=time_factor, wanted_rate_hz=None) as reader:
        return dict(reader._pictures_by_seeking(sorted(set(wanted), key=lambda one: one[1])))


def frame_at(
    path: str | os.PathLike[str],
    *,
    index: int | None = None,
    time_s: float | None = None,
    mirrored: bool = False,
    time_factor: float = 1.0,
    longest_side_px: int = LONGEST_SIDE_PX,
) -> Frame:
    """Return one picture again, upright, as :func:`open_clip` with the same options gives it.

    Parameters
    ----------
    path
        the recording.
    index
        :attr:`Frame.index` of the picture.
    time_s
        without ``index``, the picture nearest to this time is returned. With it, it must be that picture's own
        time, which allows to seek instead of decoding from the start.
    mirrored
        as in :func:`open_clip`.
    time_factor
        as in :func:`open_clip`.
    longest_side_px
        as in :func:`open_clip`.

    Raises
    ------
    UsageError
        there is no such picture, or neither index nor time was given.
    ClipError
        as in :func:`open_clip`.
    """
    if index is None and time_s is None:
        raise UsageError("Say which picture is wanted: its index or its time.")
    if time_s is not None and not time_s >= -_TIME_ROUNDING_S:
        raise UsageError(f"There is no picture at {time_s} s; times count from the first picture.")

    def opened() -> ClipReader:
        return open_clip(
            path, mirrored=mirrored, time_factor=time_factor, wanted_rate_hz=None, longest_side_px=longest_side_px
        )

    frame = None
    if index is not None and time_s is not None:
        with opened() as reader:
            frame = reader._picture_by_seeking(index=index, time_s=time_s)
    if frame is None:
        with opened() as reader:
            frame = reader._picture_at(index=index, time_s=time_s if index is None else None)
    if frame is None:
        wanted = f"picture {index}" if index is not None else f"picture at {time_s:.2f} s"
        raise UsageError(f"{shown_name(Path(path))} has no usable {wanted}; ask for one inside the recording.")
    return frame
