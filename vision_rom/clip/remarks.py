"""The sentences that a recording earns: damage, lost pictures, odd times, slow motion, size, mirroring."""

from __future__ import annotations

from collections.abc import Sequence

from vision_rom.clip.decoding import Damage
from vision_rom.clip.display import Orientation
from vision_rom.clip.timing import Stretch

_MOST_NAMED = 3
"""Places named one by one in a sentence; the rest are counted."""


def _listed(places: Sequence[str], total: int | None = None) -> str:
    named = ", ".join(places[:_MOST_NAMED])
    more = (len(places) if total is None else total) - _MOST_NAMED
    return f"{named} and {more} more" if more > 0 else named


def damage_remarks(damage: Sequence[Damage], first_s: float, time_factor: float) -> tuple[str, ...]:
    """One sentence on all damaged parts, or none."""
    if not damage:
        return ()

    def said(part: Damage) -> str:
        start = "the start" if part.after_s is None else f"{(part.after_s - first_s) * time_factor:.2f} s"
        end = "the end" if part.until_s is None else f"{(part.until_s - first_s) * time_factor:.2f} s"
        return f"from {start} to {end}"

    withheld = sum(part.withheld for part in damage)
    left_out = f"; {_pictures(withheld)} built on lost data {_were(withheld)} left out" if withheld else ""
    return (f"The file is damaged {_listed([said(part) for part in damage])}{left_out}: copy it again from the phone.",)


def missing_end_remarks(missing_s: float, end_s: float, declared_s: float | None) -> tuple[str, ...]:
    """Say that the recording ends before its declared duration."""
    if not missing_s or declared_s is None:
        return ()
    sentence = (
        f"The file is cut off: its header declares {declared_s:.2f} s, the pictures end at {end_s:.2f} s, and "
        f"{missing_s:.2f} s are missing; copy it again from the phone."
    )
    return (sentence,)


def structure_remarks(missing_bytes: int, *, broken: bool, told: bool) -> tuple[str, ...]:
    """Say that the file is shorter than its parts, or that something between them is no part; ``told`` where it was said."""
    found = []
    if missing_bytes and not told:
        found.append(
            f"The file is cut off: {missing_bytes} bytes that it declares are missing, and what they held with them; copy it "
            "again from the phone."
        )
    if broken:
        found.append(
            "The file is damaged between its parts, and what lay behind is not shown: copy it again from the phone."
        )
    return tuple(found)


def count_remarks(seen: int, counted: int) -> tuple[str, ...]:
    """Say that fewer pictures came out than the file's own tables count."""
    if seen >= counted:
        return ()
    sentence = (
        f"The file counts {_pictures(counted)} and {seen} came out: the rest lies outside what a trimmed recording shows, or "
        "is lost."
    )
    return (sentence,)


def single_remarks(lost_s: Sequence[float]) -> tuple[str, ...]:
    """Say at which times single pictures are missing from an even series."""
    if not lost_s:
        return ()
    places = _listed([f"{time_s:.2f} s" for time_s in lost_s])
    return (f"{_pictures(len(lost_s))} {_were(len(lost_s))} left out by the phone or lost (at {places}); angles hold.",)


def gap_remarks(gaps_s: Sequence[tuple[float, float]]) -> tuple[str, ...]:
    """Say between which times there is no picture."""
    if not gaps_s:
        return ()
    said = _listed([f"from {start:.2f} s to {end:.2f} s" for start, end in gaps_s])
    return (f"There are no pictures {said}: the recording paused there, or pictures were lost.",)


def time_remarks(equal: int, backwards: int, untimed: int, refused_s: Sequence[float]) -> tuple[str, ...]:
    """Say how many pictures were left out because of their time stamps."""
    remarks = []
    if equal or backwards:
        total = equal + backwards
        kinds = [f"{equal} equal to the one before"] if equal else []
        kinds += [f"{backwards} going backwards"] if backwards else []
        places = _listed([f"{time_s:.2f} s" for time_s in refused_s], total)
        remarks.append(
            f"{_pictures(total)} {_were(total)} left out because of the time stamps ({' and '.join(kinds)}; "
            f"at {places})."
        )
    if untimed:
        remarks.append(f"{_pictures(untimed)} without any time stamp {_were(untimed)} left out.")
    return tuple(remarks)


def rate_remarks(parts: Sequence[Stretch]) -> tuple[str, ...]:
    """Say that the rate changes as in exported slow motion."""
    if not parts:
        return ()
    said = _listed([f"{part.rate_hz:.0f} per second from {part.start_s:.2f} s to {part.end_s:.2f} s" for part in parts])
    sentence = (
        f"The rate of the pictures changes ({said}), as it does in slow motion that was exported, and in dim light: "
        "angles hold, speeds and durations are not to be trusted; send the original recording."
    )
    return (sentence,)


def size_remarks(stored_px: tuple[int, int], used_px: tuple[int, int], odd_shapes: int) -> tuple[str, ...]:
    """Say that pictures were reduced, or left out because their shape changed in mid-recording."""
    remarks = []
    if max(stored_px) > max(used_px):
        remarks.append(
            f"Pictures of {stored_px[0]} x {stored_px[1]} px were reduced to {used_px[0]} x {used_px[1]} px before "
            "measuring."
        )
    if odd_shapes:
        remarks.append(
            f"The picture changes its shape during the recording: {_pictures(odd_shapes)} of another shape than the "
            f"first {_were(odd_shapes)} left out; hold the phone one way while recording."
        )
    return tuple(remarks)


def orientation_remarks(orientation: Orientation, *, flipped_by_user: bool) -> tuple[str, ...]:
    """Say what the container asked for and a viewer cannot see."""
    remarks = []
    off_deg = abs((orientation.turned_by_deg - orientation.rotation_deg + 180.0) % 360.0 - 180.0)
    if off_deg > 1.0:
        remarks.append(
            f"The file asks for a turn by {orientation.turned_by_deg:.0f} degrees; the nearest quarter turn, "
            f"{orientation.rotation_deg}, was applied."
        )
    if orientation.mirrored and not flipped_by_user:
        remarks.append(
            "The file asks for its picture to be shown with left and right exchanged, and this was done: check that "
            "the sides are right, and state that the recording is mirrored if they are not."
        )
    return tuple(remarks)


def _pictures(count: int) -> str:
    return "1 picture" if count == 1 else f"{count} pictures"


def _were(count: int) -> str:
    return "was" if count == 1 else "were"
