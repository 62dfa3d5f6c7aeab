"""Rows of the proof as tables: every clip, each movement and condition, the limits aimed at, and a page to read."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields

import numpy as np

from vision_rom.proof.run import ProofRow
from vision_rom.proof.statistics import Coverage, ErrorFigures, Line, coverage_of, error_figures, line_of

ELEVATIONS = ("abduction", "scaption", "flexion", "extension")
SLOPE_RANGE_DEG = (20.0, 175.0)
RANGE_EDGES_DEG = (0, 60, 110, 150)
"""60 to 110 is the limited, painful range"""
OFF_OR_TILTED = ("camera 25 deg off", "phone tilted 20 deg")
"""How the conditions begin in which the camera is not where it is wanted"""

NOT_PROVED = """\
What this does not prove. The people are rendered: skin, cloth, hair, light and the phone's picture are imitations, and
clothes follow the body instead of hanging from it. Their shoulders move by a model (two thirds of the elevation at the
joint, one third by the shoulder blade), not as painful, stiff or operated shoulders may. The pose network was trained on
pictures of real people, and may err otherwise on these. The truth is the skeleton's, which no goniometer or marker
set sees. So the figures rank methods and show where they fail; how far they hold for patients only recordings with
simultaneous reference measurements can show. They cover the instrument alone, not the patient's day."""


@dataclass(frozen=True, slots=True)
class Summary:
    """Figures of the clips that share some properties."""

    of: tuple[str, ...]
    """Values of those properties"""
    clips: int
    errors: ErrorFigures
    not_measured: float
    """Share of the clips, 0 to 1"""
    coverage: Coverage
    seconds_a_picture: float
    """Median processor time; NaN where it was not noted"""


@dataclass(frozen=True, slots=True)
class Target:
    """A limit that was aimed at."""

    name: str
    movements: tuple[str, ...]
    wanted_view: bool
    """The camera is where it is wanted, whatever else is difficult; otherwise it is 25 deg off or tilted by 20"""
    mean_absolute_deg: float
    percentile95_deg: float | None


TARGETS: tuple[Target, ...] = (
    Target("abduction, scaption; wanted view", ("abduction", "scaption"), True, 2.0, 5.0),
    Target("abduction, scaption; off or tilted", ("abduction", "scaption"), False, 3.0, 7.0),
    Target("flexion, extension; wanted view", ("flexion", "extension"), True, 2.0, 5.0),
    Target("flexion, extension; off or tilted", ("flexion", "extension"), False, 3.5, 8.0),
    Target("rotation at the side; wanted view", ("external_rotation", "internal_rotation"), True, 4.0, 9.0),
    Target("rotation at the side; off or tilted", ("external_rotation", "internal_rotation"), False, 6.0, None),
    Target("rotation at 90 deg; wanted view", ("external_rotation_90", "internal_rotation_90"), True, 3.0, 7.0),
    Target("rotation at 90 deg; off or tilted", ("external_rotation_90", "internal_rotation_90"), False, 5.0, None),
)


def summarise(rows: Iterable[ProofRow], by: Callable[[ProofRow], tuple[str, ...]]) -> list[Summary]:
    """Return the figures of each group of rows, in the order in which groups first appear."""
    groups: dict[tuple[str, ...], list[ProofRow]] = {}
    for row in rows:
        groups.setdefault(by(row), []).append(row)
    return [summary_of(name, group) for name, group in groups.items()]


def summary_of(name: tuple[str, ...], rows: Sequence[ProofRow]) -> Summary:
    """Return the figures of one group of rows."""
    true = [row.true_deg for row in rows]
    seconds = [row.seconds_a_picture for row in rows if math.isfinite(row.seconds_a_picture)]
    return Summary(
        of=name,
        clips=len(rows),
        errors=error_figures([row.value_deg for row in rows], true),
        not_measured=sum(row.status != "measured" for row in rows) / len(rows),
        coverage=coverage_of(
            [row.low_deg if row.holds_truth is not None else math.nan for row in rows],
            [row.high_deg for row in rows],
            true,
        ),
        seconds_a_picture=float(np.median(seconds)) if seconds else math.nan,
    )


def range_of(row: ProofRow) -> str:
    """Return in which part of the range the truth of a row lies."""
    low = max((edge for edge in RANGE_EDGES_DEG if edge <= row.true_deg), default=RANGE_EDGES_DEG[0])
    high = min((edge for edge in RANGE_EDGES_DEG if edge > row.true_deg), default=None)
    return f"{low:03d} and more" if high is None else f"{low:03d} to {high:03d}"


def camera_of(row: ProofRow) -> str:
    """Return whether the camera of a row was where it is wanted."""
    return "off or tilted" if row.condition.startswith(OFF_OR_TILTED) else "wanted view"


def slope_of(rows: Iterable[ProofRow]) -> Line:
    """Return the line of elevations read over true ones, 20 to 175 deg."""
    kept = [row for row in rows if row.movement in ELEVATIONS]
    low, high = SLOPE_RANGE_DEG
    return line_of([r.value_deg for r in kept], [r.true_deg for r in kept], low_deg=low, high_deg=high)


def errors_csv(rows: Sequence[ProofRow]) -> str:
    """Return every row as CSV text; empty cells are values that do not exist."""
    names = [field.name for field in fields(ProofRow)]
    return csv_text(names, ([_cell(asdict(row)[name]) for name in names] for row in rows))


SUMMARY_HEADINGS = (
    "clips",
    "measured",
    "bias, deg",
    "mean absolute, deg",
    "95th percentile, deg",
    "worst, deg",
    "not measured",
    "95% interval holds",
    "half-width, deg",
    "s a picture",
)


def summary_csv(summaries: Sequence[Summary], names: Sequence[str]) -> str:
    """Return figures as CSV text; ``names`` head the properties that make the groups."""
    return csv_text([*names, *SUMMARY_HEADINGS], ([*one.of, *_figures(one)] for one in summaries))


def summary_markdown(summaries: Sequence[Summary], names: Sequence[str]) -> str:
    """Return figures as a Markdown table."""
    return _markdown([*names, *SUMMARY_HEADINGS], ([*one.of, *_figures(one)] for one in summaries))


def targets_markdown(rows: Sequence[ProofRow]) -> str:
    """Return the limits aimed at and what each method reached, as a Markdown table."""
    lines = []
    for target in TARGETS:
        wanted = "wanted view" if target.wanted_view else "off or tilted"
        group = [row for row in rows if row.movement in target.movements and camera_of(row) == wanted]
        for one in summarise(group, lambda row: (row.model, row.method)):
            errors = one.errors
            limit95 = target.percentile95_deg
            met = errors.n > 0 and errors.mean_absolute_deg <= target.mean_absolute_deg
            met = met and (limit95 is None or errors.percentile95_deg <= limit95)
            aimed = f"{target.mean_absolute_deg:.1f}" + ("" if limit95 is None else f", 95th {limit95:.0f}")
            mean, most = _number(errors.mean_absolute_deg), _number(errors.percentile95_deg)
            reached = f"{mean}, 95th {most}" if mean else "-"
            share = [str(one.clips), _share(one.not_measured)]
            interval = [_share(one.coverage.share), _number(one.coverage.half_width_deg)]
            lines.append([target.name, *one.of, *share, aimed, reached, "yes" if met else "no", *interval])
    headings = (
        "movement and camera",
        "model",
        "method",
        "clips",
        "not measured",
        "aimed at, deg",
        "reached, deg",
        "met",
    )
    return _markdown((*headings, "95% interval holds", "half-width, deg"), lines)


def slopes_markdown(rows: Sequence[ProofRow]) -> str:
    """Return the slope of elevations over the truth for each model and method, as a Markdown table."""
    groups: dict[tuple[str, str], list[ProofRow]] = {}
    for row in rows:
        groups.setdefault((row.model, row.method), []).append(row)
    lines = []
    for name, group in groups.items():
        line = slope_of(group)
        spread = f"{_number(line.slope_low, 3)} to {_number(line.slope_high, 3)}"
        lines.append([*name, str(line.n), _number(line.slope, 3), spread, _number(line.intercept_deg)])
    return _markdown(("model", "method", "n", "slope", "95% interval", "at 0, deg"), lines)


def page_markdown(rows: Sequence[ProofRow], facts: Mapping[str, str]) -> str:
    """Return the whole result as a page: how it was made, limits, slopes, tables, and what it does not prove."""
    made = "\n".join(f"* {name}: {value}" for name, value in facts.items())
    people = len({row.person for row in rows})
    clips = len({row.clip for row in rows})
    by_view = summarise(rows, lambda row: (row.movement, row.view, camera_of(row), row.model, row.method))
    by_view.sort(key=lambda one: one.of)
    by_condition = summarise(rows, lambda row: (_kind(row), row.condition, row.model, row.method))
    by_condition.sort(key=lambda one: one.of)
    elevations = [row for row in rows if row.movement in ELEVATIONS]
    by_range = summarise(elevations, lambda row: (range_of(row), camera_of(row), row.model, row.method))
    by_range.sort(key=lambda one: one.of)
    refused = [row for row in rows if row.status != "measured"]
    reasons = summarise(refused, lambda row: (row.method, row.movement, row.condition, row.reason))
    return (
        "\n\n".join(
            [
                "# How wrong the readings are on rendered people",
                made,
                (
                    f"{clips} clips of {people} people that nothing was fitted on. Errors are read minus true: held values"
                    " against the true held value, the plain maximum against the true peak."
                ),
                "## Limits aimed at",
                targets_markdown(rows),
                f"## Read over true elevation, {SLOPE_RANGE_DEG[0]:g} to {SLOPE_RANGE_DEG[1]:g} deg",
                slopes_markdown(rows),
                "## Elevations by true angle",
                summary_markdown(by_range, ("true angle, deg", "camera", "model", "method")),
                "## By movement and view",
                summary_markdown(by_view, ("movement", "view", "camera", "model", "method")),
                "## By difficulty",
                summary_markdown(by_condition, ("kind", "condition", "model", "method")),
                "## Not measured, and why",
                _markdown(
                    ("method", "movement", "condition", "reason", "clips"), ([*r.of, str(r.clips)] for r in reasons)
                ),
                NOT_PROVED,
            ]
        )
        + "\n"
    )


def _kind(row: ProofRow) -> str:
    return "elevation" if row.movement in ELEVATIONS else "rotation"


def _figures(one: Summary) -> list[str]:
    e, c = one.errors, one.coverage
    return [
        str(one.clips),
        str(e.n),
        _number(e.bias_deg),
        _number(e.mean_absolute_deg),
        _number(e.percentile95_deg),
        _number(e.worst_deg),
        _share(one.not_measured),
        _share(c.share),
        _number(c.half_width_deg),
        _number(one.seconds_a_picture, 3),
    ]


def _number(value: float, digits: int = 1) -> str:
    return f"{value:.{digits}f}" if math.isfinite(value) else ""


def _share(value: float) -> str:
    return f"{100 * value:.0f}%" if math.isfinite(value) else ""


def _cell(value: object) -> str:
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    return f"{value:.3f}" if isinstance(value, float) else str(value)


def csv_text(names: Sequence[str], lines: Iterable[Sequence[str]]) -> str:
    """Return a table as CSV text."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(names)
    writer.writerows(lines)
    return text.getvalue()


def _markdown(names: Sequence[str], lines: Iterable[Sequence[str]]) -> str:
    rows = [names, ["---"] * len(names), *lines]
    return "\n".join("| " + " | ".join(cell.replace("|", "/") for cell in row) + " |" for row in rows)
