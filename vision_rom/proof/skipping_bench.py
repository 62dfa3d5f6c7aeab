"""What it does to readings that pictures in which hardly anything moved are not looked at. Run by hand.

    python -m vision_rom.proof.skipping_bench CACHE_FOLDER --out tests/proof/results/speed

Clips of the proof at 30 pictures a second, since at the proof's own 15 nothing is skipped: each fourth of the full set (from the second on) for the
claim, and the quick set, of other people. Every clip is measured from landmarks of which every picture was looked at and from those of the program
as it is. Differences are within the clip: as minus every.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import pandas as pd

from vision_rom.clip import open_clip, sha256_of
from vision_rom.handover import Clip, PoseTrack
from vision_rom.pose import PoseSettings, between, load_cached, store_cached, track_patient
from vision_rom.proof.cases import ProofCase, full_set, quick_set
from vision_rom.proof.clips import rendered_clip
from vision_rom.proof.methods import SeenClip, in_the_picture, pipeline

RATE_HZ = 30.0
SETS = {"full": full_set()[1::4], "quick": quick_set()}


def at_30_hz(cases: Sequence[ProofCase]) -> Iterator[ProofCase]:
    """Yield the same clips with more pictures a second."""
    for case in cases:
        yield replace(case, name=f"{case.name}-30", description=replace(case.description, rate_hz=RATE_HZ))


def landmarks_of(case: ProofCase, path: Path, folder: Path, *, skipping: bool) -> tuple[Clip, PoseTrack]:
    """Return the patient's landmarks, looked for now where they are not kept yet."""
    settings = PoseSettings(person=case.patient)
    options = {"rate_hz": None, "skipping": skipping}
    kept = load_cached(folder, clip_sha256=sha256_of(path), settings=settings, clip_options=options)
    if kept is not None:
        return kept
    most = between.MOST_BETWEEN if skipping else 0
    with patch.object(between, "MOST_BETWEEN", most), open_clip(path) as reader:
        track = track_patient(
            reader.as_stored(), width_px=reader.width_px, height_px=reader.height_px, settings=settings
        )
        clip = reader.clip()
    store_cached(folder, clip=clip, track=track, settings=settings, clip_options=options)
    return clip, track


def rows_of(name: str, cache: Path) -> Iterator[dict[str, Any]]:
    """Yield a row for each clip of a set; degrees."""
    for case in at_30_hz(SETS[name]):
        path, truth = rendered_clip(case, cache)
        row: dict[str, Any] = {"set": name, "clip": case.name, "view": case.view, "condition": case.condition}
        row["true"] = round(float(np.mean([one.held for one in truth.repetitions if one.side == case.side])), 2)
        for way, skipping in (("every", False), ("as_is", True)):
            clip, track = landmarks_of(case, path, cache / "landmarks", skipping=skipping)
            seen = SeenClip(case, clip, track, truth)
            found, plane = pipeline(seen), in_the_picture(seen)
            row |= {
                f"{way}_looked_at": round(1.0 - float(track.between.mean()), 3) if track.between.size else 1.0,
                f"{way}_held": round(found.value_deg, 2),
                f"{way}_low": round(found.low_deg, 2),
                f"{way}_high": round(found.high_deg, 2),
                f"{way}_in_picture": round(plane.value_deg, 2) if plane is not None else float("nan"),
                f"{way}_repetitions": found.repetitions,
            }
        yield row


def summary_of(table: pd.DataFrame) -> dict[str, Any]:
    """Return the figures of each set."""
    return {str(name): _figures(rows) for name, rows in table.groupby("set")}


def _figures(rows: pd.DataFrame) -> dict[str, Any]:
    measured = {way: rows[f"{way}_held"].notna() for way in ("every", "as_is")}
    both = rows[measured["every"] & measured["as_is"]]
    found: dict[str, Any] = {
        "clips": len(rows),
        "measured": {way: int(one.sum()) for way, one in measured.items()},
        "looked_at": round(float(rows["as_is_looked_at"].mean()), 3),
        "repetitions_differ": int((both["every_repetitions"] != both["as_is_repetitions"]).sum()),
    }
    for value, column in (("held", "held"), ("angle in the picture", "in_picture")):
        size = {way: (both[f"{way}_{column}"] - both["true"]).abs() for way in ("every", "as_is")}
        change = (size["as_is"] - size["every"]).dropna()
        moved = (both[f"as_is_{column}"] - both[f"every_{column}"]).abs()
        found[value] = {
            "mean_absolute_error": {way: round(float(one.mean()), 3) for way, one in size.items()},
            "paired_change": round(float(change.mean()), 3),
            "paired_standard_error": round(float(change.std() / np.sqrt(len(change))), 3),
            "moved_mean": round(float(moved.mean()), 3),
            "moved_p95": round(float(moved.quantile(0.95)), 2),
            "moved_most": round(float(moved.max()), 2),
        }
    for way in ("every", "as_is"):
        low, high = both[f"{way}_low"], both[f"{way}_high"]
        found[f"intervals, {way}"] = {
            "hold_the_truth": round(float(np.mean((low <= both["true"]) & (both["true"] <= high))), 3),
            "median_half_width": round(float(np.median((high - low) / 2)), 2),
        }
    return found


def main() -> None:
    """Run and write ``skipping.csv`` and ``skipping.json``."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("cache", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--sets", nargs="+", choices=sorted(SETS), default=sorted(SETS))
    asked = parser.parse_args()
    table = pd.DataFrame(row for name in asked.sets for row in rows_of(name, asked.cache))
    asked.out.mkdir(parents=True, exist_ok=True)
    table.to_csv(asked.out / "skipping.csv", index=False)
    text = json.dumps(summary_of(table), indent=1)
    (asked.out / "skipping.json").write_text(text + "\n", encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
