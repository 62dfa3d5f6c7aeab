"""Files of movements: a new one is data only, a bad one gets one clear sentence."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from vision_rom.errors import InstallationError, UsageError
from vision_rom.handover import SIDES, Landmark
from vision_rom.movements import catalogue, load_catalogue, norm_for

# Knee flexion: the reference value of the AAOS is from memory, the mean is invented for this test
KNEE = """
schema = "vision-rom/movements/1"
joint = "knee"

[sources.invented]
short = "Invented"
citation = "Invented for a test of the loader"

[movements.knee_flexion]
title = "Knee flexion"
status = "planned"
kind = "hinge"
plane = "sagittal"
direction = 1
position = "Standing with a hand on a chair."
definition = "Bending the knee."
axis = "Side to side through the knee."
fulcrum = "Outer side of the knee."
fixed_arm = "Thigh, from the hip to the knee."
moving_arm = "Lower leg, from the knee to the ankle."
zero = "Knee straight."
sign = "Bending is positive."
fixed_points = ["hip", "knee"]
moving_points = ["knee", "ankle"]
views = ["own_side"]
camera_azimuth_deg = 90
camera_height = "height of the knee"
filming = "The side that moves faces the camera."
instruction = "Hold on to the chair. Bring your heel up to your seat."
watch = ["bending at the hip"]
physical_limits = [-30, 170]
sources = ["norkin2016"]
norms = [
  { source = "aaos", trust = "MEM", role = "textbook", value = 135 },
  { source = "invented", trust = "DESIGN", mean = 140, sd = 5, ages = [20, 40] },
]
"""


@pytest.fixture
def knee(tmp_path: Path) -> Path:
    path = tmp_path / "knee.toml"
    path.write_text(KNEE, encoding="utf-8")
    return path


def test_a_new_movement_is_one_file_of_data(knee: Path) -> None:
    widened = load_catalogue([knee])
    assert len(widened) == len(load_catalogue()) + 1
    bending = widened["knee_flexion"]
    assert bending.joint == "knee"
    assert bending.wanted_views_for("left") == ("left_side",)
    assert bending.textbook is not None
    assert bending.textbook.value == 135
    assert [Landmark.of(side, bending.moving_points[1]) for side in SIDES] == [
        Landmark.LEFT_ANKLE,
        Landmark.RIGHT_ANKLE,
    ]
    choice = norm_for(bending, age=30)
    assert (choice.low, choice.high) == (pytest.approx(130.2), pytest.approx(149.8))
    assert "not published" in choice.text
    # what holds for every movement came along
    assert "Stop" in bending.instruction
    assert bending.do_not_test == load_catalogue()["elbow_flexion"].do_not_test


def test_the_catalogue_of_the_package_stays_as_it_is(knee: Path) -> None:
    load_catalogue([knee])
    assert "knee_flexion" not in load_catalogue()


BROKEN = [
    ('kind = "hinge"', 'kind = "hing"', r"movements\.knee_flexion\.kind is 'hing'; allowed are elevation, .*hinge"),
    ('zero = "Knee straight."\n', "", r"movements\.knee_flexion lacks 'zero'; add it"),
    ('sign = "', 'signn = "', r"knee_flexion .*'sign"),
    ("direction = 1", "direction = 2", r"direction is 2; allowed are 1, -1"),
    ("direction = 1", 'direction = "up"', r"direction is 'up'"),
    ("camera_azimuth_deg = 90", "camera_azimuth_deg = 900", r"camera_azimuth_deg: 900 is greater than the maximum"),
    ("camera_azimuth_deg = 90", 'camera_azimuth_deg = "side"', r"camera_azimuth_deg is 'side'; it must be a number"),
    ('views = ["own_side"]', 'views = ["above"]', r"views\[1\] is 'above'; allowed are front, back, own_side"),
    ('["knee", "ankle"]', '["knee", "toe"]', r"moving_points\[2\] is 'toe'; allowed are .*ankle"),
    ("[-30, 170]", "[170, -30]", r"physical_limits is \[170, -30\]; the first must be below the second"),
    ("ages = [20, 40]", "ages = [40, 20]", r"norms\[2\]\.ages is \[40, 20\]"),
    ("mean = 140, sd = 5", "sd = 5", r"norms\[2\]"),
    ("value = 135", "p5 = 1, p25 = 9, p50 = 3, p95 = 10", r"norms\[1\] has percentiles that rise and fall"),
    ('source = "aaos"', 'source = "aos"', r"norms\[1\] quotes the source 'aos', which no \[sources\.aos\] describes"),
    ('trust = "MEM"', 'trust = "sure"', r"norms\[1\]\.trust is 'sure'; allowed are SEEN, SEEN-2nd, MEM"),
    (
        'watch = ["bending at the hip"]',
        'watch = []\ncodes = [{ system = "LOINC", code = "41343-6", trust = "SEEN" }]',
        r"codes\[1\] is the LOINC code 41343-6, whose check digit is wrong",
    ),
    (
        'watch = ["bending at the hip"]',
        'watch = []\nopposite = "knee_extension"',
        r"'knee_flexion' names 'knee_extension' as its opposite, which must exist",
    ),
    (
        'watch = ["bending at the hip"]',
        'watch = []\nparts = ["elbow_flexion", "hip_flexion"]',
        r"the part 'hip_flexion', which does not exist",
    ),
    ("[movements.knee_flexion]", "[movements.flexion]", r"the movement 'flexion' is already defined for the shoulder"),
    ("vision-rom/movements/1", "vision-rom/movements/9", r"schema is 'vision-rom/movements/9'; it must be"),
    ("[movements.knee_flexion]", "[movements.knee_flexion", r"is not valid TOML: .*line"),
]


@pytest.mark.parametrize(("good", "bad", "sentence"), BROKEN, ids=lambda text: text[:24])
def test_a_bad_file_gets_one_sentence_with_file_and_place(knee: Path, good: str, bad: str, sentence: str) -> None:
    assert KNEE.count(good) >= 1
    knee.write_text(KNEE.replace(good, bad, 1), encoding="utf-8")
    with pytest.raises(UsageError, match=sentence) as caught:
        load_catalogue([knee])
    assert "\n" not in str(caught.value)
    if "opposite" not in bad and "parts" not in bad:
        assert "knee.toml" in str(caught.value)


def test_an_unknown_key_lists_those_that_are_allowed(knee: Path) -> None:
    knee.write_text(KNEE.replace("watch =", "wach = 3\nwatch ="), encoding="utf-8")
    with pytest.raises(UsageError, match=r"knee_flexion has the unknown key 'wach'; allowed are axis, better"):
        load_catalogue([knee])


def test_bands_of_age_need_as_many_values(knee: Path) -> None:
    bands = """
[[movements.knee_flexion.norm_bands]]
source = "invented"
trust = "DESIGN"
statistic = "mean"
ages = [[20, 29], [30, 39]]
male = [140, 139]
female = [141]
"""
    knee.write_text(KNEE + bands, encoding="utf-8")
    with pytest.raises(UsageError, match=r"norm_bands\[1\] has 2 bands of age, but 1 values under 'female'"):
        load_catalogue([knee])


def test_a_damaged_file_of_the_package_is_a_matter_of_the_installation(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy = tmp_path / "movements"
    shutil.copytree(Path(catalogue.__file__).parent, copy)
    elbow = copy / "joints" / "elbow.toml"
    elbow.write_text(elbow.read_text(encoding="utf-8").replace("kind =", "kid ="), encoding="utf-8")
    monkeypatch.setattr(catalogue, "PACKAGE_FOLDER", copy)
    catalogue._package_catalogue.cache_clear()
    catalogue._packaged_files.cache_clear()
    try:
        with pytest.raises(InstallationError, match=r"elbow\.toml.*install vision-rom again"):
            catalogue.movement("abduction")
    finally:
        monkeypatch.undo()
        catalogue._package_catalogue.cache_clear()
        catalogue._packaged_files.cache_clear()
    assert catalogue.movement("abduction").name == "abduction"


def test_a_missing_file_a_folder_and_a_file_that_is_no_text(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"cannot be read \(No such file"):
        load_catalogue([tmp_path / "none.toml"])
    with pytest.raises(UsageError, match="cannot be read"):
        load_catalogue([tmp_path])
    picture = tmp_path / "picture.toml"
    picture.write_bytes(b"title = '\xff\xfe'")
    with pytest.raises(UsageError, match="not UTF-8"):
        load_catalogue([picture])
