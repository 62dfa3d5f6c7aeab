from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from vision_rom.training import sessions
from vision_rom.training.sessions import KINDS, N_INSTANTS, draw_session


def test_equal_seeds_give_equal_sessions():
    assert draw_session(17) == draw_session(17)
    assert draw_session(17) != draw_session(18)


def test_kinds_come_as_often_as_written():
    assert sum(KINDS.values()) == pytest.approx(1)
    seen = Counter(draw_session(seed).kind for seed in range(3000))
    for kind, share in KINDS.items():
        assert seen[kind] / 3000 == pytest.approx(share, abs=4 * np.sqrt(share / 3000))


def test_people_lie_where_no_proof_has_any():
    people = {draw_session(seed).person for seed in range(500)}
    assert min(people) >= sessions.FIRST_PERSON
    assert len(people) > 400


def test_a_session_is_one_camera_and_several_instants():
    session = draw_session(5)
    assert len(session.poses) == N_INSTANTS
    assert len({pose.position_m for pose in session.poses}) == 1


@pytest.mark.parametrize("side_view", ["left_side", "right_side"])
def test_movements_seen_from_the_side_show_the_near_arm(side_view):
    near = side_view.removesuffix("_side")
    seen = []
    for seed in range(600):
        session = draw_session(seed)
        if session.kind == "flexion" and session.camera.view == side_view:
            highest = {s: max(getattr(p, s).elevation_deg for p in session.poses) for s in ("left", "right")}
            seen.append(highest[near] >= 0.9 * max(highest.values()))
    # the other arm may take part, and now and then it is held somewhere
    assert len(seen) > 15
    assert np.mean(seen) > 0.85
