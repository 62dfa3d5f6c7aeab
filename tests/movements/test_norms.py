"""The choice of a norm and its words."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision_rom.movements import load_catalogue, movement, norm_for, side_difference_for

CATALOGUE = load_catalogue()


def test_the_normal_approximation_of_a_printed_mean_and_sd() -> None:
    """Bassey 1989: men of 65 to 74 years, 129 +/- 14."""
    choice = norm_for(movement("abduction"), age=67, sex="male")
    assert (choice.low, choice.high) == (pytest.approx(129 - 1.96 * 14), pytest.approx(129 + 1.96 * 14))
    assert "102 to 156°" in choice.text
    assert "Bassey 1989" in choice.text
    assert choice.verified


def test_percentiles_bound_the_range_where_they_are_printed() -> None:
    """Vairo 2012, table 4: women, dominant arm."""
    choice = norm_for(movement("flexion"), age=18, sex="female", dominant=True)
    assert (choice.low, choice.high) == (155, 180)
    assert "5th to 95th percentile" in choice.text
    assert "supine" in choice.text


def test_a_band_holds_until_the_next_birthday() -> None:
    """Gill 2020, medians of women: 142 at 60 to 64, 144 at 65 to 69 (there Bassey gives a spread and is preferred)."""
    assert "age 60 to 64" in norm_for(movement("abduction"), age=64.9, sex="female").text
    assert "age 65 to 74" in norm_for(movement("abduction"), age=65, sex="female").text


def test_a_second_hand_value_says_so() -> None:
    choice = norm_for(movement("abduction"), age=42, sex="male")
    assert choice.trust == "SEEN-2nd"
    assert not choice.verified
    assert "158°" in choice.text
    assert "quotes the source" in choice.text
    assert choice.low is None


def test_no_age_no_narrow_band() -> None:
    choice = norm_for(movement("abduction"))
    assert "age 20 to 91" in choice.text
    assert "150 to 152°" in choice.text
    assert "159 to 162°" in norm_for(movement("flexion")).text
    assert "give the patient's age" in norm_for(movement("external_rotation")).text


def test_nothing_known_is_said_and_not_filled() -> None:
    for name, age in (("scaption", 50), ("hand_behind_back", 50), ("flexion", 110)):
        choice = norm_for(movement(name), age=age)
        assert (choice.low, choice.high, choice.trust, choice.norms) == (None, None, None, ())
        assert choice.text.startswith("no published range")


def test_distances_in_another_unit_are_not_mixed_with_ours() -> None:
    choice = norm_for(movement("cross_body_adduction"), age=18, sex="male")
    assert choice.norms == ()
    assert "cm" in choice.text


def test_a_movement_that_is_read_in_several_units_has_a_range_in_each_that_is_known() -> None:
    across = movement("cross_body_adduction")
    lengths, angles = (norm_for(across, age=18, sex="male", unit=unit) for unit in ("cm", "deg"))
    assert (lengths.low, lengths.high) == (19, 32)
    assert "Vairo 2012" in lengths.text
    assert lengths.verified
    assert "Boone" in angles.text
    assert not angles.verified
    assert "from memory" in angles.text
    assert norm_for(across, age=18, sex="female", unit="deg").norms == ()


ages = st.none() | st.floats(0, 119)
sexes = st.sampled_from([None, "male", "female"])
arms = st.sampled_from([None, True, False])


@given(st.sampled_from(list(CATALOGUE)), ages, sexes, arms)
def test_a_choice_fits_the_person_and_only_people_are_chosen(item, age, sex, dominant) -> None:  # type: ignore[no-untyped-def]
    choice = norm_for(item, age=age, sex=sex, dominant=dominant)
    assert choice.text
    assert (choice.low is None) == (choice.high is None)
    if choice.low is not None and choice.high is not None:
        assert choice.low < choice.high
    for norm in choice.norms:
        assert norm.role == "population"
        assert norm.unit == item.unit
        if sex is not None:
            assert norm.sex in ("any", sex)
        if dominant is not None:
            assert norm.dominance in ("any", "dominant" if dominant else "non_dominant")
        if age is not None and norm.ages is not None:
            assert norm.ages[0] <= age < norm.ages[1] + 1
        assert norm.source.short in choice.text


@given(st.sampled_from(list(CATALOGUE)), st.floats(16, 90), sexes)
def test_knowing_less_never_narrows_the_range(item, age, sex) -> None:  # type: ignore[no-untyped-def]
    wide = norm_for(item, age=age, sex=sex)
    for dominant in (True, False):
        narrow = norm_for(item, age=age, sex=sex, dominant=dominant)
        if wide.low is not None and narrow.low is not None:
            assert wide.low <= narrow.low
            assert narrow.high is not None
            assert wide.high is not None
            assert wide.high >= narrow.high


@given(st.sampled_from(list(CATALOGUE)), ages, sexes)
def test_memory_is_only_used_where_nothing_else_fits(item, age, sex) -> None:  # type: ignore[no-untyped-def]
    chosen = norm_for(item, age=age, sex=sex, dominant=True).norms
    if sex is not None and chosen and chosen[0].trust == "MEM":
        printed = [
            norm
            for norm in item.norms
            if norm.role == "population"
            and norm.unit == item.unit
            and norm.trust != "MEM"
            and norm.sex in ("any", sex)
            and norm.dominance in ("any", "dominant")
            and (norm.ages is None or (age is not None and norm.ages[0] <= age < norm.ages[1] + 1))
        ]
        assert printed == []


def test_side_differences_follow_the_sex() -> None:
    rotation = movement("external_rotation")
    male, female = side_difference_for(rotation, sex="male"), side_difference_for(rotation, sex="female")
    assert male is not None
    assert female is not None
    assert (male.value, female.value) == (2, 3.5)
    assert side_difference_for(rotation) is None
    raising = side_difference_for(movement("abduction"))
    assert raising is not None
    assert raising.value == 0
