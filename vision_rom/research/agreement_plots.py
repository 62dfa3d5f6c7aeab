"""Pictures of an agreement: differences over means with their limits, and readings over reference."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vision_rom.report.figures import new_figure, png_of
from vision_rom.research.agreement import AgreementFigures
from vision_rom.research.icc import Floats

SIZE_IN = (6.4, 4.6)
_INK = "#0b5c8a"
_MARKS = "osDv^P*X<>"


def differences_png(
    readings: Floats, reference: Floats, subjects: Sequence[str], figures: AgreementFigures, title: str
) -> bytes:
    """Return differences over means (n,) with bias, limits and their intervals as PNG bytes; a mark for each subject."""
    figure = new_figure(*SIZE_IN)
    axes = figure.subplots()
    middle, difference = (readings + reference) / 2, readings - reference
    _points(axes, middle, difference, subjects, figures)
    limits = figures.limits
    for estimate, style, name in (
        (limits.bias, "-", "bias"),
        (limits.lower, "--", "limit"),
        (limits.upper, "--", "limit"),
    ):
        axes.axhline(estimate.value, color="black", linewidth=1.0, linestyle=style)
        axes.axhspan(estimate.low, estimate.high, color="0.5", alpha=0.2, linewidth=0)
        axes.annotate(
            f"{name} {estimate.value:.1f}°", (1.0, estimate.value), xycoords=("axes fraction", "data"), fontsize=8,
            xytext=(-4, 3), textcoords="offset points", ha="right",
        )  # fmt: skip
    axes.axhline(0.0, color="0.6", linewidth=0.6)
    slope = figures.trend.slope
    if np.isfinite(slope.low) and (slope.low > 0 or slope.high < 0):
        ends = np.array([middle.min(), middle.max()])
        axes.plot(ends, figures.trend.intercept_deg + slope.value * ends, color="#b24a00", linewidth=1.2)
    axes.set(xlabel="mean of reading and reference, deg", ylabel="reading minus reference, deg")
    axes.set_title(f"{title}: n = {figures.n_pairs}, subjects = {figures.n_subjects}", loc="left", fontsize=10)
    return png_of(figure)


def scatter_png(
    readings: Floats, reference: Floats, subjects: Sequence[str], figures: AgreementFigures, title: str
) -> bytes:
    """Return readings over reference (n,) with the line of equality as PNG bytes."""
    figure = new_figure(*SIZE_IN)
    axes = figure.subplots()
    _points(axes, reference, readings, subjects, figures)
    low, high = min(readings.min(), reference.min()) - 3, max(readings.max(), reference.max()) + 3
    axes.plot([low, high], [low, high], color="black", linewidth=0.8)
    axes.set(xlabel="reference, deg", ylabel="reading, deg", xlim=(low, high), ylim=(low, high), aspect="equal")
    axes.set_title(f"{title}: ICC(2,1) {figures.icc.icc2_1.value:.2f}", loc="left", fontsize=10)
    return png_of(figure)


def _points(axes, across: Floats, up: Floats, subjects: Sequence[str], figures: AgreementFigures) -> None:  # type: ignore[no-untyped-def]
    axes.grid(alpha=0.3)
    names = list(dict.fromkeys(subjects))
    # with many subjects a mark for each would tell nobody apart
    if figures.n_subjects == figures.n_pairs or len(names) > len(_MARKS):
        axes.scatter(across, up, s=22, facecolors="none", edgecolors=_INK, linewidths=1.0)
        return
    for name, mark in zip(names, _MARKS, strict=False):
        here = np.array([one == name for one in subjects])
        axes.scatter(across[here], up[here], s=24, marker=mark, facecolors="none", edgecolors=_INK, linewidths=1.0)
