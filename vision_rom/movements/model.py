"""What the catalogue holds: frozen dataclasses, with how far each value is trusted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from vision_rom.handover import SIDES, Side, View

Trust = Literal["SEEN", "SEEN-2nd", "MEM", "CALC", "DESIGN", "INFERRED"]
"""How a value came here: ``SEEN`` read in the source or its abstract; ``SEEN-2nd`` read in a text that cites the
source; ``MEM`` written from memory; ``CALC`` calculated from other values here; ``DESIGN`` our own choice;
``INFERRED`` guessed from a pattern, to be looked up before use."""

TRUST_IN_WORDS: dict[Trust, str] = {
    "SEEN": "read in the source",
    "SEEN-2nd": "read in a text that quotes the source",
    "MEM": "from memory, not verified",
    "CALC": "calculated from published values",
    "DESIGN": "our own choice, not published",
    "INFERRED": "guessed from a pattern, not verified",
}
VERIFIED: frozenset[Trust] = frozenset({"SEEN", "CALC"})
"""Only these may be shown to a clinician without a reservation."""

Kind = Literal["elevation", "axial_rotation", "hinge", "distance", "zone", "sum"]
"""How a movement is measured: ``elevation`` the upper arm against the trunk in one plane; ``axial_rotation`` the
forearm about the upper arm; ``hinge`` two segments at one joint; ``distance`` between two points; ``zone`` a place
on the body; ``sum`` of the readings named in ``parts``."""
Plane = Literal["frontal", "scapular", "sagittal", "transverse"]
MovementStatus = Literal["measured", "marked", "planned"]
Unit = Literal["deg", "cm", "ratio", "shoulder_widths"]
ViewRule = Literal["front", "back", "own_side", "other_side", "oblique"]
"""``own_side``: the side being measured faces the camera."""
Sex = Literal["male", "female", "any"]
Dominance = Literal["dominant", "non_dominant", "any"]
Motion = Literal["active", "passive", "not_stated"]
NormRole = Literal["population", "textbook", "functional", "comparison"]
"""``population`` measured in a sample of people; ``textbook`` a round reference value; ``functional`` what daily tasks
took; ``comparison`` background that is never chosen as a patient's range."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A publication or page."""

    key: str
    short: str
    """As printed beside a value, such as ``Vairo 2012``."""
    citation: str
    doi: str = ""
    via: str = ""
    """The text in which it was read, where that was not the source itself."""
    position: str = ""
    instrument: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Norm:
    """One published reference value; fields that the source does not give are None or empty."""

    source: Source
    trust: Trust
    role: NormRole
    unit: Unit
    mean: float | None = None
    sd: float | None = None
    median: float | None = None
    value: float | None = None
    """A reference value that is no statistic (textbook)."""
    at_least: bool = False
    """``value`` is a lower limit."""
    low: float | None = None
    high: float | None = None
    """Printed range (its meaning is in ``note``)."""
    percentiles: tuple[tuple[float, float], ...] = ()
    """(percentile, value), the percentile rising."""
    sex: Sex = "any"
    ages: tuple[float, float] | None = None
    """First and last year of age, both included; None where the source gives none."""
    dominance: Dominance = "any"
    side: Literal["left", "right", "any"] = "any"
    motion: Motion = "not_stated"
    position: str = ""
    sample: int | None = None
    note: str = ""

    @property
    def verified(self) -> bool:
        """Whether it may be shown without a reservation."""
        return self.trust in VERIFIED

    @property
    def centre(self) -> float | None:
        """Median, else mean, else the reference value."""
        return next((x for x in (self.median, self.mean, self.value) if x is not None), None)

    @property
    def spread(self) -> tuple[float, float] | None:
        """Lower and upper bound of what most people of the sample reached, None where no spread is known.

        The 5th and 95th percentile; else mean +/- 1.96 SD, which takes the sample as normally distributed; else the
        printed range. Sorted, also where a smaller value is the freer movement.
        """
        if self.percentiles:
            ends = self.percentiles[0][1], self.percentiles[-1][1]
            return min(ends), max(ends)
        if self.mean is not None and self.sd is not None:
            return self.mean - 1.96 * self.sd, self.mean + 1.96 * self.sd
        if self.low is not None and self.high is not None:
            return self.low, self.high
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class PublishedError:
    """What a study found for the error of measuring this movement by hand."""

    measure: str
    """Such as ``MDC90 between testers``."""
    value: float
    unit: Unit
    source: Source
    trust: Trust
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SideDifference:
    """Dominant minus other side in healthy people."""

    value: float
    unit: Unit
    sex: Sex
    source: Source
    trust: Trust
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """A caution, a reason not to test, or a reason to stop."""

    text: str
    source: str
    trust: Trust


@dataclass(frozen=True, slots=True, kw_only=True)
class Code:
    """A code of a terminology for this movement's reading."""

    system: Literal["LOINC", "SNOMED CT"]
    code: str
    display: str
    """The terminology's own name, empty where it was not seen."""
    motion: Motion
    laterality: Literal["left", "right", "none"]
    trust: Trust
    deprecated: bool = False
    note: str = ""

    @property
    def usable(self) -> bool:
        """Seen in a published list and not withdrawn."""
        return self.trust in VERIFIED and not self.deprecated


@dataclass(frozen=True, slots=True, kw_only=True)
class Zone:
    """One place that the hand can reach, lowest first in :attr:`Movement.zones`."""

    name: str
    title: str
    lowest_at: float
    """Height at which the zone ends below, in the movement's unit"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Movement:
    """One movement of the examination: what it is, how it is filmed, and what is known of it.

    Angles are degrees. The sign is that of ``sign``: the reading of a movement is positive the way its name says.
    ``direction`` gives the way on the axis that it shares with its ``opposite``: +1 flexion, -1 extension.
    """

    name: str
    joint: str
    title: str
    status: MovementStatus
    """``measured``: the program measures it; ``marked``: it does so from a point that a person marks in the picture; ``planned``: the facts stand here, the program does not measure it."""
    kind: Kind
    unit: Unit
    plane: Plane
    plane_angle_deg: float | None
    """Plane of the moving arm, degrees forward of the frontal plane (0 frontal, 90 sagittal); None where the
    movement does not stay in a vertical plane."""
    direction: Literal[1, -1]
    opposite: str | None
    better: Literal["larger", "smaller"]
    """Which way the value shows a freer movement."""
    position: str
    """Of the body and the arm at the start."""
    definition: str
    axis: str
    fulcrum: str
    fixed_arm: str
    moving_arm: str
    zero: str
    sign: str
    fixed_points: tuple[str, str] | None
    moving_points: tuple[str, str]
    """Start and end of each measuring arm: parts of :class:`vision_rom.handover.Landmark` on the measured side,
    ``mid_hips`` or ``mid_shoulders``. ``fixed_points`` is None where the fixed arm is the trunk's forward direction."""
    views: tuple[ViewRule, ...]
    """From which the camera may look, the best first."""
    camera_azimuth_deg: float
    """Where the camera stands for the best view, seen from the patient: 0 straight ahead, +90 at the measured side,
    180 behind, negative towards the other side."""
    camera_distance_m: float
    camera_height: str
    filming: str
    instruction: str
    """To the patient, in plain words, with the part that is common to all movements."""
    repetitions: int
    hold_s: float
    watch: tuple[str, ...]
    """Compensations to look out for."""
    norms: tuple[Norm, ...]
    change_floor: float | None
    """Smallest change, in ``unit``, that is not called measurement error; None where nothing is known."""
    change_floor_trust: Trust | None
    change_floor_note: str
    errors: tuple[PublishedError, ...]
    side_differences: tuple[SideDifference, ...]
    do_not_test: tuple[Rule, ...]
    cautions: tuple[Rule, ...]
    stop_rules: tuple[Rule, ...]
    codes: tuple[Code, ...]
    physical_limits: tuple[float, float]
    """A reading outside, in ``unit``, is an error of measurement and not a movement (our choice)."""
    parts: tuple[str, ...] = ()
    zones: tuple[Zone, ...] = ()
    sources: tuple[Source, ...] = ()

    @property
    def wanted_views(self) -> tuple[View, ...]:
        """Views that serve for either side, the best first."""
        return tuple(dict.fromkeys(resolve_view(rule, side) for rule in self.views for side in SIDES))

    def wanted_views_for(self, side: Side) -> tuple[View, ...]:
        """Views that serve for one side, the best first."""
        return tuple(resolve_view(rule, side) for rule in self.views)

    @property
    def textbook(self) -> Norm | None:
        """The round reference value that is quoted most, None where there is none."""
        return next((norm for norm in self.norms if norm.role == "textbook"), None)

    @property
    def functional(self) -> Norm | None:
        """What daily tasks took, None where that is not known."""
        return next((norm for norm in self.norms if norm.role == "functional"), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Safety:
    """What holds for every movement."""

    do_not_test: tuple[Rule, ...]
    cautions: tuple[Rule, ...]
    same_day: tuple[Rule, ...]
    urgent: tuple[Rule, ...]
    think_elsewhere: tuple[Rule, ...]
    stop: tuple[Rule, ...]
    home: tuple[Rule, ...]
    instruction: str
    """Closing sentences of every instruction."""


def resolve_view(rule: ViewRule, side: Side) -> View:
    """Return the view that a rule means for one side."""
    if rule == "own_side":
        return "left_side" if side == "left" else "right_side"
    if rule == "other_side":
        return "right_side" if side == "left" else "left_side"
    return rule
