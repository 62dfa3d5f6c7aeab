"""The catalogue of movements, as data: definition, sign and zero, how to film, norms, cautions, codes.

``joints/*.toml`` hold the facts, each with its source and how far it is trusted; this package checks and serves them::

    from vision_rom.movements import load_catalogue, movement, norm_for

    abduction = movement("abduction")
    abduction.wanted_views                       # ("front", "back")
    norm_for(abduction, age=67, sex="male").text
"""

from __future__ import annotations

from vision_rom.movements.catalogue import Catalogue, load_catalogue, movement
from vision_rom.movements.codes import code_for, loinc_check_digit_holds, snomed_check_digit_holds
from vision_rom.movements.model import (
    TRUST_IN_WORDS,
    VERIFIED,
    Code,
    Kind,
    Movement,
    Norm,
    PublishedError,
    Rule,
    Safety,
    SideDifference,
    Source,
    Trust,
    Unit,
    Zone,
    resolve_view,
)
from vision_rom.movements.norms import NormChoice, norm_for, side_difference_for

__all__ = [
    "TRUST_IN_WORDS",
    "VERIFIED",
    "Catalogue",
    "Code",
    "Kind",
    "Movement",
    "Norm",
    "NormChoice",
    "PublishedError",
    "Rule",
    "Safety",
    "SideDifference",
    "Source",
    "Trust",
    "Unit",
    "Zone",
    "code_for",
    "load_catalogue",
    "loinc_check_digit_holds",
    "movement",
    "norm_for",
    "resolve_view",
    "side_difference_for",
    "snomed_check_digit_holds",
]
