"""``pain_SIDE.png``: a dial of the joint's angles with the painful ones, raising outside and lowering inside."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.projections.polar import PolarAxes

from vision_rom.handover import Reading
from vision_rom.pain import ReadingPain, RepetitionPain
from vision_rom.pain.arc import PhasePain
from vision_rom.report.figures import new_figure, png_of
from vision_rom.report.pain import pain_in_words
from vision_rom.report.screen import whole

RINGS = {"raising": (0.80, 0.96), "lowering": (0.60, 0.76)}
HATCH = {"raising": "////", "lowering": "...."}
PAIN_INK = "#8c1d18"


def dial_png(reading: Reading, pain: ReadingPain) -> bytes:
    """Return the dial of one reading as PNG bytes: 0 hangs down, angles go to the side that moves."""
    figure = new_figure(5.2, 5.4)
    # room for the sentence below
    figure.get_layout_engine().set(rect=(0.0, 0.1, 1.0, 0.9))  # type: ignore[union-attr, call-arg]
    axes = figure.add_subplot(projection="polar")
    assert isinstance(axes, PolarAxes)
    axes.set_theta_zero_location("S")
    # as the examiner sees the patient, whose right is on the left
    axes.set_theta_direction(1 if reading.side == "left" else -1)
    axes.set_thetamin(0)
    axes.set_thetamax(max(180.0, math.ceil(reading.peak_deg / 30) * 30))
    axes.set_thetagrids(np.arange(0, axes.get_thetamax() + 1, 30))
    axes.set_ylim(0, 1.05)
    axes.set_yticks([])
    for name, (inner, outer) in RINGS.items():
        reached = math.radians(max(reading.peak_deg, 0.0))
        axes.bar(reached / 2, outer - inner, width=reached, bottom=inner, color="0.88", edgecolor="0.6")
        for one in pain.arc.repetitions:
            phase = _phase(one, name)
            if phase is not None and math.isfinite(phase.low_deg) and math.isfinite(phase.high_deg):
                low, high = math.radians(phase.low_deg), math.radians(max(phase.high_deg, phase.low_deg + 1))
                axes.bar(
                    (low + high) / 2,
                    outer - inner,
                    width=high - low,
                    bottom=inner,
                    color=PAIN_INK,
                    alpha=0.35,
                    edgecolor=PAIN_INK,
                    hatch=HATCH[name],
                )
    held = math.radians(reading.held_deg)
    axes.plot([held, held], [0, 1.0], color="black", linewidth=2)
    axes.annotate(whole(reading.held_deg), (held, 0.5), fontweight="bold", fontsize=12)
    words = pain_in_words(pain)[0]
    axes.set_title(
        f"{reading.movement.replace('_', ' ')}, {reading.side}: outer ring raising, inner ring lowering", fontsize=9
    )
    figure.text(0.5, 0.01, words, ha="center", va="bottom", fontsize=8, wrap=True)
    return png_of(figure)


def _phase(one: RepetitionPain, name: str) -> PhasePain | None:
    return one.raising if name == "raising" else one.lowering
