"""Angle curves to repetitions: gaps, outliers, smoothing, holds, recognition; numpy and scipy alone."""
