"""Measure the camera room on rendered sheets and rooms, and print the tables of README.md.

    python calibration/measure.py [lens] [target] [level]

Everything is drawn with fixed seeds through lenses that are known exactly; nothing was tuned on these seeds. The lens part
takes about ten minutes on two cores, the target part three, the level part a few seconds.
"""

# ruff: noqa: T201 -- a script that talks on the terminal

from __future__ import annotations

import sys
from dataclasses import dataclass, replace

import numpy as np
from make_examples import NORMAL, WIDE

from vision_rom.camera.calibration import Calibration, calibrate_from
from vision_rom.camera.check import bar_angles_deg, check_target
from vision_rom.camera.detect import BarView, find_board, find_target
from vision_rom.camera.filming import HOLD_S, MOVE_S, board_path, standing_camera
from vision_rom.camera.fov import assumed_focal
from vision_rom.camera.lens import Lens
from vision_rom.camera.level import level_from_lines
from vision_rom.camera.placement import Level, camera_axes
from vision_rom.camera.rendering import Camera, RayLens, SheetPose, look_at_sheet, render, texture_of
from vision_rom.camera.sheets import BOARD, TARGETS, Target
from vision_rom.camera.views import BoardFrame, choose_frames
from vision_rom.handover import Floats

PLACEMENTS = 30
ROOMS = 200


@dataclass(frozen=True)
class EquidistantLens:
    """A lens of another model than the one that is fitted: the distance from the centre is the angle times the focal length."""

    focal_x_px: float
    centre_x_px: float
    centre_y_px: float
    width_px: int
    height_px: int

    def rays(self, points_px: Floats) -> Floats:
        """Return x and y at distance 1."""
        offset = (points_px - [self.centre_x_px, self.centre_y_px]) / self.focal_x_px
        angle = np.maximum(np.hypot(offset[..., 0], offset[..., 1]), 1e-12)
        return np.asarray(offset * (np.tan(angle) / angle)[..., None])

    def project_rays(self, rays: Floats) -> Floats:
        """Invert :meth:`rays`."""
        radius = np.maximum(np.hypot(rays[..., 0], rays[..., 1]), 1e-12)
        centre = np.array([self.centre_x_px, self.centre_y_px])
        return np.asarray(rays * (np.arctan(radius) / radius * self.focal_x_px)[..., None] + centre)


def measure_lenses() -> None:
    """Board filmed through three lenses, standing still and held by hand, two recordings each."""
    texture = texture_of(BOARD.drawing(), BOARD.size_mm)
    print(
        "| lens | board and shutter | views | focal length error | stated 95 % half width | residual | straight to | verdict |"
    )
    print("|---|---|---|---|---|---|---|---|")
    lenses: dict[str, Lens | EquidistantLens] = {
        "normal, 65 deg": NORMAL,
        "wide, 94 deg": WIDE,
        "wide, 105 deg, equidistant": EquidistantLens(700.0, 642.0, 357.0, 1280, 720),
    }
    for name, lens in lenses.items():
        for condition, camera, tremor in (
            ("still, global", Camera(lens), 0.0),
            ("hand's tremor, rolling 20 ms, 8 ms exposure", Camera(lens, readout_s=0.02, exposure_s=0.008), 1.0),
        ):
            for seed in (101, 102):
                found = _calibrated(texture, lens, camera, tremor, seed)
                focal = (found.lens.focal_x_px + found.lens.focal_y_px) / 2
                low, high = found.focal_interval95_px
                print(
                    f"| {name} | {condition} | {len(found.times_s)} | {focal / lens.focal_x_px - 1:+.2%} | "
                    f"{(high - low) / 2 / focal:.2%} | {found.residual_px:.2f} px | {_bend_px(found.lens, lens):.2f} px | "
                    f"{'good' if found.good else 'redo'} |",
                    flush=True,
                )


def _calibrated(texture: object, lens: RayLens, camera: Camera, tremor: float, seed: int) -> Calibration:
    pose_at, end_s = board_path(lens, seed=seed, tremor=tremor)
    generator = np.random.default_rng(seed)
    frames = []
    for start_s in np.arange(0.0, end_s, HOLD_S + MOVE_S):
        for share in (0.3, 0.7):
            time_s = float(start_s) + share * HOLD_S
            view = find_board(render(texture, pose_at, time_s, camera, generator=generator))
            if view is not None:
                frames.append(BoardFrame(time_s, view))
    size = {"width_px": lens.width_px, "height_px": lens.height_px}
    return calibrate_from(choose_frames(frames, **size), **size)


def _bend_px(found: Lens, true: Lens | EquidistantLens) -> float:
    """Largest bend left in 200 lines of the world that cross the whole picture."""
    generator = np.random.default_rng(0)
    width, height = true.width_px - 1, true.height_px - 1
    worst = 0.0
    for _ in range(200):
        ends = np.array([[generator.uniform(0, width), 0.0], [generator.uniform(0, width), height]])
        if generator.random() < 0.5:
            ends = np.array([[0.0, generator.uniform(0, height)], [width, generator.uniform(0, height)]])
        start, stop = true.rays(ends)
        line = true.project_rays(start + np.linspace(0.0, 1.0, 60)[:, None] * (stop - start))
        inside = (line >= 0).all(axis=1) & (line <= [width, height]).all(axis=1)
        straight = found.straighten(line[inside])
        if not np.isfinite(straight).all():
            return float("inf")  # the lens has no answer for some part of the picture
        centred = straight - straight.mean(axis=0)
        worst = max(worst, float(np.abs(centred @ np.linalg.svd(centred)[2][1]).max()))
    return worst


def measure_target() -> None:
    """Angle target from 30 places through each lens; the profile is off by what a calibration leaves (0.2 % here)."""
    textures = {target.name: texture_of(target.drawing(), target.size_mm) for target in TARGETS}
    print("| lens | profile | read as geometry says | off-plane error | tilt error | facing the wall | verdict right |")
    print("|---|---|---|---|---|---|---|")
    for name, true in (("normal", NORMAL), ("wide", WIDE)):
        for profile in (True, False):
            lens = assumed_focal(true.width_px, true.height_px).lens(true.width_px, true.height_px)
            if profile:
                lens = replace(true, focal_x_px=true.focal_x_px * 1.002, focal_y_px=true.focal_y_px * 1.002)
            generator = np.random.default_rng(77)
            read, off_plane, tilt, facing, right, seen = [], [], [], [], 0, 0
            for place in range(PLACEMENTS):
                target = TARGETS[place % 2]
                pose = _placement(generator, true)
                views = [
                    find_target(
                        render(
                            textures[target.name],
                            standing_camera(pose, seed=place, tremor=0.1),
                            k / 5,
                            Camera(true, readout_s=0.02, exposure_s=0.008),
                            generator=generator,
                        ),
                        lens=lens if profile else None,
                    )
                    for k in range(3)
                ]
                found = [view for view in views if view is not None]
                if len(found) < 3:
                    continue
                seen += 1
                check = check_target(found, lens, with_profile=profile)
                truth = _exact_angles(target, pose, true, corrected=profile)
                read.append(max(abs(check.read_deg(r) - truth[r.known_deg]) for r in check.readings))
                off_plane.append(abs(check.placement.off_plane_deg - _off_plane_deg(pose)))
                tilt.append(abs(check.placement.roll_deg - _roll_deg(pose)))
                facing.append(check.largest_facing_error_deg)
                should_pass = max(abs(angle - known) for known, angle in truth.items()) <= 1.0
                right += check.passed == should_pass
            print(
                f"| {name} | {'yes' if profile else 'no'} | {_typical(read)} | {_typical(off_plane)} | {_typical(tilt)} | "
                f"{_typical(facing)} | {right} of {seen} (of {PLACEMENTS} filmed) |",
                flush=True,
            )


def _placement(generator: np.random.Generator, lens: Lens) -> SheetPose:
    """Draw a camera 1.5 to 2.7 m from the wall, up to 18 deg turned, 12 pitched, 8 rolled; the sheet wholly in the picture."""
    while True:
        pose = look_at_sheet(
            distance_m=generator.uniform(1.5, 2.7),
            turn_deg=generator.uniform(-18, 18),
            pitch_deg=generator.uniform(-12, 12),
            roll_deg=generator.uniform(-8, 8),
            aim_m=(generator.uniform(-0.8, 0.8), generator.uniform(-0.5, 0.5)),
        )
        outline = np.array([[x, y, 0.0] for x in (-0.15, 0.15) for y in (-0.18, 0.18)])
        if lens.contains(lens.project(pose.points_m(outline))).all():
            return pose


def _exact_angles(target: Target, pose: SheetPose, lens: Lens, *, corrected: bool) -> dict[float, float]:
    bars = []
    for bar in target.bars():
        points = lens.project(pose.points_m(np.linspace([*bar.inner_mm, 0.0], [*bar.outer_mm, 0.0], 40) / 1000))
        bars.append(BarView(bar.angle_deg, lens.straighten(points) if corrected else points))
    return bar_angles_deg(bars)


def _off_plane_deg(pose: SheetPose) -> float:
    axis = pose.rotation[:, 2]
    return float(np.degrees(np.arctan2(np.hypot(axis[0], axis[1]), axis[2])))


def _roll_deg(pose: SheetPose) -> float:
    return float(np.degrees(np.arctan2(pose.rotation[0, 1], pose.rotation[1, 1])))


def measure_level() -> None:
    """Down from upright edges of random rooms: how often it is answered, and how wrong the answers are."""
    lens = Lens(900.0, 900.0, 640.0, 360.0, 1280, 720, (-0.1, 0.02))
    print("| room | answered | error of the answers | within two stated deviations |")
    print("|---|---|---|---|")
    for name, count, lean_deg, slanted in (
        ("8 plumb edges", 8, 0.0, 0),
        ("5 plumb edges", 5, 0.0, 0),
        ("8 plumb edges, 4 slanted", 8, 0.0, 4),
        ("8 edges up to 1 deg off plumb", 8, 1.0, 0),
        ("10 edges slanted by up to 25 deg", 0, 0.0, 10),
    ):
        generator = np.random.default_rng(31)
        errors, within = [], []
        for _ in range(ROOMS):
            axes = camera_axes(generator.uniform(-20, 20), generator.uniform(-12, 12), generator.uniform(-12, 12))
            lines = np.concatenate(
                [_edges(generator, axes, lens, count, lean_deg), _edges(generator, axes, lens, slanted, 25.0)]
            )
            level = level_from_lines(lines, lens)
            if isinstance(level, Level):
                cross = np.linalg.norm(np.cross(level.down, axes[1]))
                errors.append(float(np.degrees(np.arctan2(cross, level.down @ axes[1]))))
                within.append(errors[-1] < 2.0 * level.sd_deg)
        print(
            f"| {name} | {len(errors)} of {ROOMS} | {_typical(errors)} | {np.mean(within) if within else 1.0:.0%} |",
            flush=True,
        )


def _edges(generator: np.random.Generator, axes: Floats, lens: Lens, count: int, lean_deg: float) -> Floats:
    ends: list[Floats] = []
    while len(ends) < count:
        foot = generator.uniform([-2.0, 0.2, 2.0], [2.0, 1.2, 4.0])
        lean = np.radians(lean_deg) * generator.uniform(-1.0, 1.0, 2)
        top = foot - generator.uniform(0.8, 2.0) * np.array([np.sin(lean[0]), np.cos(lean[0]), np.sin(lean[1])])
        pixels = lens.project(np.stack([foot, top]) @ axes)
        if lens.contains(pixels).all():
            ends.append(pixels + generator.normal(0.0, 0.3, (2, 2)))
    return np.array(ends).reshape(-1, 2, 2)


def _typical(values: list[float]) -> str:
    if not values:
        return "-"
    return f"median {np.median(values):.2f}, largest {np.max(values):.2f} deg"


if __name__ == "__main__":
    parts = {"lens": measure_lenses, "target": measure_target, "level": measure_level}
    for part in sys.argv[1:] or list(parts):
        parts[part]()
        print()
