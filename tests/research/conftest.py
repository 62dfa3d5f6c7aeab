"""Invented people as landmarks whose angle is arithmetic: quick to measure, so that whole runs fit into a test."""

from __future__ import annotations

import csv
import hashlib
import json
import os

import numpy as np
import pytest

from vision_rom.handover import Clip, Landmark, PoseModel, PoseTrack
from vision_rom.readings import measure_landmarks
from vision_rom.research.landmark_files import own_json

WIDTH_PX, HEIGHT_PX, PIXELS_A_METRE = 600, 800, 300.0
STANDING_M = {
    "nose": (0.0, -0.68), "left_eye": (0.03, -0.71), "right_eye": (-0.03, -0.71), "left_ear": (0.08, -0.69),
    "right_ear": (-0.08, -0.69), "left_shoulder": (0.19, -0.5), "right_shoulder": (-0.19, -0.5), "left_elbow": (0.21, -0.21),
    "right_elbow": (-0.21, -0.21), "left_wrist": (0.22, 0.04), "right_wrist": (-0.22, 0.04), "left_hip": (0.1, 0.0),
    "right_hip": (-0.1, 0.0), "left_knee": (0.1, 0.42), "right_knee": (-0.1, 0.42), "left_ankle": (0.1, 0.82),
    "right_ankle": (-0.1, 0.82), "left_heel": (0.1, 0.86), "right_heel": (-0.1, 0.86), "left_foot_index": (0.13, 0.9),
    "right_foot_index": (-0.13, 0.9),
}  # fmt: skip


def raised(peak_deg, *, rate_hz=20.0, repetitions=1):
    """Angle of an arm that hangs, rises, is held and comes back."""
    moments, corners = [0.0], [8.0]
    for _ in range(repetitions):
        for step, angle in ((0.8, 8.0), (1.2, peak_deg), (1.2, peak_deg), (1.2, 8.0)):
            moments.append(moments[-1] + step)
            corners.append(angle)
    moments.append(moments[-1] + 0.8)
    corners.append(8.0)
    time_s = np.arange(0, moments[-1], 1 / rate_hz)
    return time_s, np.interp(time_s, moments, corners)


def track_of(angle_deg, time_s, side="left"):
    """Landmarks of somebody who faces the camera and raises one arm in the picture's plane."""
    n = len(time_s)
    places = np.full((n, len(Landmark), 3), np.nan)
    for landmark in Landmark:
        place = STANDING_M.get(landmark.name.lower(), STANDING_M["nose"])
        if landmark.name.startswith(("LEFT", "RIGHT")) and landmark.name.lower() not in STANDING_M:
            place = STANDING_M[f"{landmark.name.split('_')[0].lower()}_wrist"] if landmark > 16 else place
        places[:, landmark] = (*place, 0.0)
    outward = 1.0 if side == "left" else -1.0
    turn = np.radians(angle_deg)
    direction = np.stack([outward * np.sin(turn), np.cos(turn), np.zeros(n)], axis=1)
    shoulder = places[:, Landmark.of(side, "shoulder")]
    for part, distance in (("elbow", 0.29), ("wrist", 0.54), ("index", 0.6), ("thumb", 0.6), ("pinky", 0.6)):
        places[:, Landmark.of(side, part)] = shoulder + distance * direction
    pixels = places * PIXELS_A_METRE + (WIDTH_PX / 2, 0.62 * HEIGHT_PX, 0.0)
    return PoseTrack(
        time_s=time_s,
        frame_index=np.arange(n),
        landmarks_px=pixels,
        visibility=np.full((n, len(Landmark)), 0.99),
        world_m=places,
        width_px=WIDTH_PX,
        height_px=HEIGHT_PX,
        model=PoseModel("imported", "0" * 64, "test"),
        people=np.ones(n, np.int64),
        ambiguous=np.zeros(n, np.bool_),
        exchanged=np.zeros(n, np.bool_),
    )


def clip_of(track, path):
    return Clip(
        path=path, sha256="0" * 64, duration_s=float(track.time_s[-1]), frames_decoded=len(track.time_s), frame_rate_hz=20.0,
        variable_frame_rate=False, rotation_deg=0, mirrored=False, width_px=WIDTH_PX, height_px=HEIGHT_PX,
    )  # fmt: skip


@pytest.fixture(scope="session")
def measurement(tmp_path_factory):
    """Two repetitions of an invented left arm, held at 120 degrees; one landmark hidden, one moment without anybody."""
    track = track_of(*raised(120.0, repetitions=2)[::-1])
    track.landmarks_px[3:6, Landmark.NOSE] = np.nan
    track.world_m[3:6, Landmark.NOSE] = np.nan
    return measure_landmarks(
        clip_of(track, tmp_path_factory.mktemp("clip") / "x.mp4"), track, movement="abduction", side="left"
    )


def write_people(folder, count, *, first_peak=60.0, step=1.0):
    """Write files of landmarks whose peaks step up, two that are broken, and the list of all of them."""
    folder.mkdir(parents=True, exist_ok=True)
    lines = ["clip,subject,visit,movement,side,site"]
    for number in range(count):
        time_s, angle = raised(first_peak + step * number)
        track = track_of(angle, time_s, "left" if number % 2 else "right")
        name = f"p{number:03d}.json"
        (folder / name).write_text(json.dumps(own_json(track)))
        side = "left" if number % 2 else "right"
        lines.append(f'{name},s{number // 2},{number % 2 + 1},abduction,{side},"north, ""2"""')
    (folder / "broken.json").write_text('{"schema": "vision-rom/landmarks/1", "frames": [')
    lines += ["broken.json,sx,1,abduction,left,", "absent.json,sy,1,abduction,left,"]
    (folder / "list.csv").write_text("\n".join(lines) + "\n")
    return folder / "list.csv"


@pytest.fixture(scope="session")
def people(tmp_path_factory):
    """The list of six people and two broken files."""
    return write_people(tmp_path_factory.mktemp("people"), 6)


@pytest.fixture(scope="session")
def people_in():
    """Function that writes people into a folder."""
    return write_people


@pytest.fixture(scope="session")
def drawn():
    """Function from peak angle to a track."""
    return lambda peak_deg, side="left", **how: track_of(*raised(peak_deg, **how)[::-1], side)


@pytest.fixture(scope="session")
def digests():
    """Function from a run folder to the checksum of every file that two equal runs share."""

    def of(run):
        left_out = {"log.jsonl", "machine.json", ".lock"}
        files = [one for one in run.rglob("*") if one.is_file() and one.name not in left_out]
        return {one.relative_to(run).as_posix(): hashlib.sha256(one.read_bytes()).hexdigest() for one in sorted(files)}

    return of


@pytest.fixture(scope="session")
def rows():
    """Function from a CSV file to its rows."""

    def of(path):
        with path.open() as file:
            return list(csv.DictReader(file))

    return of


@pytest.fixture(scope="session")
def waits_for_a_partner():
    """Function that says whether a thread of a process hangs in opening a pipe that nobody writes to."""

    def of(pid):
        try:
            for task in os.listdir(f"/proc/{pid}/task"):
                with open(f"/proc/{pid}/task/{task}/wchan") as file:
                    if "wait_for_partner" in file.read():
                        return True
        except OSError:
            pass
        return False

    return of
