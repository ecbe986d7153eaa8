"""Control charts, their run lengths and the trend test against what others printed.

A column that a table prints is matched to a unit of its last digit: the older tables come from coarse chains, and round
where ours does not. Tables marked "by spc" stand, paper by paper, in the manual pages xcusum.arl and xewma.arl of the R
package spc. An integral equation by Gauss-Legendre quadrature (Goel and Wu 1971; Vance 1986), another road to the same
figures, is solved beside the chains here.
"""

import numpy as np
import pytest

from analysis.statistics.chart_limits import cusum_limit, values_between_alarms, values_of_rate
from analysis.statistics.control_charts import cusum, ewma, ewma_limits
from analysis.statistics.normal import normal_cdf
from analysis.statistics.run_length import (
    cusum_run_length,
    ewma_run_length,
    extrapolated,
    two_sided_cusum_run_length,
)
from analysis.statistics.trend import mann_kendall, theil_sen

SHIFTS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0)
# Lucas and Crosier (1982), Technometrics 24, Table 1, k 0.5, h 4, two-sided, without and with a head start of h/2; by spc.
LUCAS_CROSIER = ("168. 74.2 26.6 13.3 8.38 4.75 3.34 2.62 2.19 1.71 1.31",
                 "149. 62.7 20.1 8.97 5.29 2.86 2.01 1.59 1.32 1.07 1.01")  # fmt: skip
# Two-sided, k 0.5, h 5, shifts 0 to 2: from memory.
TWO_SIDED_FIVE = "465. 139. 38.0 17.0 10.4 5.75 4.01"
# Vance (1986), Journal of Quality Technology 18, Table 1, one-sided, k 0, h 10; by spc.
VANCE_SHIFTS = (-0.25, -0.125, 0.0, 0.125, 0.25, 0.5, 0.75, 1.0)
VANCE = "2071.51 400.28 124.66 59.30 36.71 20.37 14.06 10.75"
# Crowder (1987), Technometrics 29, Table 1, width 2, shifts 0 to 4 by quarters; by spc. The paper's 3.95 at 1.25 with a
# weight of 0.5 is a slip of the pen for 3.59 (spc marks it so).
CROWDER = {0.5: "26.45 20.12 11.89 7.29 4.91 3.59 2.80 2.29 1.94 1.70 1.51 1.37 1.26 1.18 1.12 1.08 1.05",
           0.05: "127.53 43.94 18.97 11.64 8.38 6.56 5.41 4.62 4.04 3.61 3.26 2.99 2.76 2.56 2.39 2.26 2.15"}  # fmt: skip
# Lucas and Saccucci (1990), Technometrics 32, Table 3; by spc.
SACCUCCI_SHIFTS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 5.0)
SACCUCCI = {(0.5, 3.071): "500. 255. 88.8 35.9 17.5 6.53 3.63 2.50 1.93 1.58 1.34 1.07",
            (0.03, 2.437): "500. 76.7 29.3 17.6 12.6 8.07 5.99 4.80 4.03 3.49 3.11 2.55"}  # fmt: skip
# NIST/SEMATECH e-Handbook 6.3.2.4, from memory.
HANDBOOK_AVERAGES = (
    "50.60 49.52 50.56 50.18 50.16 49.21 49.75 49.85 50.26 50.33 "
    "50.11 49.36 49.52 50.05 49.38 49.92 50.73 51.23 51.94 51.99"
)


def is_printed(value: float, printed: str) -> bool:
    """Whether a value is what was printed, to a unit of its last digit."""
    digits = len(printed.partition(".")[2])
    return abs(value - float(printed)) <= 10.0**-digits


def by_integral_equation(limit: float, *, allowance: float, shift: float, nodes: int = 60) -> float:
    """Average run length of a one-sided CUSUM from zero."""
    places, weights = np.polynomial.legendre.leggauss(nodes)
    places, weights = 0.5 * limit * (places + 1.0), 0.5 * limit * weights
    sums = np.concatenate([[0.0], places])
    lead = allowance - shift
    kernel = np.zeros((nodes + 1, nodes + 1))
    kernel[:, 0] = normal_cdf(lead - sums)
    kernel[:, 1:] = weights * np.exp(-0.5 * (places - sums[:, None] + lead) ** 2) / np.sqrt(2.0 * np.pi)
    return float(np.linalg.solve(np.eye(nodes + 1) - kernel, np.ones(nodes + 1))[0])


@pytest.mark.parametrize(("shift", "printed"), [(0.0, "117.59"), (1.5, "3.75")])
def test_the_first_chain(shift: float, printed: str) -> None:
    """Brook and Evans (1972), section 4.3, k 0.5, h 3; by spc."""
    assert is_printed(cusum_run_length(3.0, allowance=0.5, shift=shift), printed)


@pytest.mark.parametrize(("shift", "printed"), [(-0.5, "1963."), (0.0, "117.4"), (0.5, "17.35")])
def test_one_sided_bounds(shift: float, printed: str) -> None:
    """Waldmann (1986), Technometrics 28, Tables 3, 1 and 5, k 0.5, h 3; by spc. The middle one is a bound, 0.2 % low."""
    found = cusum_run_length(3.0, allowance=0.5, shift=shift)

    assert is_printed(found, printed) or found == pytest.approx(float(printed), rel=2e-3)


def test_two_sided_bound() -> None:
    """Waldmann (1986), Table 6, k 0.6, h 3, shift -0.2; by spc."""
    assert is_printed(two_sided_cusum_run_length(3.0, allowance=0.6, shift=-0.2), "65.4")


@pytest.mark.parametrize("head_start", [0.0, 2.0])
def test_two_sided_with_and_without_a_head_start(head_start: float) -> None:
    """Lucas and Crosier, every shift."""
    printed = LUCAS_CROSIER[head_start > 0].split()
    found = [two_sided_cusum_run_length(4.0, allowance=0.5, shift=shift, head_start=head_start) for shift in SHIFTS]

    assert [text for value, text in zip(found, printed, strict=True) if not is_printed(value, text)] == []


def test_two_sided_with_a_limit_of_five() -> None:
    """The limit that books give, every shift."""
    found = [two_sided_cusum_run_length(5.0, allowance=0.5, shift=shift) for shift in SHIFTS[:7]]

    assert all(is_printed(value, text) for value, text in zip(found, TWO_SIDED_FIVE.split(), strict=True))


def test_no_allowance() -> None:
    """Vance, every shift; at -0.25 the paper's nodes were too few by 3 in 100 000, as the integral equation says."""
    found = [cusum_run_length(10.0, allowance=0.0, shift=shift) for shift in VANCE_SHIFTS]

    assert all(is_printed(value, text) for value, text in zip(found[1:], VANCE.split()[1:], strict=True))
    assert found[0] == pytest.approx(2071.51, rel=4e-5)
    assert found[0] == pytest.approx(by_integral_equation(10.0, allowance=0.0, shift=-0.25), rel=2e-6)


@pytest.mark.parametrize(("head_start", "printed"), [(0.0, 4.1500836225), (0.1, 4.1061588131)])
def test_ten_digits_of_a_run_length(head_start: float, printed: float) -> None:
    """SAS/QC manual (1999), k 0.25, h 8, shift 2.5; by spc.

    Its last digits are its own: ours and the integral differ from it alike, by 2.5 in 100 000 000, and from one another
    by less than a tenth of that.
    """
    found = cusum_run_length(8.0, allowance=0.25, shift=2.5, head_start=head_start)

    assert found == pytest.approx(printed, rel=3e-8)
    if not head_start:
        assert found == pytest.approx(by_integral_equation(8.0, allowance=0.25, shift=2.5), rel=2e-9)


@pytest.mark.parametrize("limit", [3.0, 5.0, 8.0])
@pytest.mark.parametrize("shift", [0.0, 0.7])
def test_chain_and_integral_equation_agree(limit: float, shift: float) -> None:
    """Two roads, one figure."""
    found = cusum_run_length(limit, allowance=0.5, shift=shift)

    assert found == pytest.approx(by_integral_equation(limit, allowance=0.5, shift=shift), rel=2e-6)


def test_extrapolation_takes_the_square_of_the_width_out() -> None:
    """Exact for an error of that form."""
    assert extrapolated(lambda cells: 7.0 + 3.0 / cells**2, lambda cells: 1.0 / cells) == pytest.approx(7.0, rel=1e-12)


@pytest.mark.parametrize(("shift", "printed"), [(0.0, 169.05), (1.0, 8.34)])
def test_approximation_in_one_line(shift: float, printed: float) -> None:
    """Siegmund's formula (1985; from memory), b = h + 1.166, h 4: within 1 % up to a shift of one."""

    def one_side(drift: float) -> float:
        reach = 2.0 * drift * (4.0 + 1.166)
        return float((np.exp(-reach) + reach - 1.0) / (2.0 * drift**2))

    up, down = one_side(shift - 0.5), one_side(-shift - 0.5)

    assert up * down / (up + down) == pytest.approx(printed, abs=0.006)
    assert two_sided_cusum_run_length(4.0, allowance=0.5, shift=shift) == pytest.approx(printed, rel=0.01)


@pytest.mark.parametrize("weight", list(CROWDER))
def test_moving_averages_of_width_two(weight: float) -> None:
    """Crowder, every shift."""
    found = [ewma_run_length(2.0, weight=weight, shift=quarter / 4) for quarter in range(17)]

    assert all(is_printed(value, text) for value, text in zip(found, CROWDER[weight].split(), strict=True))


@pytest.mark.parametrize(("weight", "width"), list(SACCUCCI))
def test_moving_averages_that_ring_once_in_500(weight: float, width: float) -> None:
    """Lucas and Saccucci, every shift."""
    found = [ewma_run_length(width, weight=weight, shift=shift) for shift in SACCUCCI_SHIFTS]

    assert all(is_printed(value, text) for value, text in zip(found, SACCUCCI[weight, width].split(), strict=True))


def test_eleven_digits_of_a_moving_average() -> None:
    """SAS/QC manual (1999), weight 0.25, width 3, shift 1; by spc."""
    assert ewma_run_length(3.0, weight=0.25, shift=1.0) == pytest.approx(11.154267016, abs=1e-9)


def test_tabular_cusum() -> None:
    """Montgomery and Runger, Applied Statistics and Probability for Engineers, Tables 16-7 and 16-8: target 99, K 1, H 10."""
    values = np.array([102, 94.8, 98.3, 98.4, 102, 98.5, 99, 97.7, 100, 98.1,
                       101.3, 98.7, 101.1, 98.4, 97, 96.7, 100.3, 101.4, 97.2, 101])  # fmt: skip
    sums = cusum(values, 99.0, allowance=1.0)

    assert [round(value, 1) for value in sums.upper] == [
        2,
        0,
        0,
        0,
        2,
        0.5,
        0,
        0,
        0,
        0,
        1.3,
        0,
        1.1,
        0,
        0,
        0,
        0.3,
        1.7,
        0,
        1,
    ]
    assert [round(value, 1) for value in sums.lower] == [
        0,
        3.2,
        2.9,
        2.5,
        0,
        0,
        0,
        0.3,
        0,
        0,
        0,
        0,
        0,
        0,
        1,
        2.3,
        0,
        0,
        0.8,
        0,
    ]
    assert sums.first_signal(10.0) is None


@pytest.mark.parametrize(
    ("head_start", "printed", "signal"),
    [(0.0, [0.3, 1.7, 2.6, 4.1, 4.7, 4.9, 7.0], 6), (2.5, [2.8, 4.2, 5.1, 6.6, 7.2, 7.4, 9.5], 2)],
)
def test_fast_initial_response(head_start: float, printed: list[float], signal: int) -> None:
    """Lucas and Crosier (1982), Table 5 (as quoted in Six Sigma: Advanced Tools, p. 376): k 0.5, h 5."""
    sums = cusum(np.array([0.8, 1.9, 1.4, 2.0, 1.1, 0.7, 2.6]), 0.0, allowance=0.5, head_start=head_start)

    assert [round(value, 1) for value in sums.upper] == printed
    assert sums.first_signal(5.0) == signal


def test_cusum_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.3, data and sums from memory: target 325, k 0.3175, h 4.1959; signal at group 14."""
    values = np.array([324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
                       324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350])  # fmt: skip
    sums = cusum(values, 325.0, allowance=0.3175)

    assert [round(sums.upper[group - 1], 4) for group in (13, 14, 20)] == [3.0075, 4.94, 19.035]
    assert sums.first_signal(4.1959) == 13


def test_moving_average_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.4, data and averages from memory: weight 0.3, start 50, sd 2.0539; no signal."""
    values = np.array([52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
                       49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])  # fmt: skip
    averages = ewma(values, weight=0.3, start=50.0)
    low, high = ewma_limits(50.0, 2.0539, weight=0.3, width=3.0)

    assert all(is_printed(value, text) for value, text in zip(averages, HANDBOOK_AVERAGES.split(), strict=True))
    assert (low, high) == pytest.approx((47.4115, 52.5885), abs=1e-4)  # the handbook rounds the root to 0.4201
    assert low < averages.min()
    assert averages.max() < high


def test_trend_test_with_ties() -> None:
    """Mann-Kendall: EPA QA/G-9S, p. 109: S 22, variance 155.33, Z 1.685. The Theil-Sen slope of the same is 1.0."""
    values = np.array([10.0, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15])
    tested = mann_kendall(values)

    assert (tested.score, round(tested.variance, 2), round(tested.z, 3)) == (22, 155.33, 1.685)
    assert theil_sen(np.arange(11.0), values).slope == 1.0


@pytest.mark.parametrize(("branch_years", "limit"), [(1, 7.92), (5, 9.53), (10, 10.22), (100, 12.53)])
def test_limits_of_independent_hours(branch_years: int, limit: float) -> None:
    """A false alarm in so many branch-years, k 0.5: the run length at these limits by the integral equation."""
    wanted = values_of_rate(1.0 / branch_years)

    assert 0.5 * by_integral_equation(limit, allowance=0.5, shift=0.0) == pytest.approx(wanted, rel=0.006)
    assert cusum_limit(wanted, allowance=0.5, phi=0.0) == pytest.approx(limit, abs=0.01)


@pytest.mark.parametrize("limit", [4.0, 5.0, 9.5])
def test_a_chain_that_need_not_remember(limit: float) -> None:
    """Without autocorrelation the chain in two dimensions is Brook and Evans's in one."""
    plain = cusum_run_length(limit, allowance=0.5)

    assert values_between_alarms(limit, allowance=0.5, phi=0.0) == pytest.approx(plain, rel=0.003)
