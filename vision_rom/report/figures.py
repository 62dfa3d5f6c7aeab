"""Plots as the bytes of a PNG file."""

from __future__ import annotations

import io

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure


def new_figure(width_in: float, height_in: float) -> Figure:
    """Return an empty figure that needs no screen; sizes in inches."""
    figure = Figure(figsize=(width_in, height_in), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def png_of(figure: Figure) -> bytes:
    """Return a figure as PNG, without metadata: equal figures give equal bytes."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=110, metadata={"Software": None})
    return buffer.getvalue()
