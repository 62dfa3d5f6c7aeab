"""The visits of a patient as a picture: held angles with intervals, the norm's band, onset and surgery."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date

from matplotlib.axes import Axes

from vision_rom.movements import movement
from vision_rom.records import Episode, Patient
from vision_rom.records.model import History
from vision_rom.report.curve import INK, STYLE
from vision_rom.report.figures import new_figure, png_of
from vision_rom.visit_report.content import norm_of

LONGEST_BEFORE_DAYS = 400
"""An onset or surgery that lies further back would squeeze the visits together"""
MARKER = {"left": "o", "right": "s"}


def trend_png(patient: Patient, episodes: Sequence[Episode], histories: Sequence[History]) -> bytes:
    """Return the trend as PNG bytes, one panel a movement; a sentence instead where there is nothing yet."""
    names = list(dict.fromkeys(one.movement for one in histories))
    figure = new_figure(7.5, 2.4 * max(1, len(names)) + 0.4)
    if not names:
        axes = figure.add_subplot()
        axes.axis("off")
        axes.text(0.5, 0.5, "No reading that counts yet.", ha="center")
    else:
        panels = figure.subplots(len(names), 1, squeeze=False, sharex=True)[:, 0]
        for axes, name in zip(panels, names, strict=True):
            _panel(axes, name, [one for one in histories if one.movement == name], patient, episodes)
    return png_of(figure)


def _panel(axes: Axes, name: str, histories: Sequence[History], patient: Patient, episodes: Sequence[Episode]) -> None:
    norm = norm_of(patient, name, day=histories[-1].readings[-1].visit_date)
    if norm.low is not None and norm.high is not None:
        axes.axhspan(norm.low, norm.high, color="0.9", zorder=0, label="published range")
    for history in histories:
        days = [date.fromisoformat(one.visit_date) for one in history.readings]
        held = [one.held_deg for one in history.readings]
        below = [_reach(one.held_deg - one.interval95_deg[0]) for one in history.readings]
        above = [_reach(one.interval95_deg[1] - one.held_deg) for one in history.readings]
        axes.errorbar(
            days, held, yerr=[below, above],  # type: ignore[arg-type]
            color=INK[history.side], linestyle=STYLE[history.side],
            marker=MARKER[history.side], capsize=4, linewidth=1.6, label=history.side,
        )  # fmt: skip
    first = min(date.fromisoformat(one.readings[0].visit_date) for one in histories)
    for episode in episodes:
        for day, text in ((episode.onset_date, "onset"), (episode.surgery_date, "surgery")):
            if day is None:
                continue
            at = date.fromisoformat(day)
            if (first - at).days > LONGEST_BEFORE_DAYS:
                continue
            axes.axvline(
                at,  # type: ignore[arg-type]
                color="0.3",
                linestyle=":",
                linewidth=1.2,
            )
            axes.annotate(
                text,
                (at, 1.0),
                xycoords=("data", "axes fraction"),
                fontsize=8,
                va="top",
                rotation=90,
            )
    axes.set_title(movement(name).title, loc="left", fontsize=10)
    axes.set_ylabel("held, degrees")
    axes.grid(axis="y", color="0.92")
    axes.spines[["top", "right"]].set_visible(False)
    axes.legend(fontsize=8, frameon=False, ncols=3, loc="best")
    shown = sorted({one.visit_date for history in histories for one in history.readings})
    axes.set_xticks([date.fromisoformat(day) for day in shown], shown, fontsize=8)  # type: ignore[arg-type]


def _reach(degrees: float) -> float:
    return max(degrees, 0.0) if math.isfinite(degrees) else 0.0
