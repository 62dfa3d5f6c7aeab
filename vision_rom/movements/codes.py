"""Check digits of terminology codes, and the code to file a reading under."""

from __future__ import annotations

from vision_rom.movements.model import Code, Motion, Movement

_DIHEDRAL = (
    "0123456789",
    "1234067895",
    "2340178956",
    "3401289567",
    "4012395678",
    "5987604321",
    "6598710432",
    "7659821043",
    "8765932104",
    "9876543210",
)
"""Multiplication in the dihedral group of order 10 (Verhoeff 1969)."""
_PERMUTATION = (
    "0123456789",
    "1576283094",
    "5803796142",
    "8916043527",
    "9453126870",
    "4286573901",
    "2793806415",
    "7046913258",
)


def loinc_check_digit_holds(code: str) -> bool:
    """Return whether a LOINC code such as ``8480-6`` ends in its mod-10 check digit (LOINC Users' Guide)."""
    number, dash, check = code.partition("-")
    if not (dash and number.isdecimal() and len(check) == 1 and check.isdecimal()):
        return False
    total = 0
    for place, digit in enumerate(reversed(number)):
        value = int(digit) * (2 if place % 2 == 0 else 1)
        total += value // 10 + value % 10
    return (total + int(check)) % 10 == 0


def snomed_check_digit_holds(code: str) -> bool:
    """Return whether a SNOMED CT identifier ends in its Verhoeff check digit (SNOMED CT release file specification)."""
    if not (code.isdecimal() and 6 <= len(code) <= 18):
        return False
    state = 0
    for place, digit in enumerate(reversed(code)):
        state = int(_DIHEDRAL[state][int(_PERMUTATION[place % 8][int(digit)])])
    return state == 0


def code_for(movement: Movement, *, motion: Motion = "active") -> Code | None:
    """Return the LOINC code that holds for either side, to be used with a body site; None where none was seen.

    Codes that were guessed from a pattern or have been withdrawn are never returned.
    """
    return next(
        (
            code
            for code in movement.codes
            if code.system == "LOINC" and code.motion == motion and code.laterality == "none" and code.usable
        ),
        None,
    )
