"""Adduction across the body by a marked elbow: the people of the claim, the fit, and the committed result."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from vision_rom.angles import find_view
from vision_rom.angles.across_body import LINES, MARK_SD_WIDTHS, PEOPLE, STUDENT
from vision_rom.handover import ArmMark, Clip, Landmark, PoseTrack
from vision_rom.parts import stretch_around
from vision_rom.proof import across_cases, cases, examination_cases
from vision_rom.proof.across_marks import CLAIMED, DRAWS, Marked, as_plain, claim_of, learned_lines
from vision_rom.synthetic.people import make_person

ACROSS = Path(__file__).parents[1] / "examination" / "across"
RESULT = json.loads((ACROSS / "marks.json").read_text(encoding="utf-8"))
CLAIM = RESULT["claim"]


def test_nobody_of_the_claim_is_in_another_set() -> None:
    others = {
        *across_cases.PEOPLE, *examination_cases.SEEN_PEOPLE, *examination_cases.SEEN_LATER, *examination_cases.CLAIMED_PEOPLE,
        *cases.FULL_PEOPLE, *cases.QUICK_PEOPLE, *cases.CALIBRATION_PEOPLE,
    }  # fmt: skip
    assert not set(CLAIMED) & (others | {one + 500 for one in others})
    assert len(CLAIMED) == 40


def test_the_lines_in_use_are_those_that_were_learned() -> None:
    kept = json.loads((ACROSS / "lines.json").read_text(encoding="utf-8"))
    assert kept["people"] == PEOPLE == len(across_cases.PEOPLE)
    assert kept["lines"] == as_plain(LINES)


def test_student_s_factor_is_that_of_so_many_people() -> None:
    from scipy import stats

    assert pytest.approx(stats.t.ppf(0.975, PEOPLE - 3), abs=1e-3) == STUDENT


def test_the_interval_held_on_people_nobody_had_looked_at_for_marks_of_every_size() -> None:
    assert {row["mark_sd_widths"] for row in CLAIM} >= {0.0, MARK_SD_WIDTHS, 0.08, 0.11}
    for row in CLAIM:
        assert row["people"] == len(CLAIMED)
        assert row["marks"] == len(CLAIMED) * DRAWS
        for what in ("angle", "distance"):
            assert row[what]["interval_held"] >= 0.95 * row[what]["of"]
            assert row[what]["of"] + row["refused_for_the_mark"] == row["marks"]
        # what is less sure than 15 degrees is no reading
        assert row["given"] == (row["half_width95_deg"] <= 15.0)


AT_S = 27.0
"""The right arm is across then"""


def test_so_did_that_of_the_centimetres() -> None:
    for row in RESULT["centimetres"]:
        assert row["cm"]["of"] == len(CLAIMED)
        assert row["cm"]["interval_held"] >= 0.95 * len(CLAIMED)


@pytest.fixture
def people(kept_examination: PoseTrack) -> list[Marked]:
    """Twelve marks on one track whose angle and distance are exact lines of the elbow's place."""
    track = stretch_around(kept_examination, AT_S)
    view = find_view(track.landmarks_px, track.visibility, track.world_m, network=track.model.name)
    shoulder = track.landmarks_px[np.abs(track.time_s - AT_S).argmin(), Landmark.RIGHT_SHOULDER, :2]
    x, y = (float(value) for value in shoulder)
    found = []
    for number, shift in enumerate(np.linspace(5.0, 27.0, 12)):
        mark = ArmMark("right", AT_S, (x + shift, y + number % 3), (x, y + number % 2))
        clip = Clip(Path("drawn.mp4"), "0" * 64, 40.0, 600, 15.0, False, 0, False, 384, 512)
        true = (100.0 + shift, 1.2 - shift / 100.0)
        found.append(Marked(f"drawn-{number}", track, view, mark, 50.0, *true, clip, make_person(64001)))
    return found


def test_a_true_line_is_found_again(people: list[Marked]) -> None:
    for angle, distance in learned_lines(people).values():
        assert angle.per_width < 0 < distance.per_width
        assert angle.per_width == pytest.approx(-100.0 * distance.per_width, rel=0.01)
        assert angle.sd < 1.0


def test_marks_that_err_more_read_worse(people: list[Marked]) -> None:
    figures = [
        claim_of(people, network=True, size=size, rng=np.random.default_rng(3))["half_width95_deg"]
        for size in (0.0, 0.05, 0.1)
    ]
    assert figures == sorted(figures)
    assert figures[0] < figures[2]
