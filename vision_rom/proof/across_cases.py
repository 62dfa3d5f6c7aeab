"""Adduction across the body, of rendered people seen from the front: from just past straight ahead to fully across.

One arm of each person goes once. People, rooms and tempers are others than those of every other set. Unlike the exercise of
``synthetic/choreography.py``, whose elbow and forearm always do the same, elevation, elbow, forearm and trunk differ from person to
person: some keep the arm nearly straight, some lay the hand on the far shoulder.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from vision_rom.handover import other_side
from vision_rom.proof.cases import ProofCase
from vision_rom.synthetic.arm_reach import directions_of
from vision_rom.synthetic.camera import Camera
from vision_rom.synthetic.clip_description import ClipDescription
from vision_rom.synthetic.phone import Phone
from vision_rom.synthetic.pose3d import SIDES, ArmPose, Side
from vision_rom.synthetic.script import Script, Stand, Traced
from vision_rom.synthetic.scripts import random_rest

PEOPLE = range(64001, 64051)
LEAST_DEG, FURTHEST_DEG = 95.0, 146.0
"""Peaks as planes of elevation of the level arm: 90 is straight ahead. 135 is the textbook's range (AAOS 1965, from memory)."""
RATE_HZ = 8.0
BENT = 0.4
"""Share of people who bend the elbow to lay the hand on or near the far shoulder (by eye)"""


def across_cases(people: Sequence[int]) -> Iterator[ProofCase]:
    """Yield the recording of each person, the same each time; peaks are spread evenly over the people."""
    order = np.random.default_rng((people[0], 5772)).permutation(len(people))
    for number, person in enumerate(people):
        share = (float(order[number]) + 0.5) / len(people)
        yield _case(number, person, LEAST_DEG + share * (FURTHEST_DEG - LEAST_DEG))


def _case(number: int, person: int, peak_deg: float) -> ProofCase:
    rng = np.random.default_rng((person, 5772))
    side = SIDES[int(rng.integers(2))]
    script = Script(
        acts=(Stand(0.7), _repetition(rng, side, peak_deg), Stand(0.4)),
        seed=int(rng.integers(2**31)),
        sway_deg=float(rng.uniform(0.5, 1.0)),
        yaw_deg=float(rng.normal(0, 4)),
        rest=random_rest(rng),
    )
    return ProofCase(
        name=f"across-{number:02d}-{side}-{person}",
        movement="cross_body_adduction",
        side=side,
        view="front",
        condition="wanted view",
        description=ClipDescription(
            person=person,
            script=script,
            camera=_camera(rng),
            # rooms have their people's numbers: no other set comes near
            room=person,
            phone=Phone(
                exposure_ev=float(rng.normal(0.0, 0.2)),
                noise=float(rng.uniform(0.5, 3.5)),
                blur_px=float(rng.uniform(0.3, 0.9)),
                shutter_s=float(rng.uniform(0.003, 0.012)),
            ),
            rate_hz=RATE_HZ,
            seed=number,
        ),
    )


def _repetition(rng: np.random.Generator, side: Side, peak_deg: float) -> Traced:
    """The arm comes up ahead, goes across, stays, and goes down."""
    bent = rng.random() < BENT
    elevation_deg = float(rng.normal(87, 6))
    elbow_deg = float(rng.uniform(45, 105) if bent else rng.uniform(4, 40))
    # 0 has the bent forearm upright, 90 level and across
    inward_deg = float(rng.uniform(50, 95))
    turn_deg = float(abs(rng.normal(0, 4)))
    lean_deg = float(rng.normal(0, 2))

    def keyframe(plane_deg: float, elbow: float) -> tuple[float, ...]:
        arm = ArmPose(elevation_deg, plane_deg, 90.0 - plane_deg - inward_deg, elbow)
        return tuple(float(value) for part in directions_of(arm, side) for value in part)

    ahead = keyframe(85.0, min(elbow_deg, 25.0))
    # points between, for a straight line from ahead to across would let the arm shorten its way
    shares = (0.35, 0.7, 1.0)
    between = [
        keyframe(85.0 + share * (peak_deg - 85.0), min(elbow_deg, 25.0) + share * (elbow_deg - min(elbow_deg, 25.0)))
        for share in shares
    ]
    up_s, hold_s = float(rng.uniform(0.6, 0.9)), float(rng.uniform(0.8, 1.0))
    times = (0.0, 0.2, *(0.2 + share * up_s for share in shares), 0.2 + up_s + hold_s)
    moving = (ahead, ahead, *between, between[-1])
    resting = tuple(float(v) for part in directions_of(random_rest(rng), other_side(side)) for v in part)
    toward = 1.0 if side == "right" else -1.0
    still, turned = (0.0, 0.0, 0.0), (-toward * lean_deg, 0.0, toward * turn_deg)
    return Traced(
        movement="cross_body_adduction",
        side=side,
        time_s=times,
        left=moving if side == "left" else (resting,) * len(times),
        right=moving if side == "right" else (resting,) * len(times),
        trunk=(still, still, still, turned, turned, turned),
        ready_s=0.9,
    )


def _camera(rng: np.random.Generator) -> Camera:
    return Camera(
        view="front",
        off_plane_deg=float(rng.uniform(-8, 8)),
        distance_m=float(rng.uniform(2.2, 3.2)),
        height_m=float(rng.uniform(1.0, 1.3)),
        tilt_deg=float(rng.normal(0, 2)),
        pan_deg=float(rng.normal(0, 1.5)),
        roll_deg=float(rng.normal(0, 1.5)),
        vertical_fov_deg=float(rng.uniform(56.0, 68.0)),
        width_px=384,
        height_px=512,
    )
