"""The command ``vision-rom batch``: many recordings, one folder of tables."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from vision_rom.errors import EXIT_MEASURED, NothingMeasurable, UsageError, VisionRomError

if TYPE_CHECKING:
    from vision_rom.research.batch import BatchResult, Listener
    from vision_rom.research.work import Done

_SECONDS_BETWEEN_LINES = 30.0


def batch_command(
    source: Annotated[
        Path | None,
        typer.Argument(
            metavar="FOLDER|LIST.csv",
            help="Folder of recordings, or a table with the column clip and, as known, subject, visit, movement, side.",
            show_default=False,
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="RUN", help="Folder of the run; the same command again goes on where it was stopped."),
    ] = None,
    again: Annotated[
        Path | None, typer.Option(metavar="RUN", help="Repeat a finished run and report what differs.")
    ] = None,
    workers: Annotated[
        int | None, typer.Option(min=1, help="Processes  [default: one for each core]", show_default=False)
    ] = None,
    scheduler: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Dask scheduler whose workers measure instead.")
    ] = None,
    movement: Annotated[str | None, typer.Option(help="For recordings whose row names no movement.")] = None,
    side: Annotated[
        Literal["left", "right", "both"] | None, typer.Option(help="For recordings whose row names no side.")
    ] = None,
    model: Annotated[Literal["full", "heavy"], typer.Option(help="Pose network.")] = "full",
    rate: Annotated[
        float, typer.Option(min=0.0, help="Pictures a second that are looked at; 0 looks at every one.")
    ] = 30.0,
    frames: Annotated[
        Literal["parquet", "both", "none"],
        typer.Option(help="Landmarks and angles of every picture; both adds CSV, about 3 kB a picture."),
    ] = "parquet",
    export: Annotated[
        list[str] | None, typer.Option(help="Also write c3d or jsonl files; may be given twice.", metavar="c3d|jsonl")
    ] = None,
    retry_failed: Annotated[
        bool, typer.Option("--retry-failed", help="Try recordings again that could not be read before.")
    ] = False,
    seed: Annotated[int, typer.Option(help="Kept with the run; measuring draws nothing at random today.")] = 0,
) -> int:
    """Measure a folder or list of recordings, resumable after any interruption."""
    from vision_rom.research.batch import run_batch
    from vision_rom.research.manifest import items_of
    from vision_rom.research.run_folder import read_run
    from vision_rom.research.settings import BatchSettings

    if (source is None) == (again is None):
        raise UsageError("Name either a folder or list of recordings, or a finished run with --again.")
    if again is not None:
        before = read_run(again.resolve())
        out = out or again.resolve().with_name(f"{again.resolve().name}-again")
        root, items, settings = before.root, before.items, before.settings
    else:
        if out is None or source is None:
            raise UsageError("Name the folder of the run with --out.")
        root, items = items_of(source)
        settings = BatchSettings(model, rate or None, movement, side, frames, tuple(sorted(set(export or ()))), seed)
    if out.resolve() == (again.resolve() if again else None):
        raise UsageError("A run cannot be repeated into its own folder; name another with --out.")
    with _listening() as listener:
        result = run_batch(
            root,
            items,
            out,
            settings,
            workers=workers,
            scheduler=scheduler,
            retry_failed=retry_failed,
            listener=listener,
        )
    _print(result)
    if again is not None:
        return _report_differences(again.resolve(), result.folder)
    return EXIT_MEASURED if result.readings_measured else NothingMeasurable.exit_code


def _print(result: BatchResult) -> None:
    print(
        f"{result.recordings} recordings ({result.resumed} done before), {result.readings_measured} readings measured, "
        f"{sum(result.failures.values())} entries in failures.csv"
    )
    for kind, count in result.failures.items():
        print(f"  {kind}: {count}")
    if result.core_seconds > 0 and result.clip_seconds > 0:
        print(f"{result.clip_seconds / result.core_seconds:.2f} seconds of recording a core-second")
    print(f"Tables: {result.folder}")


def _report_differences(first: Path, second: Path) -> int:
    from vision_rom.research.differences import differences_between, differences_csv, largest_steps
    from vision_rom.research.run_folder import read_run
    from vision_rom.research.tables import write_text

    found = differences_between(read_run(first), read_run(second))
    write_text(second / "differences.csv", differences_csv(found))
    if not found:
        print("No difference.")
        return EXIT_MEASURED
    print(f"{len(found)} differences, listed in {second / 'differences.csv'}")
    for name, step in largest_steps(found).items():
        print(f"  {name}: up to {step:.6g}")
    return VisionRomError.exit_code


@contextmanager
def _listening() -> Iterator[Listener]:
    """Show the whole and each recording under way on a terminal; a line now and then elsewhere."""
    from vision_rom.research.batch import Listener

    if not sys.stderr.isatty():
        yield _lines()
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        whole = bar.add_task("recordings", total=None)
        shown: dict[str, int] = {}

        def started(done: int, total: int) -> None:
            bar.update(whole, completed=done, total=total)

        def progress(clip_id: str, fraction: float) -> None:
            if clip_id not in shown:
                shown[clip_id] = int(bar.add_task(f"  {clip_id}", total=100))
            bar.update(shown[clip_id], completed=round(100 * fraction))  # type: ignore[arg-type]

        def finished(done: Done) -> None:
            bar.advance(whole)
            if done.clip_id in shown:
                bar.remove_task(shown.pop(done.clip_id))  # type: ignore[arg-type]

        yield Listener(started, finished, progress)


def _lines() -> Listener:
    from vision_rom.research.batch import Listener

    state = {"done": 0, "total": 0, "failed": 0}
    last = [time.monotonic()]

    def started(done: int, total: int) -> None:
        state.update(done=done, total=total)
        print(f"{done} of {total} recordings are done already", file=sys.stderr)

    def finished(done: Done) -> None:
        state["done"] += 1
        state["failed"] += done.failed
        if time.monotonic() - last[0] > _SECONDS_BETWEEN_LINES or state["done"] == state["total"]:
            last[0] = time.monotonic()
            print(f"{state['done']} of {state['total']} recordings, {state['failed']} unreadable", file=sys.stderr)

    return Listener(started, finished)
