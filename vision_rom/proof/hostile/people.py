"""Measure people who are none and patients who are not as expected, and judge every reading by what is true. Run by hand.

    python -m vision_rom.proof.hostile.people --out FOLDER [--which seen|fresh] [--only WORDS] [--sheet FILE.jpg]

draws the recordings of ``people_cases.py`` into ``FOLDER/clips`` (kept, and drawn again only where they are missing), looks at them,
and writes ``people.csv`` (a line a recording and way of asking) and ``people.md`` (the table). Every recording is measured twice: with
movement and side named, and with nothing named, as a recording of unknown content is.

``sound``
    Within its own 95% interval or 10 degrees of the truth, of a real person and of the side that moved.
``refused``
    No reading, and the reason says why.
``told``
    A number that is none of these, under a remark that somebody else may have been measured.
``WRONG``
    The same without such a remark.
``CRASH``
    Anything that is no sentence of ours.
"""

from __future__ import annotations

import argparse
import csv
import re
import sys
import time
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Literal

import cv2
import numpy as np

from vision_rom.clip import open_clip
from vision_rom.errors import VisionRomError
from vision_rom.examination import measure_recording
from vision_rom.handover import Floats, Landmark, PoseTrack, Reading, Side
from vision_rom.measure import find_landmarks
from vision_rom.pose import PoseSettings
from vision_rom.proof.hostile.casting import PeopleCase, Which
from vision_rom.proof.hostile.people_cases import people_cases
from vision_rom.proof.hostile.stages import Picture, Role, draw_stage
from vision_rom.readings import Measurement
from vision_rom.synthetic.encode import write_clip
from vision_rom.synthetic.truth import true_repetitions

End = Literal["sound", "refused", "told", "WRONG", "CRASH"]
ENDS: tuple[End, ...] = ("sound", "refused", "told", "WRONG", "CRASH")
ALLOWED_DEG = 10.0
OWN_SHARE = 0.8
"""Of the pictures in which somebody was found, those in which it must be the person whose reading it is"""
SAYS_ANOTHER = re.compile(r"[Ss]omebody else|More than one person|another person|may be (a|of) ")
WAYS: tuple[Literal["named", "open"], ...] = ("named", "open")


@dataclass(frozen=True, slots=True)
class Judged:
    """One recording measured in one way."""

    situation: str
    clip: str
    asked: str
    """``named`` or ``open``"""
    end: End
    true_deg: str
    """Of every real person, in degrees, by side"""
    read: str
    """What was read, with its interval"""
    right_person: float
    """Share of the pictures with somebody in which it was a real person"""
    said: str
    """Reason or remarks"""


def judged(case: PeopleCase, measurement: Measurement, way: Literal["named", "open"]) -> Judged:
    """Judge everything that a recording gave."""
    shares = [_share_of(role, case, measurement.track) for role in case.real]
    ends = [_end_of(case, reading, measurement, shares) for reading in measurement.readings]
    read = [
        f"{one.movement} {one.side} {one.held_deg:.0f} ({one.interval95_deg[0]:.0f} to {one.interval95_deg[1]:.0f})"
        for one in measurement.readings
        if one.status == "measured"
    ]
    # places on the back and sums are no business of these recordings
    read += [f"{one.movement} {one.side} {one.value:.2f}" for one in measurement.places if one.status == "measured"]
    ends += ["WRONG" for one in measurement.places if one.status == "measured"]
    said = dict.fromkeys(
        [
            *(one.reason or "" for one in measurement.readings),
            *measurement.track.remarks,
            *measurement.filming,
            *(text for one in measurement.readings for text in one.remarks),
            *measurement.missing,
            *([] if measurement.readings else [measurement.choice]),
        ]
    )
    worst: End = max(ends, key=ENDS.index) if ends else "refused"
    return Judged(
        case.situation,
        case.name,
        way,
        worst,
        "; ".join(f"{side} {value:.0f}" for role in case.real for _, side, value in _truths(role)),
        "; ".join(read),
        round(max(shares, default=0.0), 2),
        " | ".join(one for one in said if one),
    )


def _end_of(case: PeopleCase, reading: Reading, measurement: Measurement, shares: Sequence[float]) -> End:
    if reading.status != "measured":
        return "refused" if reading.reason else "WRONG"
    low, high = reading.interval95_deg
    for role, share in zip(case.real, shares, strict=True):
        for movement, side, true_deg in _truths(role):
            near = low <= true_deg <= high or abs(reading.held_deg - true_deg) <= ALLOWED_DEG
            if near and (movement, side) == (reading.movement, reading.side) and _is_of(reading, role, case, share):
                return "sound"
    words = " ".join([*measurement.track.remarks, *measurement.filming, *reading.remarks])
    return "told" if SAYS_ANOTHER.search(words) else "WRONG"


def _is_of(reading: Reading, role: Role, case: PeopleCase, share: float) -> bool:
    """Tell whether the reading's repetitions are those of this person, where several people did some."""
    if len(case.real) == 1:
        return share >= OWN_SHARE
    spans = [(one.start_s, one.end_s) for one in true_repetitions(role.script, role.person)]
    return all(any(a - 1 < one.peak_s < b + 1 for a, b in spans) for one in reading.repetitions)


def _truths(role: Role) -> list[tuple[str, Side, float]]:
    return [(one.movement, one.side, one.held) for one in true_repetitions(role.script, role.person)]


def _share_of(role: Role, case: PeopleCase, track: PoseTrack) -> float:
    """Return in which share of the pictures with somebody the hips are where this person's are."""
    found = np.flatnonzero(np.isfinite(track.landmarks_px[:, Landmark.LEFT_HIP, 0]))
    if not found.size:
        return 0.0
    if case.stage.only_mirror:
        return 1.0
    hips = track.landmarks_px[:, [Landmark.LEFT_HIP, Landmark.RIGHT_HIP], :2].mean(axis=1)
    shoulders = track.landmarks_px[:, [Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER], :2].mean(axis=1)
    size = float(np.nanmedian(np.linalg.norm(hips - shoulders, axis=1)))
    true = np.array([role.hips_m(float(track.time_s[row])) for row in found])
    place = _turned_px(case.stage.camera.project(true)[0], case)
    return float((np.linalg.norm(hips[found] - place, axis=1) < 0.5 * size).mean())


def _turned_px(points: Floats, case: PeopleCase) -> Floats:
    width, height = case.stage.camera.width_px, case.stage.camera.height_px
    x, y = points[:, 0], points[:, 1]
    turned = {
        "upside down": (width - x, height - y),
        "on its left": (y, width - x),
        "on its right": (height - y, x),
    }.get(case.turned, (x, y))
    return np.stack(turned, axis=1)


def stored(case: PeopleCase, folder: Path) -> Path:
    """Return the recording of a case, drawn now where it is missing."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{_file_name(case.name)}.mp4"
    if path.exists():
        return path
    if not case.drawn_as:
        write_clip(path, draw_stage(case.stage), case.stage.times_s())
        return path
    source = stored(replace(case, name=case.drawn_as, drawn_as="", turned="no"), folder)
    turns = {"upside down": 2, "on its left": 1, "on its right": 3}.get(case.turned, 0)
    with open_clip(source, wanted_rate_hz=None) as reader:
        pictures = [np.ascontiguousarray(np.rot90(frame.rgb, turns)) for frame in reader]
    write_clip(path, pictures, case.stage.times_s(), rotation_deg=180 if case.turned == "told" else 0)
    return path


def _file_name(name: str) -> str:
    return re.sub(r"[^a-z0-9.]+", "_", name.lower())


def measured(case: PeopleCase, folder: Path, landmarks: Path | None = None) -> list[Judged]:
    """Measure a recording in both ways; landmarks are kept in a folder where there is one."""
    rows: list[Judged] = []
    try:
        clip, track = find_landmarks(
            stored(case, folder / "clips"),
            settings=PoseSettings(),
            mirrored=False,
            time_factor=1.0,
            rate_hz=30.0,
            cache=landmarks,
            on_progress=lambda stage, share: None,
        )
    except VisionRomError as error:
        return [Judged(case.situation, case.name, way, "refused", "", "", 0.0, str(error)) for way in WAYS]
    for way in WAYS:
        try:
            found = (
                measure_recording(clip, track, movement=case.movement, side=case.side)
                if way == "named"
                else measure_recording(clip, track)
            )
            rows.append(judged(case, found, way))
        except VisionRomError as error:
            rows.append(Judged(case.situation, case.name, way, "refused", "", "", 0.0, str(error)))
        except Exception as error:  # noqa: BLE001 - this is what is looked for
            rows.append(
                Judged(case.situation, case.name, way, "CRASH", "", "", 0.0, f"{type(error).__name__}: {error}")
            )
    return rows


def table(rows: Sequence[Judged]) -> str:
    """Return counts by situation as Markdown."""
    lines = [f"| situation | recordings | {' | '.join(ENDS)} |", "|---" * (len(ENDS) + 2) + "|"]
    for situation in [*dict.fromkeys(one.situation for one in rows), "all"]:
        own = [one for one in rows if situation in (one.situation, "all")]
        counts = Counter(one.end for one in own)
        cells = [str(counts[end]) for end in ENDS]
        lines.append(f"| {situation} | {len({one.clip for one in own})} | {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"


def contact_sheet(cases: Iterable[PeopleCase], folder: Path, path: Path, *, across: int = 9) -> None:
    """Write one picture of each drawn recording, at about the top of its movement, beside each other."""
    tiles: list[Picture] = []
    for case in cases:
        with open_clip(stored(case, folder / "clips"), wanted_rate_hz=None) as reader:
            frames = [frame.rgb for frame in reader]
        picture = frames[min(int(2.0 * case.stage.rate_hz), len(frames) - 1)]
        scale = min(150 / picture.shape[1], 170 / picture.shape[0])
        small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        tile = np.full((184, 150, 3), 255, np.uint8)
        tile[: small.shape[0], (150 - small.shape[1]) // 2 :][:, : small.shape[1]] = small
        cv2.putText(tile, case.name[:26], (1, 181), cv2.FONT_HERSHEY_SIMPLEX, 0.31, (0, 0, 0), 1, cv2.LINE_AA)
        tiles.append(tile)
    while len(tiles) % across:
        tiles.append(np.full((184, 150, 3), 255, np.uint8))
    rows = [np.hstack(tiles[at : at + across]) for at in range(0, len(tiles), across)]
    cv2.imwrite(str(path), np.vstack(rows)[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 72])


def main() -> None:
    """Draw, measure, judge, write."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--out", type=Path, required=True)
    asked.add_argument("--which", choices=("seen", "fresh"), default="seen")
    asked.add_argument("--only", default="", help="only recordings whose situation or name holds this")
    asked.add_argument("--draw-only", action="store_true")
    asked.add_argument("--landmarks", type=Path, help="keep landmarks here, and take those that are here already")
    asked.add_argument("--sheet", type=Path)
    options = asked.parse_args()
    which: Which = options.which
    folder: Path = options.out / which
    cases = [one for one in people_cases(which) if options.only in f"{one.situation} {one.name}"]
    rows: list[Judged] = []
    started = time.process_time()
    for case in cases:
        stored(case, folder / "clips")
        if not options.draw_only:
            rows += measured(case, folder, options.landmarks)
            print(*(f"{one.end:8}{one.asked:6} {one.clip}: {one.read}" for one in rows[-2:]), sep="\n", flush=True)
    print(f"{(time.process_time() - started) / 60:.1f} minutes of processor time", file=sys.stderr)
    if options.sheet:
        contact_sheet(cases, folder, options.sheet)
    if rows:
        with (folder / "people.csv").open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, [one.name for one in fields(Judged)], lineterminator="\n")
            writer.writeheader()
            writer.writerows(asdict(one) for one in rows)
        (folder / "people.md").write_text(table(rows), encoding="utf-8")
        print(table(rows))


if __name__ == "__main__":
    main()
