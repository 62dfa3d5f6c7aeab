"""The shipped data: relations that a slip of the pen would break."""

from __future__ import annotations

import math
import re
import subprocess
import sys
from itertools import pairwise
from typing import get_args

import pytest

from vision_rom.errors import UsageError
from vision_rom.handover import SIDES, Landmark, View
from vision_rom.movements import Movement, Norm, Trust, load_catalogue, movement, norm_for

CATALOGUE = load_catalogue()
ALL = list(CATALOGUE)
NORMS = [(item, norm) for item in ALL for norm in item.norms]
MEASURED = {
    "abduction",
    "scaption",
    "flexion",
    "extension",
    "external_rotation",
    "internal_rotation",
    "external_rotation_90",
    "internal_rotation_90",
    "hand_behind_back",
    "elbow_flexion",
    "elbow_extension",
}

by_name = pytest.mark.parametrize("item", ALL, ids=lambda item: item.name)


def test_the_first_movements_are_measured_and_the_later_ones_are_only_described() -> None:
    assert {item.name for item in CATALOGUE.measured()} == MEASURED
    assert {item.name for item in ALL} - MEASURED == {"cross_body_adduction", "rotation_arc_90"}


def test_an_unknown_name_lists_the_known_ones() -> None:
    with pytest.raises(UsageError, match=r"no movement 'abducton'.*abduction, scaption, flexion"):
        movement("abducton")


def test_a_movement_cannot_be_changed() -> None:
    with pytest.raises(AttributeError):
        movement("flexion").zero = "elsewhere"  # type: ignore[misc]


@by_name
def test_every_wanted_view_is_legal_and_shows_the_measured_side(item: Movement) -> None:
    legal = set(get_args(View))
    assert item.wanted_views
    assert set(item.wanted_views) <= legal
    for side in SIDES:
        views = item.wanted_views_for(side)
        assert set(views) <= set(item.wanted_views)
        if "own_side" in item.views:
            assert f"{side}_side" in views
            assert not {"left_side", "right_side"} - {f"{side}_side"} & set(views)


@by_name
def test_the_camera_looks_at_right_angles_to_the_plane_of_a_raise(item: Movement) -> None:
    """Geometry: a motion is seen at its true angle only along the normal of its plane."""
    if item.kind != "elevation":
        return
    plane = math.radians(item.plane_angle_deg or 0.0)
    camera = math.radians(item.camera_azimuth_deg)
    # (towards the measured side, forward) in the horizontal plane
    moving = math.cos(plane), math.sin(plane)
    looking = math.sin(camera), math.cos(camera)
    assert moving[0] * looking[0] + moving[1] * looking[1] == pytest.approx(0, abs=1e-9)


@by_name
def test_the_first_view_and_the_place_of_the_camera_agree(item: Movement) -> None:
    azimuth = item.camera_azimuth_deg % 360
    assert {"front": azimuth == 0, "back": azimuth == 180, "own_side": azimuth == 90, "other_side": azimuth == 270}.get(
        item.views[0], azimuth % 90 != 0
    )


@by_name
def test_plane_and_its_angle_agree(item: Movement) -> None:
    expected = {"frontal": (0, 0), "scapular": (30, 45), "sagittal": (90, 90)}
    if item.kind == "elevation":
        low, high = expected[item.plane]
        assert item.plane_angle_deg is not None
        assert low <= item.plane_angle_deg <= high
    else:
        assert item.plane_angle_deg is None


@by_name
def test_opposites_share_axis_zero_and_arms_and_mirror_their_limits(item: Movement) -> None:
    if item.opposite is None:
        return
    other = CATALOGUE[item.opposite]
    assert other.opposite == item.name
    assert item.direction == -other.direction
    for field in ("joint", "kind", "plane", "axis", "fulcrum", "fixed_arm", "moving_arm", "zero", "moving_points"):
        assert getattr(item, field) == getattr(other, field), field
    assert item.sign != other.sign
    low, high = item.physical_limits
    assert other.physical_limits == (-high, -low)


@by_name
def test_measuring_arms_are_landmarks_that_exist(item: Movement) -> None:
    points = {*(item.fixed_points or ()), *item.moving_points} - {"mid_hips", "mid_shoulders"}
    for side in SIDES:
        assert all(Landmark.of(side, part) for part in points)


@by_name
def test_norms_of_people_lie_within_the_physical_limits(item: Movement) -> None:
    low, high = item.physical_limits
    assert low < high
    for norm in item.norms:
        if norm.unit == item.unit:
            values = [norm.centre, *(norm.spread or ())]
            assert all(low < value < high for value in values if value is not None), norm


@by_name
def test_texts_are_whole_sentences_and_the_instruction_says_when_to_stop(item: Movement) -> None:
    for field in ("position", "definition", "axis", "fulcrum", "fixed_arm", "moving_arm", "zero", "sign", "filming"):
        text = getattr(item, field)
        assert text[0].isupper(), (field, text)
        assert text.endswith("."), (field, text)
    assert "stop" in item.instruction.lower()
    assert "hold" in item.instruction.lower()
    assert item.do_not_test
    assert item.cautions
    assert item.stop_rules


@by_name
def test_the_instruction_can_be_read_at_twelve(item: Movement) -> None:
    """Flesch-Kincaid grade (Kincaid et al. 1975); grade 6 is the school year of twelve-year-olds."""
    assert reading_grade(item.instruction) <= 6
    assert not re.search(r"abduct|adduct|flex|exten|rotat|scap|acromi|elevat|plane|sagittal|frontal", item.instruction)


def test_the_reading_grade_tells_plain_from_learned_language() -> None:
    assert reading_grade("The cat sat on the mat. It was warm. The dog ran up.") < 1
    learned = "Elevation of the humerus necessitates simultaneous rotation of the scapula, predominantly superiorly."
    assert reading_grade(learned) > 12


def reading_grade(text: str) -> float:
    sentences = len(re.findall(r"[.!?;:](?:\s|$)", text))
    words = re.findall(r"[A-Za-z']+", text)
    syllables = sum(max(1, len(re.findall(r"[aeiouy]+", re.sub(r"e$", "", word.lower())))) for word in words)
    return 0.39 * len(words) / sentences + 11.8 * syllables / len(words) - 15.59


@pytest.mark.parametrize(("item", "norm"), NORMS, ids=lambda x: getattr(x, "name", "norm"))
def test_every_norm_has_a_source_a_trust_and_ordered_values(item: Movement, norm: Norm) -> None:
    assert len(norm.source.citation) > 10
    assert norm.trust in get_args(Trust)
    assert norm.centre is not None or norm.spread is not None
    if norm.spread is not None:
        low, high = norm.spread
        assert low < high
        if norm.centre is not None:
            assert low <= norm.centre <= high
    if norm.ages is not None:
        assert 0 <= norm.ages[0] < norm.ages[1] <= 120
    values = [value for _, value in norm.percentiles]
    assert [p for p, _ in norm.percentiles] == sorted({p for p, _ in norm.percentiles})
    falls = item.better == "smaller"
    assert values == sorted(values, reverse=falls)


def test_there_are_norms_to_check() -> None:
    assert len(NORMS) > 120


def test_range_falls_with_age_in_the_population() -> None:
    """Gill 2020: about 40 degrees are lost over the adult ages in abduction, less in external rotation."""
    for name, least in (("abduction", 30), ("external_rotation", 10)):
        for sex in ("male", "female"):
            bands = {
                norm.ages: norm.median
                for norm in CATALOGUE[name].norms
                if norm.source.key == "gill2020_bands" and norm.sex == sex
            }
            assert len(bands) == 13
            youngest, oldest = bands[20, 24], bands[80, 84]
            assert youngest is not None
            assert oldest is not None
            assert youngest - oldest > least
            # medians of hundreds of people do not jump; a slipped digit does
            in_order = [bands[ages] or 0.0 for ages in sorted(age for age in bands if age is not None)]
            assert all(abs(later - earlier) < 20 for earlier, later in pairwise(in_order))


@pytest.mark.parametrize("source", ["gill2020_bands", "soucie2011", "bassey1989"])
def test_bands_of_age_leave_no_gap_and_do_not_overlap(source: str) -> None:
    compared = 0
    for item in ALL:
        for sex in ("male", "female"):
            own = (norm for norm in item.norms if norm.source.key == source and norm.sex == sex)
            ages = sorted(norm.ages for norm in own if norm.ages is not None)
            for earlier, later in pairwise(ages):
                assert later[0] == earlier[1] + 1
                compared += 1
    assert compared > 0


def test_side_differences_are_the_differences_of_the_medians() -> None:
    """Vairo 2012, table 4: dominant minus non-dominant, recalculated from the percentiles printed there."""
    recalculated = 0
    for item in ALL:
        for difference in item.side_differences:
            if difference.source.key != "vairo2012":
                continue
            median = {
                norm.dominance: norm.median
                for norm in item.norms
                if norm.source.key == "vairo2012" and norm.sex == difference.sex and norm.unit == difference.unit
            }
            assert difference.value == pytest.approx(median["dominant"] - median["non_dominant"])  # type: ignore[operator]
            assert difference.trust == "CALC"
            recalculated += 1
    assert recalculated == 8


def test_the_total_arc_is_about_the_sum_of_its_parts() -> None:
    """Vairo 2012: the median of sums is near the sum of medians (within 3 degrees in a sample of hundreds)."""
    arc = CATALOGUE["rotation_arc_90"]
    for norm in arc.norms:
        parts = sum(
            part.median or math.nan
            for name in arc.parts
            for part in CATALOGUE[name].norms
            if part.source.key == "vairo2012" and part.sex == norm.sex and part.dominance == norm.dominance
        )
        assert norm.median == pytest.approx(parts, abs=3)


def test_the_floor_of_the_arc_combines_those_of_its_parts() -> None:
    arc = CATALOGUE["rotation_arc_90"]
    floors = [CATALOGUE[name].change_floor or math.nan for name in arc.parts]
    assert arc.change_floor == pytest.approx(math.hypot(*floors), abs=0.5)


def test_the_floor_of_change_is_no_smaller_than_the_error_between_testers() -> None:
    """Kolber 2011: MDC90 of active motion between testers."""
    compared = 0
    for item in ALL:
        for error in item.errors:
            if error.measure.startswith("MDC90"):
                assert item.change_floor is not None
                assert item.change_floor >= error.value
                compared += 1
    assert compared == 6


def test_a_value_in_two_units_is_the_same_length() -> None:
    """Matsen 2015 prints 3.3 +/- 3.7 inch; the catalogue holds centimetres (1 inch = 2.54 cm)."""
    gap = next(n for n in CATALOGUE["cross_body_adduction"].norms if n.source.key == "matsen2015")
    assert gap.mean == pytest.approx(3.3 * 2.54, abs=0.05)
    assert gap.sd == pytest.approx(3.7 * 2.54, abs=0.05)


def test_sample_sizes_add_up() -> None:
    """Gill 2020: 2404 people, 51.5% of them men."""
    sizes = {norm.sex: norm.sample for norm in CATALOGUE["flexion"].norms if norm.source.key == "gill2020"}
    assert sizes["male"] + sizes["female"] == 2404  # type: ignore[operator]
    assert sizes["male"] / 2404 == pytest.approx(0.515, abs=0.0005)  # type: ignore[operator]


def test_zones_of_the_hand_rise_and_are_named_once() -> None:
    names = [zone.name for zone in CATALOGUE["hand_behind_back"].zones]
    assert names == ["thigh", "buttock", "sacrum", "l3", "t12", "t7"]


def test_values_from_memory_are_never_verified() -> None:
    remembered = [norm for _, norm in NORMS if norm.trust == "MEM"]
    assert len(remembered) > 20
    assert not any(norm.verified for norm in remembered)
    for item in ALL:
        for age in (3, 12, 30, 50, 67, 90):
            choice = norm_for(item, age=age)
            if any(norm.trust == "MEM" for norm in choice.norms):
                assert not choice.verified
                assert "not verified" in choice.text


def test_importing_the_catalogue_does_not_import_the_schema_library() -> None:
    """The library costs more than everything else here; it is loaded with the first file."""
    script = "import sys, vision_rom.movements; sys.exit('jsonschema' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", script], check=False).returncode == 0
