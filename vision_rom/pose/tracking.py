"""Pictures in, the patient's landmarks over time out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace

import numpy as np

from vision_rom.handover import Landmark, PoseTrack
from vision_rom.pose.both_ways import completed
from vision_rom.pose.follow import follow, places_and_sizes
from vision_rom.pose.landmarker import People, pose_model
from vision_rom.pose.pictures import picture_of
from vision_rom.pose.settings import PoseSettings
from vision_rom.pose.side_by_side import AnyFrame, Lookout
from vision_rom.pose.sides import keep_sides
from vision_rom.pose.who_follows import hand_height
from vision_rom.pose.who_moves import arm_places

OnFrame = Callable[[AnyFrame, People], None]


def track_patient(
    frames: Iterable[AnyFrame],
    *,
    width_px: int,
    height_px: int,
    settings: PoseSettings | None = None,
    on_frame: OnFrame | None = None,
) -> PoseTrack:
    """Find the patient in every picture and keep left and right apart over time. Nothing is smoothed.

    Parameters
    ----------
    frames
        Pictures in the order of their times; read once, one at a time. A picture whose time does not come after that
        of the one before it is passed over.
    width_px, height_px
        Of every picture.
    settings
        Network, person, thresholds; None takes the defaults.
    on_frame
        Called with each picture after it was looked at, and everybody found in it.

    Returns
    -------
    PoseTrack
        One row for each picture; NaN rows where the patient was not found, which may be all of them.

    Raises
    ------
    UsageError
        ``settings.person`` is nowhere to be seen.
    InstallationError
        LiteRT or a network's file is missing or altered.

    """
    settings = settings or PoseSettings()
    times_s: list[float] = []
    indices: list[int] = []
    seen: list[People] = []
    brightness: list[float] = []
    model = pose_model(settings)
    for frame, people in Lookout(settings).watch(_increasing(frames, width_px, height_px)):
        times_s.append(frame.time_s)
        indices.append(frame.index)
        brightness.append(picture_of(frame).brightness())
        # where to look next is of no more use, and an hour has a hundred thousand pictures
        seen.append(replace(people, regions=()))
        if on_frame is not None:
            on_frame(frame, people)
    time_s = np.array(times_s, np.float64)
    described = [places_and_sizes(people.landmarks_px) for people in seen]
    following = follow(
        time_s,
        [places for places, _ in described],
        [sizes for _, sizes in described],
        width_px=width_px,
        height_px=height_px,
        person=settings.person,
        hands=[hand_height(people.landmarks_px) for people in seen],
        arms=[arm_places(people.landmarks_px, sizes) for people, (_, sizes) in zip(seen, described, strict=True)],
    )
    count, points = len(time_s), len(Landmark)
    landmarks_px = np.full((count, points, 3), np.nan)
    visibility = np.full((count, points), np.nan)
    world_m = np.full((count, points, 3), np.nan)
    for picture, row in enumerate(following.choice):
        if row >= 0:
            landmarks_px[picture] = seen[picture].landmarks_px[row]
            visibility[picture] = seen[picture].visibility[row]
            world_m[picture] = seen[picture].world_m[row]
    sided = keep_sides(time_s, landmarks_px, visibility, world_m)
    ways = [people.way for people in seen]
    return PoseTrack(
        time_s=time_s,
        frame_index=np.array(indices, np.int64),
        landmarks_px=completed(time_s, ways, sided.landmarks_px),
        visibility=completed(time_s, ways, sided.visibility),
        world_m=completed(time_s, ways, sided.world_m),
        width_px=width_px,
        height_px=height_px,
        model=model,
        people=np.array([len(people) for people in seen], np.int64),
        ambiguous=following.ambiguous,
        exchanged=sided.exchanged,
        brightness=np.array(brightness, np.float64),
        remarks=(*following.remarks, *sided.remarks),
    )


def _increasing(frames: Iterable[AnyFrame], width_px: int, height_px: int) -> Iterator[AnyFrame]:
    """Pass over pictures whose time does not come after that of the one before."""
    last_s = -float("inf")
    for frame in frames:
        picture = picture_of(frame)
        if (picture.width_px, picture.height_px) != (width_px, height_px):
            raise ValueError(
                f"picture {frame.index} is {picture.width_px} x {picture.height_px} px, not {width_px} x {height_px}"
            )
        if frame.time_s > last_s:
            last_s = frame.time_s
            yield frame
