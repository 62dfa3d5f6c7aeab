"""Agreement on worked examples that others published, on a second library, and on drawn studies."""

from __future__ import annotations

import csv
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision_rom.errors import UsageError
from vision_rom.research.agreement import agreement_between
from vision_rom.research.icc import intraclass_correlation
from vision_rom.research.limits import limits_of_agreement, share_within
from vision_rom.research.sample_size import pairs_for_limits, subjects_for_icc, subjects_with_repeats

# Shrout PE, Fleiss JL 1979, Table 2: four judges on six targets
SHROUT_FLEISS = np.array([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]])

# Giavarina D. Biochem Med 2015;25:141-151, Table 1 (numbers as pingouin bundles them)
GIAVARINA_A = [
    1,
    5,
    10,
    20,
    50,
    40,
    50,
    60,
    70,
    80,
    90,
    100,
    150,
    200,
    250,
    300,
    350,
    400,
    450,
    500,
    550,
    600,
    650,
    700,
]
GIAVARINA_A += [750, 800, 850, 900, 950, 1000]
GIAVARINA_B = [
    8,
    16,
    30,
    24,
    39,
    54,
    40,
    68,
    72,
    62,
    122,
    80,
    181,
    259,
    275,
    380,
    320,
    434,
    479,
    587,
    626,
    648,
    738,
    766,
]
GIAVARINA_B += [793, 851, 871, 957, 1001, 960]

# Bland JM, Altman DG. Lancet 1986;1:307-310: peak flow of 17 people, twice with each of two meters (numbers from memory;
# that every published figure below comes out of them is what vouches for them)
FIRST_METER = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
SECOND_METER = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


@pytest.fixture(scope="module")
def repeated_pairs(outside_data):
    with (outside_data / "agreement" / "bland_altman_2007.csv").open() as file:
        rows = list(csv.DictReader(file))
    return [r["subject"] for r in rows], *(np.array([float(r[c]) for r in rows]) for c in ("first", "second"))


def test_shrout_and_fleiss():
    found = intraclass_correlation(SHROUT_FLEISS)
    assert round(found.icc2_1.value, 2) == 0.29
    assert round(found.icc3_1.value, 2) == 0.71
    # mean squares of their Table 3: 11.24 between targets, 32.49 between judges, 1.02 residual
    assert found.squares.targets == pytest.approx(11.24, abs=0.005)
    assert found.squares.raters == pytest.approx(32.49, abs=0.005)
    assert found.squares.residual == pytest.approx(1.02, abs=0.005)


@pytest.mark.parametrize("source", ["table", "drawn"])
def test_intervals_of_a_second_library(source):
    random = np.random.default_rng(3)
    drawn = random.normal(100, 20, (25, 1)) + [0.0, 4.0] + random.normal(0, 5, (25, 2))
    ratings = SHROUT_FLEISS if source == "table" else drawn
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own deprecations
        pingouin = pytest.importorskip("pingouin")
        import pandas as pd

        rows = [(i, j, float(ratings[i, j])) for i in range(len(ratings)) for j in range(ratings.shape[1])]
        table = pingouin.intraclass_corr(pd.DataFrame(rows, columns=["t", "r", "y"]), "t", "r", "y").set_index("Type")
    mine = intraclass_correlation(ratings)
    for name, estimate in (("ICC(A,1)", mine.icc2_1), ("ICC(C,1)", mine.icc3_1)):
        assert estimate.value == pytest.approx(float(table.loc[name, "ICC"]), abs=1e-9)
        np.testing.assert_allclose([estimate.low, estimate.high], table.loc[name, "CI95"], atol=0.0051)


def test_giavarina():
    found = limits_of_agreement(GIAVARINA_A, GIAVARINA_B)
    assert found.bias.value == pytest.approx(-27.17, abs=0.005)
    assert found.sd == pytest.approx(34.81, abs=0.005)
    assert found.lower.value == pytest.approx(-95.39, abs=0.005)
    assert found.upper.value == pytest.approx(41.05, abs=0.01)


def test_peak_flow_of_bland_and_altman_1986():
    found = limits_of_agreement(FIRST_METER, SECOND_METER)
    assert found.bias.value == pytest.approx(-2.1, abs=0.05)
    assert found.sd == pytest.approx(38.8, abs=0.05)
    # bias -22.0 to 17.8; with 2 for 1.96 and 1.71 for the root of 1 + 1.96^2 / 2 their limits are a little wider
    assert (found.bias.low, found.bias.high) == pytest.approx((-22.0, 17.8), abs=0.1)
    assert (found.lower.low, found.lower.high) == pytest.approx((-114.3, -45.1), abs=3)
    assert (found.upper.low, found.upper.high) == pytest.approx((40.9, 110.1), abs=3)


def test_repeated_pairs_of_bland_and_altman_2007(repeated_pairs):
    subjects, first, second = repeated_pairs
    found = limits_of_agreement(first, second, subjects)
    assert (found.n_pairs, found.n_subjects) == (60, 12)
    assert found.bias.value == pytest.approx(0.6021667, abs=5e-8)
    assert found.sd**2 == pytest.approx(0.98133606, abs=5e-7)
    assert found.sd_within**2 == pytest.approx(0.170714026, abs=5e-8)
    assert (found.lower.value, found.upper.value) == pytest.approx((-1.3394565, 2.5437899), abs=2e-7)
    taken_as_independent = limits_of_agreement(first, second)
    assert taken_as_independent.sd == pytest.approx(0.9610571, abs=5e-8)
    width = lambda estimate: estimate.high - estimate.low
    assert width(found.bias) > 1.8 * width(taken_as_independent.bias), "pairs of one subject tell less"


@pytest.mark.parametrize("counts", [[1] * 30, [3] * 20, [1, 2, 3, 4, 5] * 5])
def test_intervals_hold_the_truth_as_often_as_they_say(counts):
    random = np.random.default_rng(11)
    subjects = np.repeat(np.arange(len(counts)), counts)
    between, within, bias = 3.0, 2.0, 1.5
    if max(counts) == 1:
        between, within = 3.0, 0.0
    sd = np.hypot(between, within)
    held = np.zeros(3)
    rounds = 600
    for _ in range(rounds):
        differences = bias + random.normal(0, between, len(counts))[subjects] + random.normal(0, within, len(subjects))
        found = limits_of_agreement(differences, np.zeros(len(subjects)), subjects.tolist())
        truths = (bias, bias - 1.96 * sd, bias + 1.96 * sd)
        held += [e.low <= t <= e.high for e, t in zip((found.bias, found.lower, found.upper), truths, strict=True)]
    assert held / rounds == pytest.approx(np.full(3, 0.95), abs=0.03)


def test_proportional_bias_is_found_and_its_absence_is_not():
    random = np.random.default_rng(5)
    truth = random.uniform(40, 170, 60)
    stretched = agreement_between(1.1 * truth + random.normal(0, 3, 60), truth)
    plain = agreement_between(truth + random.normal(0, 3, 60), truth)
    # differences over means of y = 1.1 x have the slope 0.1 / 1.05
    assert stretched.trend.slope.value == pytest.approx(0.1 / 1.05, abs=0.03)
    assert stretched.trend.slope.low > 0
    assert stretched.trend.p < 0.001
    assert plain.trend.slope.low < 0 < plain.trend.slope.high


def test_slope_by_another_library():
    from scipy.stats import linregress

    a, b = np.array(GIAVARINA_A, float), np.array(GIAVARINA_B, float)
    mine = agreement_between(a, b).trend
    theirs = linregress((a + b) / 2, a - b)
    assert mine.slope.value == pytest.approx(theirs.slope)
    assert mine.p == pytest.approx(theirs.pvalue)


def test_error_of_measurement_and_detectable_change():
    # two raters: the residual variance is half the variance of the differences
    found = agreement_between(GIAVARINA_A, GIAVARINA_B)
    assert found.icc.sem_consistency == pytest.approx(34.80594809782526 / np.sqrt(2))
    assert found.mdc95_deg == pytest.approx(1.96 * np.sqrt(2) * found.icc.sem_agreement)
    assert found.mdc90_deg / found.mdc95_deg == pytest.approx(1.645 / 1.96)
    # a pure offset is an error of agreement and none of consistency
    shifted = agreement_between([10.0, 50.0, 90.0, 131.0], [0.0, 40.0, 80.0, 120.0])
    assert shifted.icc.sem_consistency < 0.6
    assert shifted.icc.sem_agreement == pytest.approx(10.25 / np.sqrt(2), abs=0.1)


def test_shares_and_absolute_errors():
    found = agreement_between([5.0, 10.0, 16.0, 50.0], [0.0, 0.0, 10.0, 50.0])
    assert {limit: share.value for limit, share in found.shares.items()} == {5.0: 0.5, 10.0: 1.0}
    assert found.mean_absolute_deg == pytest.approx(21 / 4)
    assert found.root_mean_square_deg == pytest.approx(np.sqrt((25 + 100 + 36) / 4))


def test_wilson_share():
    # Wilson's interval of 15 in 20 is 0.531 to 0.888 (statsmodels 0.15, proportion_confint)
    share = share_within([1.0] * 15 + [9.0] * 5, 5.0)
    assert (share.low, share.high) == pytest.approx((0.5313, 0.8881), abs=5e-5)


def test_repeats_of_subjects_widen_the_icc(repeated_pairs):
    subjects, first, second = repeated_pairs
    alone, together = agreement_between(first, second), agreement_between(first, second, subjects)
    assert together.icc.icc2_1.value == alone.icc.icc2_1.value
    assert together.interval_method == "subjects resampled"
    assert together.icc.icc2_1.low < alone.icc.icc2_1.low
    again = agreement_between(first, second, subjects)
    assert (again.icc, again.shares) == (together.icc, together.shares), "the same seed gives the same digits"


def test_repeatability_of_each_method(repeated_pairs):
    subjects, first, second = repeated_pairs
    found = agreement_between(first, second, subjects, ["same"] * 60)
    # within-subject variances by Bland and Altman 1999, p. 155
    assert [one.sd_within_deg**2 for one in found.repeatability] == pytest.approx([0.1072, 0.1379], abs=5e-5)


def test_few_subjects_get_no_resampled_interval():
    found = agreement_between([1.0, 2, 3, 4, 5, 6], [1.5, 2, 2.5, 4, 5.5, 6], ["a", "a", "a", "b", "b", "c"])
    assert found.interval_method == "none"
    assert np.isnan(found.icc.icc2_1.low)


def test_missing_values_are_left_out():
    nan = float("nan")
    with_holes = agreement_between([1.0, nan, 3, 5, 9], [2.0, 5, nan, 5, 8])
    assert with_holes.n_pairs == 3
    assert with_holes.limits.bias.value == pytest.approx(0.0)


@pytest.mark.parametrize(
    ("a", "b", "subjects"), [([1.0], [2.0], None), ([1.0, 2.0], [1.0], None), ([1.0, 2.0], [1.0, 2.0], ["a", "a"])]
)
def test_too_little_is_refused(a, b, subjects):
    with pytest.raises(UsageError):
        agreement_between(a, b, subjects)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(-50, 190), st.floats(-50, 190)), min_size=3, max_size=30),
    st.floats(-30, 30),
)
def test_a_shift_moves_the_bias_and_nothing_else(pairs, shift):
    a, b = (np.round(np.array(one), 3) for one in zip(*pairs, strict=True))
    before, after = limits_of_agreement(a, b), limits_of_agreement(a + shift, b)
    assert after.bias.value == pytest.approx(before.bias.value + shift, abs=1e-9)
    assert after.sd == pytest.approx(before.sd, abs=1e-9)
    back = limits_of_agreement(b, a)
    assert back.bias.value == pytest.approx(-before.bias.value, abs=1e-9)
    assert back.upper.value == pytest.approx(-before.lower.value, abs=1e-9)


def test_pairs_for_limits_are_just_enough():
    # Bland's rule of thumb: 100 pairs put a limit within 0.34 SD (1.96 sqrt(3 / n))
    n = pairs_for_limits(1.0, 0.34)
    assert 95 <= n <= 105
    random = np.random.default_rng(0)
    widths = [limits_of_agreement(random.normal(0, 1, n), np.zeros(n)) for _ in range(200)]
    assert np.mean([(w.upper.high - w.upper.low) / 2 for w in widths]) == pytest.approx(0.34, abs=0.01)
    assert pairs_for_limits(5.0, 2.0) > pairs_for_limits(5.0, 3.0)


@pytest.mark.parametrize(("expected", "raters", "width"), [(0.8, 2, 0.2), (0.6, 2, 0.3), (0.8, 3, 0.2)])
def test_subjects_for_icc_give_the_width(expected, raters, width):
    n = subjects_for_icc(expected, width, raters=raters)
    random = np.random.default_rng(1)
    found = []
    for _ in range(150):
        truth = random.normal(0, np.sqrt(expected), (n, 1))
        found.append(intraclass_correlation(truth + random.normal(0, np.sqrt(1 - expected), (n, raters))).icc3_1)
    assert np.mean([one.high - one.low for one in found]) == pytest.approx(width, rel=0.1)


def test_repeats_save_people_only_where_subjects_do_not_differ():
    assert subjects_with_repeats(60, 1, 0.5) == 60
    assert subjects_with_repeats(60, 3, 0.0) == 20
    assert subjects_with_repeats(60, 3, 1.0) == 60


@pytest.mark.parametrize("call", [lambda: pairs_for_limits(0, 1), lambda: subjects_for_icc(1.0, 0.2)])
def test_impossible_studies_are_refused(call):
    with pytest.raises(UsageError):
        call()
