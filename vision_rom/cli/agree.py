"""The commands ``vision-rom agree`` and ``vision-rom sample-size``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from vision_rom.errors import EXIT_MEASURED, UsageError


def agree_command(
    reference: Annotated[
        Path,
        typer.Argument(
            metavar="REFERENCE.csv",
            help="Column reference_deg, and clip or subject, visit, movement, side to tell the readings apart; without "
            "--run also reading_deg.",
            show_default=False,
        ),
    ],
    run: Annotated[Path | None, typer.Option(metavar="RUN", help="Folder of the run that measured.")] = None,
    out: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Folder for the results  [default: REFERENCE-agreement]")
    ] = None,
    value: Annotated[
        Literal["held_deg", "peak_deg", "vertical_held_deg"], typer.Option(help="Which of our values is compared.")
    ] = "held_deg",
    against: Annotated[
        str, typer.Option(help="What the reference was, for the methods paragraph.")
    ] = "the reference measurement",
    within: Annotated[list[float] | None, typer.Option(help="Degrees whose share is wanted  [default: 5 10]")] = None,
    seed: Annotated[int, typer.Option(help="For drawing subjects.")] = 0,
) -> int:
    """Compare readings with a goniometer, a second rater or motion capture: ICC, SEM, MDC, limits of agreement, plots."""
    from vision_rom.research.agreement_report import figures_of, write_agreement
    from vision_rom.research.reference import read_pairs

    wanted = tuple(within or (5.0, 10.0))
    if any(not one > 0 for one in wanted):
        raise UsageError("A share is asked for within more than 0 degrees.")
    pairs = read_pairs(reference, run, value=value)
    folder = out or reference.with_name(f"{reference.stem}-agreement")
    text = write_agreement(pairs, figures_of(pairs, within_deg=wanted, seed=seed), folder, reference=against)
    typer.echo(text)
    typer.echo(f"Tables and plots: {folder}")
    return EXIT_MEASURED


def sample_size_command(
    sd: Annotated[
        float | None, typer.Option(help="Expected standard deviation of the differences, degrees.", show_default=False)
    ] = None,
    half_width: Annotated[
        float | None, typer.Option(help="Wanted half width of the interval of a limit, degrees.", show_default=False)
    ] = None,
    icc: Annotated[float | None, typer.Option(help="Expected ICC.", show_default=False)] = None,
    icc_width: Annotated[
        float | None, typer.Option(help="Wanted width of its interval from end to end.", show_default=False)
    ] = None,
    raters: Annotated[int, typer.Option(min=2, help="Raters or methods.")] = 2,
    repeats: Annotated[int, typer.Option(min=1, help="Pairs from each subject, for the limits.")] = 1,
    between: Annotated[
        float, typer.Option(min=0.0, max=1.0, help="Share of the variance of the differences between subjects.")
    ] = 0.5,
) -> int:
    """Say how many subjects an agreement study needs for a wanted precision."""
    from vision_rom.research.sample_size import pairs_for_limits, subjects_for_icc, subjects_with_repeats

    for_limits, for_icc = (sd, half_width), (icc, icc_width)
    if any((one is None) != (other is None) for one, other in (for_limits, for_icc)):
        raise UsageError(
            "Give --sd with --half-width for the limits of agreement, and --icc with --icc-width for the ICC."
        )
    if sd is None and icc is None:
        raise UsageError("Give --sd and --half-width, or --icc and --icc-width.")
    if sd is not None and half_width is not None:
        n = pairs_for_limits(sd, half_width)
        typer.echo(
            f"Limits of agreement within {half_width:g} degrees (95% interval), SD {sd:g}: {n} subjects, one pair each"
        )
        if repeats > 1:
            fewer = subjects_with_repeats(n, repeats, between)
            typer.echo(f"  with {repeats} pairs each, {between:.0%} of the variance between subjects: {fewer} subjects")
    if icc is not None and icc_width is not None:
        n = subjects_for_icc(icc, icc_width, raters=raters)
        typer.echo(f"ICC {icc:g} with a 95% interval {icc_width:g} wide, {raters} raters: {n} subjects")
    typer.echo("Add those who will drop out or cannot be measured; the readings table of a first run tells how many.")
    return EXIT_MEASURED
