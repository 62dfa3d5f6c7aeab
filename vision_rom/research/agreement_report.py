"""The folder of an agreement: figures, pairs, what was left over, pictures and the paragraph for the paper."""

from __future__ import annotations

import json
import math
import re
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from vision_rom.errors import UsageError
from vision_rom.report.cells import csv_of_table, csv_text
from vision_rom.research.agreement import AgreementFigures, agreement_between
from vision_rom.research.agreement_plots import differences_png, scatter_png
from vision_rom.research.icc import Estimate
from vision_rom.research.methods_text import methods_markdown
from vision_rom.research.reference import READING, REFERENCE, Pairs, conditions_of, subjects_are_named, subjects_of
from vision_rom.research.tables import whole_file, write_text

SCHEMA_NAME = "vision-rom/agreement/1"


def figures_of(
    pairs: Pairs, *, within_deg: tuple[float, ...] = (5.0, 10.0), seed: int = 0
) -> list[tuple[str, AgreementFigures]]:
    """Return the figures of each movement that has pairs of two subjects, and of all together.

    Raises
    ------
    UsageError
        No movement has enough.

    """
    found: list[tuple[str, AgreementFigures]] = []
    for name, table in pairs.groups():
        subjects = subjects_of(table)
        if len(set(subjects)) < 2:
            continue
        figures = agreement_between(
            table[READING].to_numpy(float), table[REFERENCE].to_numpy(float), subjects, conditions_of(table),
            within_deg=within_deg, seed=seed,
        )  # fmt: skip
        found.append((name, figures))
    if not found:
        raise UsageError(
            "Agreement needs pairs of at least two subjects; add subjects, or leave the column subject out."
        )
    return found


def write_agreement(pairs: Pairs, found: list[tuple[str, AgreementFigures]], out: Path, *, reference: str) -> str:
    """Write everything and return the text of ``methods.md``.

    Raises
    ------
    OutputError
        The folder cannot be written.

    """
    why = [str(one) for one in pairs.left_over["why"]] if len(pairs.left_over) else []
    named = subjects_are_named(pairs.table)
    text = methods_markdown(found, reference=reference, value=pairs.value, left_over=why, subjects_named=named)
    tables = dict(pairs.groups())
    for name, figures in found:
        table = tables[name]
        a, b = table[READING].to_numpy(float), table[REFERENCE].to_numpy(float)
        plain = re.sub(r"[^a-z0-9_]+", "_", name.lower())
        for kind, draw in (("differences", differences_png), ("scatter", scatter_png)):
            with whole_file(out / f"{kind}_{plain}.png") as file:
                file.write(draw(a, b, subjects_of(table), figures, name.replace("_", " ")))
    write_text(out / "agreement.csv", _flat_csv(found))
    document = {
        "schema": SCHEMA_NAME,
        "value": pairs.value,
        "reference": reference,
        "left_over": len(why),
        "groups": {name: _plain(asdict(figures)) for name, figures in found},
    }
    write_text(out / "agreement.json", json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n")
    write_text(out / "pairs.csv", csv_of_table(pairs.table))
    write_text(out / "left_over.csv", csv_of_table(pairs.left_over))
    write_text(out / "methods.md", text)
    return text


def _flat_csv(found: list[tuple[str, AgreementFigures]]) -> str:
    written: list[tuple[str, ...]] = [("group", "figure", "value", "low95", "high95")]
    for name, f in found:
        single = float("nan")
        rows: list[tuple[str, Estimate]] = [
            ("pairs", Estimate(f.n_pairs, single, single)),
            ("subjects", Estimate(f.n_subjects, single, single)),
            ("icc2_1", f.icc.icc2_1),
            ("icc3_1", f.icc.icc3_1),
            ("sem_agreement_deg", Estimate(f.icc.sem_agreement, single, single)),
            ("sem_consistency_deg", Estimate(f.icc.sem_consistency, single, single)),
            ("mdc90_deg", Estimate(f.mdc90_deg, single, single)),
            ("mdc95_deg", Estimate(f.mdc95_deg, single, single)),
            ("bias_deg", f.limits.bias),
            ("limit_lower_deg", f.limits.lower),
            ("limit_upper_deg", f.limits.upper),
            ("slope", f.trend.slope),
            ("mean_absolute_deg", Estimate(f.mean_absolute_deg, single, single)),
            ("root_mean_square_deg", Estimate(f.root_mean_square_deg, single, single)),
            *((f"share_within_{limit:g}_deg", share) for limit, share in f.shares.items()),
        ]
        for figure, estimate in rows:
            written.append((name, figure, *(_cell(one) for one in (estimate.value, estimate.low, estimate.high))))
    return csv_text(written)


def _cell(value: float) -> str:
    return f"{value:.6g}" if math.isfinite(value) else ""


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {f"{key:g}" if isinstance(key, float) else str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    return value
