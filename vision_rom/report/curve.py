"""``curve.png``: the smoothed curve over the raw points, with repetitions and held values."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes

from vision_rom.handover import Floats, Reading, Repetition, SmoothCurve
from vision_rom.pain import ReadingPain
from vision_rom.readings import Measurement
from vision_rom.report.figures import new_figure, png_of
from vision_rom.report.screen import interval, whole

# distinguishable in black and white by lightness and by line style, and for the common kinds of colour blindness
INK = {"left": "#0b5c8a", "right": "#b24a00"}
STYLE = {"left": "-", "right": (0, (6, 1.5))}


MOST_WRITTEN = 60
"""Repetitions in a panel whose numbers can be read beside each other; of more the bars alone are drawn. Our own choice."""
MOST_DRAWN = 10_000
"""Samples of a line: eleven for each of the picture's columns. Our own choice."""


def curve_png(measurement: Measurement) -> bytes:
    """Return the picture of all measured curves as PNG bytes, one panel a movement and side."""
    pairs = [(curve, *_reading_of(measurement, curve)) for curve in measurement.curves]
    figure = new_figure(9, 3.3 * max(1, len(pairs)) + 0.5)
    if not pairs:
        axes = figure.add_subplot()
        axes.axis("off")
        reasons = [reading.reason for reading in measurement.readings if reading.reason]
        axes.text(0.5, 0.5, "\n".join(["Nothing was measured.", *reasons]), ha="center", va="center", wrap=True)
    else:
        panels = figure.subplots(len(pairs), 1, squeeze=False, sharex=True)[:, 0]
        for axes, (curve, reading, pain) in zip(panels, pairs, strict=True):
            _panel(axes, curve, reading)
            if pain is not None:
                _shade_pain(axes, curve, pain)
        panels[-1].set_xlabel("time in the recording, s")
    return png_of(figure)


def _reading_of(measurement: Measurement, curve: SmoothCurve) -> tuple[Reading | None, ReadingPain | None]:
    for index, reading in enumerate(measurement.readings):
        if (reading.movement, reading.side) == (curve.source.movement, curve.source.side):
            return reading, measurement.pain[index] if measurement.pain else None
    return None, None


def _shade_pain(axes: Axes, curve: SmoothCurve, pain: ReadingPain) -> None:
    """Fill under the curve where it hurt: hatched, so that it shows in black and white, other strokes for lowering."""
    for one in pain.arc.repetitions:
        for phase, hatch, name in ((one.raising, "////", "pain, raising"), (one.lowering, "....", "pain, lowering")):
            if phase is None:
                continue
            inside = (curve.time_s >= phase.start_s) & (curve.time_s <= phase.end_s)
            known = axes.get_legend_handles_labels()[1]
            axes.fill_between(
                curve.time_s,
                0,
                curve.angle_deg,
                where=inside.tolist(),
                facecolor="#8c1d1840",
                edgecolor="#8c1d18",
                hatch=hatch,
                linewidth=0,
                label=None if name in known else name,
            )
    if pain.arc.repetitions:
        axes.legend(loc="upper right", fontsize=8, frameon=False, ncols=2)


def _outline(time_s: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Return a line of at most :data:`MOST_DRAWN` samples that looks the same: of a longer one the lowest and highest in turn."""
    step = -(-2 * len(values) // MOST_DRAWN)
    if len(values) <= MOST_DRAWN:
        return time_s, values
    starts = np.arange(0, len(values), step)
    both = np.column_stack([one.reduceat(values, starts) for one in (np.fmin, np.fmax)])
    return np.repeat(time_s[starts], 2), both.ravel()


def _bars(axes: Axes, repetitions: Sequence[Repetition], ink: str) -> None:
    """Draw many repetitions: their times shaded, their held values with intervals."""
    spans = [(one.start_s, one.end_s - one.start_s) for one in repetitions]
    axes.broken_barh(spans, (0, 1), transform=axes.get_xaxis_transform(), color=ink, alpha=0.08, linewidth=0)
    held = np.array([one.held_deg for one in repetitions])
    starts, ends = (np.array([getattr(one, name) for one in repetitions]) for name in ("hold_start_s", "hold_end_s"))
    low, high = np.array([one.interval95_deg for one in repetitions]).T
    axes.hlines(held, starts, ends, color="black", linewidth=4)
    axes.vlines((starts + ends) / 2, low, high, color="black", linewidth=0.6)


def _panel(axes: Axes, curve: SmoothCurve, reading: Reading | None) -> None:
    source = curve.source
    ink = INK[source.side]
    some = slice(None, None, 1 + len(source.time_s) // MOST_DRAWN)
    axes.plot(source.time_s[some], source.angle_deg[some], ".", color="0.62", markersize=3, label="single pictures")
    line = _outline(curve.time_s, curve.angle_deg)
    axes.plot(*line, color=ink, linestyle=STYLE[source.side], linewidth=1.8, label="smoothed")
    shown = reading.repetitions if reading is not None else ()
    if len(shown) > MOST_WRITTEN:
        _bars(axes, shown, ink)
        shown = ()
    for repetition in shown:
        axes.axvspan(repetition.start_s, repetition.end_s, color=ink, alpha=0.08, linewidth=0)
        axes.plot(
            [repetition.hold_start_s, repetition.hold_end_s],
            [repetition.held_deg] * 2,
            color="black",
            linewidth=4,
            solid_capstyle="butt",
        )
        low, high = repetition.interval95_deg
        if math.isfinite(low) and math.isfinite(high):
            middle = (repetition.hold_start_s + repetition.hold_end_s) / 2
            axes.errorbar(
                middle,
                repetition.held_deg,
                yerr=[[max(0.0, repetition.held_deg - low)], [max(0.0, high - repetition.held_deg)]],
                color="black",
                capsize=4,
                linewidth=1.2,
            )
        axes.annotate(
            whole(repetition.held_deg),
            ((repetition.hold_start_s + repetition.hold_end_s) / 2, repetition.held_deg),
            xytext=(6, -5),  # under the curve, where it crosses nothing but the bar of the interval
            textcoords="offset points",
            va="top",
            fontsize=11,
            fontweight="bold",
        )
    title = f"{source.movement.replace('_', ' ')}, {source.side}"
    if reading is not None and reading.status == "measured":
        title += f": held {whole(reading.held_deg)} (95% interval {interval(reading.interval95_deg)})"
    elif reading is not None and reading.reason:
        title += ": not measured"
    axes.set_title(title, loc="left", fontsize=11)
    axes.set_ylabel("angle, degrees")
    axes.grid(axis="y", color="0.9")
    axes.spines[["top", "right"]].set_visible(False)
    finite = curve.angle_deg[np.isfinite(curve.angle_deg)]
    if finite.size:
        axes.set_ylim(min(0.0, float(finite.min()) - 8), float(finite.max()) + 18)
    axes.legend(loc="upper right", fontsize=8, frameon=False, ncols=2)
