"""What knowing the camera is worth: the same recordings read with and without its profile and level. Run by hand.

    python -m vision_rom.proof.camera_bench CACHE_FOLDER --out tests/camera/bench

Rendered people of no other set, filmed from 2.8 m and from 1.5 m, level and tilted, with a phone's main lens and its wide
one. ``errors.csv`` holds every reading, ``table.csv`` the mean absolute errors side by side.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from vision_rom.camera.lens import Lens
from vision_rom.camera.patient import CameraAsked, camera_of_patient
from vision_rom.camera.placement import level_from_user
from vision_rom.camera.profile import CameraProfile
from vision_rom.errors import VisionRomError
from vision_rom.handover import Clip, PoseTrack, Reading
from vision_rom.known_camera import measure_with_camera
from vision_rom.proof.cases import ProofCase, calibration_set
from vision_rom.proof.clips import found_landmarks, rendered_clip
from vision_rom.readings import Measurement, measure_landmarks
from vision_rom.synthetic.camera import Camera
from vision_rom.synthetic.truth_file import ClipTruth
from vision_rom.ways import METHODS, Method

PEOPLE = range(55001, 55041)
FIRST_ROOM = 25000
MAIN_FOV_DEG = 60.0
WIDE_FOV_DEG = 95.0
WIDE_K1, WIDE_K2 = -0.14, 0.025
"""Barrel distortion of about a tenth in the picture's corners, as of an uncorrected wide lens. Assumed."""
TILT_DEG = 20.0
MOVEMENTS = ("abduction", "scaption", "flexion", "external_rotation")
EACH = 3
"""Clips of a movement and set-up"""
KNOWN = ("nothing", "profile", "profile and stated tilt")


@dataclass(frozen=True, slots=True)
class SetUp:
    """How a phone stands."""

    name: str
    distance_m: float
    wide: bool
    tilt_deg: float

    def camera(self, as_filmed: Camera, sign: float) -> Camera:
        """Return a case's camera moved to this place; ``sign`` tells whether the phone looks up or down."""
        tilt = sign * self.tilt_deg
        # raised or lowered, so that the person stays in the picture
        height_m = max(1.1 - self.distance_m * float(np.tan(np.radians(tilt))), 0.15)
        return replace(
            as_filmed,
            distance_m=self.distance_m,
            height_m=height_m,
            tilt_deg=tilt,
            vertical_fov_deg=WIDE_FOV_DEG if self.wide else MAIN_FOV_DEG,
            k1=WIDE_K1 if self.wide else 0.0,
            k2=WIDE_K2 if self.wide else 0.0,
        )


SET_UPS = (
    SetUp("main lens, 2.8 m, level", 2.8, False, 0.0),
    SetUp("main lens, 2.8 m, tilted", 2.8, False, TILT_DEG),
    SetUp("wide lens, 1.5 m, level", 1.5, True, 0.0),
    SetUp("wide lens, 1.5 m, tilted", 1.5, True, TILT_DEG),
)


def camera_cases() -> Iterator[tuple[SetUp, ProofCase]]:
    """Yield the bench's clips: plain movements of the calibration plan, by other people in other rooms."""
    plain = [case for case in calibration_set() if case.condition == "wanted view" and case.view != "back"]
    number = 0
    for set_up in SET_UPS:
        for movement in MOVEMENTS:
            of_movement = [case for case in plain if case.movement == movement]
            for index in range(EACH):
                case = of_movement[(index * 3 + 1) % len(of_movement)]
                person = PEOPLE[(7 * number) % len(PEOPLE)]
                camera = set_up.camera(case.description.camera, 1.0 if index % 2 else -1.0)
                description = replace(
                    case.description, person=person, room=FIRST_ROOM + number, camera=camera, seed=number
                )
                yield set_up, replace(case, name=f"camera-{number:03d}-{movement}-{person}", description=description)
                number += 1


def profile_of(camera: Camera) -> CameraProfile:
    """Return the profile that a faultless calibration of a rendered camera would write."""
    focal = camera.height_px / 2 / float(np.tan(np.radians(camera.vertical_fov_deg / 2)))
    width, height = camera.width_px, camera.height_px
    # the renderer's pixels begin at their corner, the profile's at their middle
    lens = Lens(focal, focal, (width - 1) / 2, (height - 1) / 2, width, height, (camera.k1, camera.k2))
    return CameraProfile(
        name="rendered",
        date=date(2026, 11, 25),
        lens=lens,
        rotation_deg=0,
        zoom=1.0,
        focus_note="rendered",
        residual_px=0.2,
        focal_interval95_px=(focal * 0.995, focal * 1.005),
        views=40,
        coverage=1.0,
    )


def read(known: str, path: Path, clip: Clip, track: PoseTrack, case: ProofCase, method: Method) -> Measurement:
    """Measure one clip with what is known of its camera."""
    camera = case.description.camera
    if known == "nothing":
        return measure_landmarks(clip, track, movement=case.movement, side=case.side, method=method)
    level = level_from_user(pitch_deg=camera.tilt_deg, roll_deg=camera.roll_deg) if known != "profile" else None
    found = camera_of_patient(path, clip, track, CameraAsked(profile=profile_of(camera), level=level))
    return measure_with_camera(clip, track, found, movement=case.movement, side=case.side, method=method)


def rows(cache: Path) -> Iterator[dict[str, object]]:
    """Yield one row a clip, method and knowledge of the camera."""
    for set_up, case in camera_cases():
        path, truth = rendered_clip(case, cache)
        clip, track = found_landmarks(case, path, cache, model="full")
        true_deg = float(np.mean([one.held for one in truth.repetitions if one.side == case.side]))
        for method in METHODS:
            for known in KNOWN:
                try:
                    reading = read(known, path, clip, track, case, method).readings[0]
                    held, interval, why = reading.held_deg, reading.interval95_deg, reading.reason or ""
                    vertical = reading.vertical_held_deg - _true_vertical_deg(truth, case, reading)
                except VisionRomError as error:
                    held, interval, why = float("nan"), (float("nan"), float("nan")), str(error)
                    vertical = float("nan")
                yield {
                    "clip": case.name,
                    "set_up": set_up.name,
                    "movement": case.movement,
                    "method": method,
                    "known_of_camera": known,
                    "true_deg": round(true_deg, 2),
                    "held_deg": round(held, 2),
                    "error_deg": round(held - true_deg, 2),
                    "vertical_error_deg": round(vertical, 2),
                    "low_deg": round(interval[0], 2),
                    "high_deg": round(interval[1], 2),
                    "reason": why,
                }
        print(case.name, file=sys.stderr)


def _true_vertical_deg(truth: ClipTruth, case: ProofCase, reading: Reading) -> float:
    """Return the true angle against the vertical, mean over the holds that were found; NaN without any."""
    values = truth.arms[case.side]["vertical_deg"]
    means = [
        float(np.mean(values[(truth.time_s >= one.hold_start_s) & (truth.time_s <= one.hold_end_s)]))
        for one in reading.repetitions
    ]
    return float(np.mean(means)) if means else float("nan")


def table_of(errors: pd.DataFrame) -> pd.DataFrame:
    """Return number, mean absolute error and share held by the interval of each set-up, method and knowledge."""
    measured = errors[np.isfinite(errors["held_deg"])]
    groups = measured.assign(
        size=measured["error_deg"].abs(),
        vertical=measured["vertical_error_deg"].abs(),
        holds=(measured["low_deg"] <= measured["true_deg"]) & (measured["true_deg"] <= measured["high_deg"]),
    ).groupby(["set_up", "method", "known_of_camera"], sort=False)
    table = groups.agg(
        clips=("size", "size"),
        mean_absolute_error_deg=("size", "mean"),
        largest_error_deg=("size", "max"),
        interval_holds=("holds", "mean"),
        mean_absolute_vertical_error_deg=("vertical", "mean"),
    )
    return pd.DataFrame(table.round(2).reset_index())


def main() -> None:
    """Run the bench and write its tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("cache", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    arguments = parser.parse_args()
    errors = pd.DataFrame(rows(arguments.cache))
    arguments.out.mkdir(parents=True, exist_ok=True)
    errors.to_csv(arguments.out / "errors.csv", index=False)
    table = table_of(errors)
    table.to_csv(arguments.out / "table.csv", index=False)
    print(table.to_string(index=False))


if __name__ == "__main__":
    main()
