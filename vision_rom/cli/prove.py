"""The command ``vision-rom prove``: how wrong the readings are on rendered people with exactly known angles."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Literal

import typer

DEFAULT_OUT = Path("proof_results")


def prove_command(
    quick: Annotated[
        bool, typer.Option("--quick", help="A dozen short clips of other people, in a few minutes.")
    ] = False,
    cache: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER",
            help="Where rendered clips and found landmarks are kept  [default: ~/.cache/vision-rom/proof]",
        ),
    ] = None,
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Where tables and plots are written.")] = DEFAULT_OUT,
    model: Annotated[
        Literal["full", "heavy", "both"], typer.Option(help="Pose network; both puts them side by side.")
    ] = "full",
    every: Annotated[
        int, typer.Option(min=1, help="Only every so-many-th clip of the set: a smaller sample of the same mix.")
    ] = 1,
) -> int:
    """Measure rendered people that nothing was fitted on, and write how wrong the readings are."""
    from vision_rom.pose.settings import MODEL_NAMES
    from vision_rom.proof.cases import full_set, quick_set
    from vision_rom.proof.clips import default_cache
    from vision_rom.proof.landmarks import run_landmarks
    from vision_rom.proof.result import facts_of_run, write_results
    from vision_rom.proof.run import run_proof
    from vision_rom.proof.write_up import slopes_markdown, targets_markdown

    cases = (quick_set() if quick else full_set())[::every]
    models = MODEL_NAMES if model == "both" else (model,)
    kept = cache or default_cache()
    with _progress(len(cases)) as progress:
        rows = list(run_proof(cases, cache=kept, models=models, progress=progress))
    options = ["--quick"] * quick + [f"--model {model}"] * (model != "full") + [f"--every {every}"] * (every > 1)
    offsets = run_landmarks(cases, cache=kept, models=models)
    folder = write_results(rows, out, facts_of_run(" ".join(["vision-rom prove", *options])), offsets=offsets)
    typer.echo(f"{targets_markdown(rows)}\n\n{slopes_markdown(rows)}\n\nTables and plots are in {folder}.")
    return 0


@contextmanager
def _progress(clips: int) -> Iterator[Callable[[int, str, float | None], None]]:
    """Show how far the proof is, on stderr and only to a person."""
    if not sys.stderr.isatty():
        yield lambda done, doing, share: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("clips", total=clips)

        def show(done: int, doing: str, share: float | None) -> None:
            bar.update(task, completed=done + (share or 0.0) / 2, description=doing)

        yield show
