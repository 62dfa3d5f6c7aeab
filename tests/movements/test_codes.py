"""Check digits against codes that are published outside this project."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision_rom.movements import code_for, load_catalogue, loinc_check_digit_holds, snomed_check_digit_holds

# HL7 FHIR R4 examples: heart rate, systolic and diastolic pressure, body weight, blood pressure panel
PUBLISHED_LOINC = ("8867-4", "8480-6", "8462-4", "29463-7", "85354-9")
# HL7 FHIR R4 examples and value sets: heart rate, blood pressure, asthma, the root concept
PUBLISHED_SNOMED = ("364075005", "75367002", "195967001", "138875005")


@pytest.mark.parametrize("code", PUBLISHED_LOINC)
def test_published_loinc_codes_hold(code: str) -> None:
    assert loinc_check_digit_holds(code)


@pytest.mark.parametrize("code", PUBLISHED_SNOMED)
def test_published_snomed_codes_hold(code: str) -> None:
    assert snomed_check_digit_holds(code)


@given(st.integers(1, 99999))
def test_exactly_one_loinc_check_digit_holds(number: int) -> None:
    assert sum(loinc_check_digit_holds(f"{number}-{digit}") for digit in range(10)) == 1


@given(st.sampled_from(PUBLISHED_SNOMED), st.integers(0, 8), st.integers(1, 9))
def test_verhoeff_finds_every_single_wrong_digit(code: str, place: int, shift: int) -> None:
    place %= len(code)
    wrong = code[:place] + str((int(code[place]) + shift) % 10) + code[place + 1 :]
    assert not snomed_check_digit_holds(wrong)


@pytest.mark.parametrize("code", ["", "-", "41381", "41381-", "41381-55", "x1381-5", "41381-x", "²-5"])
def test_malformed_loinc_codes_do_not_hold(code: str) -> None:
    assert not loinc_check_digit_holds(code)


def test_every_code_of_the_catalogue_has_its_check_digit() -> None:
    codes = [code for movement in load_catalogue() for code in movement.codes]
    assert len(codes) >= 30
    for code in codes:
        holds = loinc_check_digit_holds if code.system == "LOINC" else snomed_check_digit_holds
        assert holds(code.code), code


def test_no_loinc_code_stands_for_two_things() -> None:
    codes = [code.code for movement in load_catalogue() for code in movement.codes if code.system == "LOINC"]
    assert len(codes) == len(set(codes))


def test_the_name_of_a_code_names_its_movement_motion_and_side() -> None:
    """LOINC names as published; a code filed under the wrong movement would show here."""
    words = {"cross_body_adduction": "adduction"}
    for movement in load_catalogue():
        for code in movement.codes:
            if code.system == "LOINC" and code.display:
                name = code.display.lower()
                assert words.get(movement.name, movement.name.replace("_", " ")) in name
                assert code.motion in name
                assert (f"- {code.laterality} " in name) == (code.laterality != "none")
                assert code.deprecated == name.startswith("deprecated")


def test_guessed_and_withdrawn_codes_are_never_handed_out() -> None:
    for movement in load_catalogue():
        for motion in ("active", "passive"):
            code = code_for(movement, motion=motion)
            if code is not None:
                assert code.trust == "SEEN"
                assert not code.deprecated
                assert code.laterality == "none"
    across = load_catalogue()["cross_body_adduction"]
    assert any(code.trust == "INFERRED" and code.motion == "active" for code in across.codes)
    assert code_for(across) is None
