"""The paragraph for the methods and results of a paper, with the numbers filled in."""

from __future__ import annotations

import math
from collections.abc import Sequence

from vision_rom import __version__
from vision_rom.research.agreement import AgreementFigures
from vision_rom.research.icc import Estimate


def methods_markdown(
    groups: Sequence[tuple[str, AgreementFigures]],
    *,
    reference: str,
    value: str,
    left_over: Sequence[str],
    subjects_named: bool = True,
) -> str:
    """Return methods and results as Markdown.

    Parameters
    ----------
    groups
        Figures of each movement, by name.
    reference
        What the readings were compared with, as it should stand in the sentence.
    value
        Which value was compared.
    left_over
        For each row of the reference without a reading: why.
    subjects_named
        Whether it was said which pairs belong to one subject.

    """
    parts = [
        "# Agreement",
        "",
        "## Methods",
        "",
        _methods(groups, reference, value, subjects_named),
        "",
        "## Results",
        "",
    ]
    for name, figures in groups:
        parts += [f"**{name.replace('_', ' ')}.** {_results(figures)}", ""]
    parts += [_left_over(left_over), "", "## References", "", *_REFERENCES, ""]
    return "\n".join(parts)


def _methods(groups: Sequence[tuple[str, AgreementFigures]], reference: str, value: str, subjects_named: bool) -> str:
    repeated = [figures for _, figures in groups if figures.n_subjects < figures.n_pairs]
    angles = (
        "Readings"
        if value == "reading_deg"
        else f"Joint angles ({_VALUES[value]}), measured from recordings with vision-rom {__version__},"
    )
    sentences = [
        f"{angles} were compared with {reference}; differences are reading minus reference.",
        (
            "Absolute agreement and consistency of single measurements were expressed as ICC(2,1) and ICC(3,1) [1, 2], the "
            "error as the standard error of measurement for agreement (SEM, which counts an offset between the methods) and "
            "as the minimal detectable change at 90% and 95% (1.645 and 1.96 times the root of 2 times SEM) [3]."
        ),
        "Bias and 95% limits of agreement are given with their 95% confidence intervals [4].",
    ]
    if not subjects_named:
        sentences.append(
            "Every pair was taken as another subject; if some belong together, the intervals are too narrow: name the subjects."
        )
    if repeated:
        sentences.append(
            "Where a subject gave several pairs, the variance of the differences was parted into that between and that within "
            "subjects [5], and the intervals of the limits join those of both parts [6]."
        )
    if any(figures.interval_method == "subjects resampled" for figures in repeated):
        sentences.append(
            "Intervals of ICC, shares and slope then come from drawing whole subjects with replacement (2000 times, percentiles)."
        )
    sentences.append("Proportional bias was looked for as a slope of the differences over the means.")
    return " ".join(sentences)


def _results(f: AgreementFigures) -> str:
    who = f"{f.n_pairs} pairs" if f.n_pairs == f.n_subjects else f"{f.n_pairs} pairs of {f.n_subjects} subjects"
    limits = f.limits
    shares = ", ".join(f"{_percent(share)} within {limit:g}°" for limit, share in f.shares.items())
    sentences = [
        f"In {who}, ICC(2,1) was {_estimate(f.icc.icc2_1, 2)} and ICC(3,1) {_estimate(f.icc.icc3_1, 2)}.",
        f"SEM was {f.icc.sem_agreement:.1f}°, MDC90 {f.mdc90_deg:.1f}° and MDC95 {f.mdc95_deg:.1f}°.",
        f"Bias was {_estimate(limits.bias, 1, '°')}.",
        f"Limits of agreement ran from {_estimate(limits.lower, 1, '°')} to {_estimate(limits.upper, 1, '°')}.",
        f"The mean absolute difference was {f.mean_absolute_deg:.1f}°; {shares}.",
        _trend(f),
    ]
    if f.repeatability is not None:
        ours, theirs = f.repeatability
        sentences.append(
            f"Repeated under one condition, readings varied with a standard deviation of {ours.sd_within_deg:.1f}° and the "
            f"reference with {theirs.sd_within_deg:.1f}° ({ours.n_repeated} degrees of freedom)."
        )
    return " ".join(sentences)


def _trend(f: AgreementFigures) -> str:
    slope = f.trend.slope
    if not math.isfinite(slope.value):
        return "The means did not vary, so a proportional bias could not be looked for."
    sentence = f"The differences changed by {_estimate(slope, 2, '°')} for each degree of the mean"
    if not math.isfinite(slope.low):
        return f"{sentence}."
    if slope.low > 0 or slope.high < 0:
        return f"{sentence}, a proportional bias: bias and limits do not hold alike over the range."
    return f"{sentence}, which does not differ from none."


def _left_over(why: Sequence[str]) -> str:
    if not why:
        return "Every value of the reference had a reading."
    counts: dict[str, int] = {}
    for one in why:
        # the first words name the kind of reason, the rest the single recording
        counts[one.split(":")[0]] = counts.get(one.split(":")[0], 0) + 1
    parts = ", ".join(f"{kind} ({count})" for kind, count in sorted(counts.items()))
    values = "1 value of the reference" if len(why) == 1 else f"{len(why)} values of the reference"
    return (
        f"{values} had no reading and no part in these figures: {parts}. If what could not be "
        "measured differs from what could, the figures are too good; report this number with them."
    )


def _estimate(value: Estimate, digits: int, unit: str = "") -> str:
    if not math.isfinite(value.value):
        return "not defined"
    text = f"{value.value:.{digits}f}{unit}"
    if not (math.isfinite(value.low) and math.isfinite(value.high)):
        return f"{text} (too few subjects for an interval)"
    return f"{text} (95% CI {value.low:.{digits}f} to {value.high:.{digits}f}{unit})"


def _percent(share: Estimate) -> str:
    text = f"{100 * share.value:.0f}%"
    if not math.isfinite(share.low):
        return text
    return f"{text} (95% CI {100 * share.low:.0f} to {100 * share.high:.0f}%)"


_VALUES = {
    "held_deg": "largest mean of the smoothed curve over 0.5 s",
    "peak_deg": "maximum of the smoothed curve",
    "vertical_held_deg": "against the picture's vertical, over the 0.5 s of the held value",
}
_REFERENCES = (
    "1. Shrout PE, Fleiss JL. Psychol Bull 1979;86:420-428.",
    "2. McGraw KO, Wong SP. Psychol Methods 1996;1:30-46.",
    "3. Weir JP. J Strength Cond Res 2005;19:231-240.",
    "4. Bland JM, Altman DG. Stat Methods Med Res 1999;8:135-160.",
    "5. Bland JM, Altman DG. J Biopharm Stat 2007;17:571-582.",
    "6. Zou GY. Stat Methods Med Res 2013;22:630-642; here with Student's t for the mean.",
)
