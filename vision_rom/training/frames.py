"""Render sessions, look at them with the pose network, and keep landmarks beside the true arm directions.

    python -m vision_rom.training.frames FOLDER --first 0 --count 1000

writes one file a hundred sessions; a run that was stopped goes on where it was. Needs the ``synthetic`` extra.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

from vision_rom.handover import MIRRORED_LANDMARKS, SIDES, Floats, Landmark
from vision_rom.pose import PoseSettings
from vision_rom.pose.landmarker import Landmarker
from vision_rom.pose.pictures import RgbPicture
from vision_rom.synthetic.body import rig
from vision_rom.synthetic.people import JOINT_BONES, make_person
from vision_rom.synthetic.phone import draw_phone
from vision_rom.synthetic.pose3d import Posture
from vision_rom.synthetic.renderer import render_picture
from vision_rom.synthetic.scene import make_room
from vision_rom.synthetic.truth import arm_directions
from vision_rom.training.sessions import Session, draw_session
from vision_rom.training.shards import save_shard

SESSIONS_PER_SHARD = 100
N_ROOMS = 400

_COMPARED = ("shoulder", "elbow", "wrist", "hip")


def session_rows(seed: int, landmarker: Landmarker) -> list[dict[str, object]]:
    """Return one row a picture of the session of a seed."""
    session = draw_session(seed)
    person, room = make_person(session.person), make_room(seed % N_ROOMS)
    rng = np.random.default_rng((seed, 99))
    phone = draw_phone(rng)
    rows = []
    for pose in session.poses:
        rgb = render_picture([person.figure(pose)], session.camera, room, phone, rng)
        people = landmarker.look(RgbPicture(rgb))
        stance = person.posture(pose)
        rows.append({**_truth(session, seed, stance), **_seen(people, session, stance)})
    return rows


def _truth(session: Session, seed: int, stance: Posture) -> dict[str, object]:
    upper, forearm = [], []
    for side in SIDES:
        # x towards the arm's own side, so that a right arm is a mirrored left one
        own = np.array([1.0 if side == "left" else -1.0, 1.0, 1.0])
        u, w = arm_directions(stance, side)
        upper.append(own * u)
        forearm.append(own * w)
    return {
        "group": seed,
        "person": session.person,
        "kind": f"{session.kind} {session.camera.view}",
        "off_plane_deg": session.camera.off_plane_deg,
        "tilt_deg": session.camera.tilt_deg,
        "width_px": session.camera.width_px,
        "height_px": session.camera.height_px,
        "upper_arm": np.array(upper),
        "forearm": np.array(forearm),
    }


def _seen(people: object, session: Session, stance: Posture) -> dict[str, object]:
    points = np.asarray(people.landmarks_px, np.float64)  # type: ignore[attr-defined]
    if not len(points):
        nothing = np.full((33, 3), np.nan)
        return {"found": False, "landmarks_px": nothing, "visibility": np.full(33, np.nan), "world_m": nothing}
    index = rig().index
    true = {
        Landmark.of(side, part): session.camera.project(stance.heads_m[[index[JOINT_BONES[f"{side}_{part}"]]]])[0][0]
        for side in SIDES
        for part in _COMPARED
    }
    order = list(MIRRORED_LANDMARKS)
    plain = [_distance_px(one, true) for one in points]
    who = int(np.argmin(plain))
    landmarks, sure, world = points[who], people.visibility[who], people.world_m[who]  # type: ignore[attr-defined]
    # in use the identity of left and right comes from time; here the truth stands in for it
    if _distance_px(landmarks[order], true) < 0.8 * plain[who]:
        landmarks, sure, world = landmarks[order], sure[order], world[order]
    size = np.linalg.norm(true[Landmark.LEFT_SHOULDER] - true[Landmark.LEFT_HIP])
    return {
        "found": bool(_distance_px(landmarks, true) < 0.5 * size),
        "landmarks_px": landmarks,
        "visibility": sure,
        "world_m": world,
    }


def _distance_px(landmarks_px: Floats, true_px: dict[Landmark, Floats]) -> float:
    return float(np.mean([np.linalg.norm(landmarks_px[mark, :2] - at) for mark, at in true_px.items()]))


def main() -> None:
    """Render and look, shard by shard."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--model", default="full", choices=["full", "heavy"])
    parser.add_argument("--shard", type=int, default=SESSIONS_PER_SHARD)
    arguments = parser.parse_args()
    arguments.folder.mkdir(parents=True, exist_ok=True)
    started, done = time.monotonic(), 0
    landmarker = Landmarker(PoseSettings(model=arguments.model, max_people=1))
    for first in range(arguments.first, arguments.first + arguments.count, arguments.shard):
        path = arguments.folder / f"frames_{first:06d}.npz"
        if path.exists():
            continue
        rows = [row for seed in range(first, first + arguments.shard) for row in session_rows(seed, landmarker)]
        arrays = {name: np.array([row[name] for row in rows]) for name in rows[0]}
        for name in ("landmarks_px", "visibility", "world_m", "upper_arm", "forearm"):
            arrays[name] = arrays[name].astype(np.float32)
        save_shard(path, arrays)
        done += len(rows)
        found = float(np.mean(arrays["found"]))
        rate = (time.monotonic() - started) / done
        print(f"{path.name}: {len(rows)} pictures, {found:.0%} found, {rate:.2f} s a picture", file=sys.stderr)


if __name__ == "__main__":
    main()
