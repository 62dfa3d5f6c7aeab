"""Pictures of the proof: error against angle, and read against true by Bland and Altman."""

from __future__ import annotations

import io
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from vision_rom.proof.run import ProofRow
from vision_rom.proof.statistics import agreement_of

# distinguishable by shape alone; the colours suit the common kinds of colour blindness
MARKS: dict[str, tuple[str, str]] = {
    "abduction": ("o", "#0b5c8a"),
    "scaption": ("s", "#3aa6a0"),
    "flexion": ("^", "#b24a00"),
    "extension": ("v", "#d9a400"),
    "external_rotation": ("D", "#7b3294"),
    "internal_rotation": ("P", "#555555"),
}
LARGEST_SHOWN_DEG = 40.0
"""Errors beyond this are drawn at the edge, so that the others stay readable."""


def error_png(rows: Sequence[ProofRow]) -> bytes:
    """Return error against true angle as PNG bytes, one panel a model and method; hollow where the camera was off."""
    groups = _groups(rows)
    figure, panels = _panels(rows, len(groups))
    for axes, (name, group) in zip(panels, groups.items(), strict=False):
        _scatter(axes, group, [row.true_deg for row in group], [row.error_deg for row in group])
        axes.axhline(0.0, color="black", linewidth=0.8)
        axes.set_title(name, loc="left", fontsize=9)
        axes.set_ylabel("read minus true, deg", fontsize=9)
        axes.set_ylim(-LARGEST_SHOWN_DEG - 2, LARGEST_SHOWN_DEG + 2)
        axes.grid(alpha=0.3)
    if groups:
        panels[0].legend(ncols=3, fontsize=8, loc="upper left")
    figure.supxlabel("true angle, deg (hollow: camera 25 deg off or phone tilted)", fontsize=10)
    return _png(figure)


def agreement_png(rows: Sequence[ProofRow]) -> bytes:
    """Return differences over means with limits of agreement and their 95% intervals as PNG bytes."""
    groups = _groups(rows)
    figure, panels = _panels(rows, len(groups))
    for axes, (name, group) in zip(panels, groups.items(), strict=False):
        read, true = np.array([r.value_deg for r in group]), np.array([r.true_deg for r in group])
        _scatter(axes, group, ((read + true) / 2).tolist(), (read - true).tolist())
        found = agreement_of(read, true)
        for level, half in (
            (found.bias_deg, found.bias_half_deg),
            (found.lower_deg, found.limit_half_deg),
            (found.upper_deg, found.limit_half_deg),
        ):
            if np.isfinite(level):
                axes.axhline(level, color="black", linewidth=1.0, linestyle="-" if level == found.bias_deg else "--")
                axes.axhspan(level - half, level + half, color="0.5", alpha=0.2, linewidth=0)
        axes.set_title(
            f"{name}: bias {found.bias_deg:.1f}, limits {found.lower_deg:.1f} to {found.upper_deg:.1f} deg, n = {found.n}",
            loc="left",
            fontsize=9,
        )
        axes.set_ylabel("read minus true, deg", fontsize=9)
        axes.set_ylim(-LARGEST_SHOWN_DEG - 2, LARGEST_SHOWN_DEG + 2)
        axes.grid(alpha=0.3)
    if groups:
        panels[0].legend(ncols=3, fontsize=8, loc="upper left")
    figure.supxlabel("mean of read and true, deg (hollow: camera 25 deg off or phone tilted)", fontsize=10)
    return _png(figure)


def _panels(rows: Sequence[ProofRow], count: int) -> tuple[Figure, list[Axes]]:
    """Return a figure with a panel for each group, a column for each network."""
    columns = max(len({row.model for row in rows if row.status == "measured"}), 1)
    lines = max(-(-count // columns), 1)
    figure = Figure(figsize=(8.5 if columns == 1 else 6.5 * columns, 3.4 * lines + 0.4), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots(lines, columns, squeeze=False, sharex=True, sharey=True)
    return figure, list(axes.T.ravel())


def _groups(rows: Sequence[ProofRow]) -> dict[str, list[ProofRow]]:
    groups: dict[str, list[ProofRow]] = {}
    for row in rows:
        if row.status == "measured":
            groups.setdefault(f"{row.method} ({row.model} network)", []).append(row)
    return groups


def _scatter(axes: Axes, rows: Sequence[ProofRow], across: Sequence[float], up: Sequence[float]) -> None:
    for movement, (mark, ink) in MARKS.items():
        for off in (False, True):
            kept = [
                i
                for i, row in enumerate(rows)
                if row.movement == movement and row.condition.startswith(("camera", "phone")) == off
            ]
            if kept:
                axes.scatter(
                    [across[i] for i in kept],
                    np.clip([up[i] for i in kept], -LARGEST_SHOWN_DEG, LARGEST_SHOWN_DEG),
                    s=22,
                    marker=mark,
                    facecolors="none" if off else ink,
                    edgecolors=ink,
                    linewidths=0.9,
                    label=None if off else movement.replace("_", " "),
                )


def _png(figure: Figure) -> bytes:
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=90, metadata={"Software": None})
    return buffer.getvalue()
