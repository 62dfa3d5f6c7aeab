"""What ``vision-rom measure`` does around the pipeline: progress, the folder, the table, the exit code."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from vision_rom.errors import EXIT_MEASURED, NothingMeasurable


@dataclass(frozen=True)
class MeasureRequest:
    """The command's arguments."""

    clip: Path
    movement: str | None
    side: Literal["left", "right", "both"] | None
    out: Path | None
    json_wanted: bool
    model: Literal["full", "heavy"]
    method: Literal["learned", "picture"]
    mirrored: bool
    time_factor: float
    person: int | None
    rate_hz: float | None
    cache: Path | None
    no_cache: bool


def measure_and_write(request: MeasureRequest) -> int:
    """Measure, write the result folder, print, and return the exit code."""
    with progress_shown(request.clip.name, sys.stderr.isatty()) as on_progress:
        on_progress("starting", None)
        from vision_rom.clip.files import check_readable
        from vision_rom.measure import measure
        from vision_rom.report.document import reading_document, to_json
        from vision_rom.report.folder import default_folder, staged, write_reading_files

        # before any folder is made, whose name may be as impossible as the recording's
        check_readable(request.clip)
        folder = request.out or default_folder(request.clip)
        with staged(folder) as stage:
            # a folder that is still to be made takes its cache along when it appears
            cache = request.cache or (folder if folder.is_dir() else stage)
            measurement = measure(
                request.clip,
                movement=request.movement,
                side=request.side,
                model=request.model,
                method=request.method,
                mirrored=request.mirrored,
                time_factor=request.time_factor,
                person=request.person,
                rate_hz=request.rate_hz,
                cache=None if request.no_cache else cache,
                on_progress=on_progress,
            )
            on_progress("writing", None)
            write_reading_files(measurement, stage)
    if request.json_wanted:
        sys.stdout.write(to_json(reading_document(measurement)))
    else:
        from rich.console import Console

        from vision_rom.report.screen import print_measurement

        console = Console()
        print_measurement(measurement, console)
        console.print(f"Results: {folder}", highlight=False, soft_wrap=True, markup=False)
    measured = any(reading.status == "measured" for reading in measurement.readings)
    return EXIT_MEASURED if measured else NothingMeasurable.exit_code


@contextmanager
def progress_shown(title: str, shown: bool) -> Iterator[Callable[[str, float | None], None]]:
    """Show stage and fraction on stderr while the block runs; give the function that reports them."""
    if not shown:
        yield lambda stage, fraction: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f}%"),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(title, total=None)

        def report(stage: str, fraction: float | None) -> None:
            total = None if fraction is None else 1.0
            bar.update(task, description=f"{title}: {stage}", completed=fraction or 0.0, total=total)

        yield report
