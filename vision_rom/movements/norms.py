"""Which published value to show beside a reading, and in what words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from math import floor
from typing import Literal

from vision_rom.movements.model import (
    TRUST_IN_WORDS,
    VERIFIED,
    Movement,
    Norm,
    Sex,
    SideDifference,
    Trust,
    Unit,
)

NARROW_BAND_YEARS = 20
"""A band of age up to this wide says something about the patient's age (our own choice)."""
BROAD_BAND_YEARS = 30
"""Where the age is not known, only samples at least this wide in age are quoted (our own choice)."""
ADULT_YEARS = 15
"""A sample that starts below this age mixes children with adults, whose range differs (Boone & Azen 1979)."""
OPEN_END_YEARS = 120
"""End of a band that is printed as "and over"."""
_TRUST_ORDER: tuple[Trust, ...] = ("SEEN", "CALC", "SEEN-2nd", "DESIGN", "INFERRED", "MEM")
UNIT_IN_WORDS = {"deg": "°", "cm": " cm", "ratio": "", "shoulder_widths": " shoulder widths"}
_SEX_IN_WORDS = {"male": "males", "female": "females", "any": "both sexes"}
_ARM_IN_WORDS = {"dominant": "dominant arm", "non_dominant": "other arm", "any": ""}


@dataclass(frozen=True, slots=True, kw_only=True)
class NormChoice:
    """What to print beside a reading.

    ``low`` and ``high`` bound what most healthy people of that group reach; both are None where the source gives only
    a mean or median. Where nothing was found, ``norms`` is empty and ``text`` says so.
    """

    text: str
    low: float | None
    high: float | None
    source: str
    trust: Trust | None
    """The least trusted of the values used; None where there are none."""
    norms: tuple[Norm, ...]

    @property
    def verified(self) -> bool:
        """Whether it may be shown without a reservation (the text carries the reservation otherwise)."""
        return self.trust in VERIFIED


def norm_for(
    movement: Movement,
    *,
    age: float | None = None,
    sex: Literal["male", "female"] | None = None,
    dominant: bool | None = None,
    unit: Unit | None = None,
) -> NormChoice:
    """Return the published value that fits a patient best.

    ``unit`` is that of the reading, where a movement is read in several; None takes the movement's own.
    ``age`` in years; ``dominant`` is True for the arm that the patient prefers. What is not known widens the range:
    without ``sex``, both sexes are joined. Preferred are values that were read in print over values from memory, then
    active over passive motion, a narrow band of age, a known spread, and a large sample.
    """
    sexes = ("male", "female") if sex is None else (sex,)
    arms = ("dominant", "non_dominant") if dominant is None else ("dominant" if dominant else "non_dominant",)
    chosen: list[Norm] = []
    for each_sex, arm in product(sexes, arms):
        candidates = [norm for norm in movement.norms if _fits(norm, unit or movement.unit, age, each_sex, arm)]
        if candidates:
            best = min(candidates, key=lambda norm: _rank(norm, age))
            if best not in chosen:
                chosen.append(best)
    if not chosen:
        return NormChoice(
            text=_why_none(movement, age, unit or movement.unit), low=None, high=None, source="", trust=None, norms=()
        )
    spreads = [norm.spread for norm in chosen]
    known = [spread for spread in spreads if spread is not None]
    complete = len(known) == len(spreads)
    return NormChoice(
        text=_text(chosen),
        low=round(min(low for low, _ in known), 3) if complete else None,
        high=round(max(high for _, high in known), 3) if complete else None,
        source="; ".join(dict.fromkeys(norm.source.short for norm in chosen)),
        trust=max((norm.trust for norm in chosen), key=_TRUST_ORDER.index),
        norms=tuple(chosen),
    )


def side_difference_for(movement: Movement, *, sex: Literal["male", "female"] | None = None) -> SideDifference | None:
    """Return the usual difference, dominant minus other side, in healthy people; None where none is known."""
    wanted: tuple[Sex, ...] = ("any",) if sex is None else (sex, "any")
    found = [item for item in movement.side_differences if item.sex in wanted]
    return min(found, key=lambda item: wanted.index(item.sex)) if found else None


def _fits(norm: Norm, unit: Unit, age: float | None, sex: str, arm: str) -> bool:
    if norm.role != "population" or norm.unit != unit:
        return False
    if norm.sex not in ("any", sex) or norm.dominance not in ("any", arm):
        return False
    if norm.ages is None:
        return True
    first, last = norm.ages
    if age is None:
        return last < OPEN_END_YEARS and last - first >= BROAD_BAND_YEARS
    # a band such as 65 to 69 holds until the 70th birthday
    return first <= age < last + 1


def _rank(norm: Norm, age: float | None) -> tuple[float, ...]:
    first, last = norm.ages or (0.0, OPEN_END_YEARS)
    narrow = norm.ages is not None and (last - first <= NARROW_BAND_YEARS or last >= OPEN_END_YEARS)
    mixed = first < ADULT_YEARS <= (last if age is None else age)
    return (
        norm.trust == "MEM",
        norm.motion == "passive",
        not narrow,
        mixed,
        norm.spread is None,
        _TRUST_ORDER.index(norm.trust),
        -(norm.sample or 0),
        last - first,
    )


def _why_none(movement: Movement, age: float | None, unit: Unit) -> str:
    title = movement.title.lower()
    units = {norm.unit for norm in movement.norms if norm.role == "population"}
    if age is None and unit in units:
        return f"the published ranges for {title} are by age: give the patient's age"
    if units and unit not in units:
        named = " and ".join(sorted("degrees" if one == "deg" else one for one in units))
        return f"no published range for {title} in {unit.replace('_', ' ')} (those known are in {named})"
    return f"no published range for {title}{'' if age is None else f' at age {age:g}'} is in the catalogue"


def _text(chosen: Sequence[Norm]) -> str:
    by_source: dict[tuple[str, str], list[Norm]] = {}
    for norm in chosen:
        by_source.setdefault((norm.source.key, norm.trust), []).append(norm)
    return "; ".join(_text_of_one_source(group) for group in by_source.values())


def _text_of_one_source(group: Sequence[Norm]) -> str:
    unit = UNIT_IN_WORDS[group[0].unit]
    spreads = [norm.spread for norm in group]
    known = [spread for spread in spreads if spread is not None]
    if len(known) == len(spreads):
        value = _span(min(low for low, _ in known), max(high for _, high in known), unit) + f" ({_meaning(group[0])})"
    else:
        centres = [centre for norm in group if (centre := norm.centre) is not None]
        value = ("median " if group[0].median is not None else "mean ") + _span(min(centres), max(centres), unit)
    sexes = {norm.sex for norm in group}
    people = _SEX_IN_WORDS[next(iter(sexes)) if len(sexes) == 1 else "any"]
    arms = {norm.dominance for norm in group}
    details = [people, _ARM_IN_WORDS[next(iter(arms))] if len(arms) == 1 else "both arms"]
    if (ages := group[0].ages) is not None and {norm.ages for norm in group} == {ages}:
        details.append(f"age {ages[0]:g} and over" if ages[1] >= OPEN_END_YEARS else f"age {ages[0]:g} to {ages[1]:g}")
    details += ["passive" if group[0].motion == "passive" else "", group[0].position]
    source = group[0].source.short
    if group[0].trust not in VERIFIED:
        source += f", {TRUST_IN_WORDS[group[0].trust]}"
    return f"{value}, {', '.join(filter(None, details))} [{source}]"


def _meaning(norm: Norm) -> str:
    if norm.percentiles:
        return f"{norm.percentiles[0][0]:g}th to {norm.percentiles[-1][0]:g}th percentile"
    if norm.sd is not None:
        return "mean ± 1.96 SD"
    return norm.note or "printed range"


def _span(low: float, high: float, unit: str) -> str:
    first, last = _number(low, unit), _number(high, unit)
    return f"{first}{unit}" if first == last else f"{first} to {last}{unit}"


def _number(value: float, unit: str) -> str:
    # halves go up, as a reader rounds them; Python would take 158.5 to 158
    return str(floor(value + 0.5)) if unit in ("°", " cm") else f"{value:.2f}"
