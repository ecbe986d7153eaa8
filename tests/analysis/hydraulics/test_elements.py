"""Losses of a path's elements: which bore each sits on, and what stands between two bores."""

import math

import pytest
from scipy.optimize import nnls

from analysis.hydraulics.bore_change import barb_k, sudden_contraction_k
from analysis.hydraulics.elements import STANDARD, ElementLoss, quadratic_s2_m5, run_elements
from analysis.hydraulics.fittings import fitting_k
from analysis.hydraulics.media import device_loss
from config.errors import InputUnusable
from config.plant import Barb, Device, Element, Fitting, FittingKind, FixedK, Reducer, Run, Valve, ValveKind
from tests.support.manifolds import pipe

WIDE, NARROW = 0.026645, 0.015799


def losses(*path: Element) -> tuple[ElementLoss, ...]:
    """Losses of a branch with this path."""
    return run_elements(Run(name="carbon", start="tee", outlet_m=0.2, path=path), index=0)


def k_of(loss: ElementLoss) -> float:
    """K on the bore that the loss is counted on."""
    return loss.loss.quadratic_s2_m5 / quadratic_s2_m5(1.0, loss.bore_m, STANDARD)


def test_a_fitting_sits_on_the_last_pipe_met() -> None:
    """The elbow behind the narrow pipe has the narrow bore."""
    elbow = losses(pipe(WIDE), pipe(NARROW), Fitting(kind=FittingKind.ELBOW_90))[-1]

    assert elbow.bore_m == NARROW
    assert k_of(elbow) == pytest.approx(fitting_k(FittingKind.ELBOW_90, bore_m=NARROW))


def test_a_fitting_before_any_pipe_sits_on_the_first_to_come() -> None:
    """The tee that a branch starts with has the branch's bore."""
    assert losses(Fitting(kind=FittingKind.TEE_BRANCH), pipe(NARROW))[0].bore_m == NARROW


def test_count_multiplies() -> None:
    """Three elbows lose three times what one does."""
    one, three = (losses(pipe(NARROW), Fitting(kind=FittingKind.ELBOW_90, count=n))[-1] for n in (1, 3))

    assert three.loss.quadratic_s2_m5 == pytest.approx(3.0 * one.loss.quadratic_s2_m5)
    assert three.label == "3 x 90 elbow"


def test_a_change_of_bore_is_an_element_by_itself() -> None:
    """Between a wide and a narrow pipe stands a sudden contraction on the narrow bore."""
    change = losses(pipe(WIDE), pipe(NARROW))[1]

    assert change.kind == "bore change"
    assert k_of(change) == pytest.approx(sudden_contraction_k(NARROW, WIDE))


def test_a_reducer_makes_the_next_change_gradual() -> None:
    """With a tapered reducer the change costs less, once."""
    _, first, _, second, _ = losses(pipe(WIDE), Reducer(gradual=True), pipe(NARROW), pipe(WIDE))

    assert k_of(first) < sudden_contraction_k(NARROW, WIDE)
    assert "gradual" in first.label
    assert "sudden" in second.label


def test_pipes_of_one_bore_meet_without_loss() -> None:
    """No element stands between two pipes of one bore."""
    assert [loss.kind for loss in losses(pipe(WIDE), pipe(WIDE))] == ["pipe", "pipe"]


def test_a_barb_is_the_change_of_bore() -> None:
    """Between a pipe and a hose the barb stands for the change: no second one is counted."""
    found = losses(pipe(WIDE), Barb(bore_m=0.009), pipe(0.0127))

    assert [loss.kind for loss in found] == ["pipe", "barb", "pipe"]
    assert k_of(found[1]) == pytest.approx(barb_k(0.009, from_m=WIDE, to_m=0.0127))


def test_a_shut_valve_has_no_figure() -> None:
    """A valve at 90 degrees is shut, not a large K."""
    valve = losses(pipe(WIDE), Valve(kind=ValveKind.GATE, closed_deg=90.0))[-1]

    assert valve.shut
    assert valve.loss.quadratic_s2_m5 == 0.0


def test_a_run_without_a_bore_is_refused() -> None:
    """A K that sits on no bore is an error that names the run."""
    with pytest.raises(InputUnusable, match="carbon"):
        losses(FixedK(k=2.0))


def test_a_run_without_a_pipe_takes_the_bore_upstream() -> None:
    """A bare tee between two runs sits on the bore of the run that feeds it."""
    run = Run(name="header", start="a", end="b", path=(Fitting(kind=FittingKind.TEE_RUN),))

    assert run_elements(run, index=0, upstream=pipe(WIDE))[0].bore_m == WIDE


def test_one_point_of_a_device_fixes_b() -> None:
    """Identity: one point gives h = b Q^2 through it."""
    loss = device_loss(Device(name="uv", loss=((1e-4, 0.2),)))

    assert loss.linear_s_m2 == 0.0
    assert loss.quadratic_s2_m5 == pytest.approx(0.2e8)


def test_two_points_of_a_device_fix_both() -> None:
    """Identity: two points give the curve through them."""
    loss = device_loss(Device(name="carbon", loss=((1e-4, 0.2), (2e-4, 0.5))))

    assert loss.linear_s_m2 * 1e-4 + loss.quadratic_s2_m5 * 1e-8 == pytest.approx(0.2)
    assert loss.linear_s_m2 * 2e-4 + loss.quadratic_s2_m5 * 4e-8 == pytest.approx(0.5)


@pytest.mark.parametrize(
    "points",
    [
        ((1e-4, 0.1), (2e-4, 0.6), (3e-4, 1.5)),
        ((1e-4, 0.2), (2e-4, 0.3), (3e-4, 0.4)),
        ((1e-4, 0.2), (2e-4, 0.5), (3e-4, 0.85), (4e-4, 1.4)),
    ],
)
def test_more_points_are_fitted_without_negative_coefficients(points: tuple[tuple[float, float], ...]) -> None:
    """Scipy's non-negative least squares on the same points: the same a and b (1e-9)."""
    rows = [[1e4 * q, (1e4 * q) ** 2] for q, _ in points]
    a, b = nnls(rows, [h for _, h in points])[0]

    loss = device_loss(Device(name="bed", loss=points))

    assert loss.linear_s_m2 / 1e4 == pytest.approx(a, abs=1e-9)
    assert loss.quadratic_s2_m5 / 1e8 == pytest.approx(b, abs=1e-9)


def test_quadratic_of_k_is_the_velocity_head() -> None:
    """Identity: K times V^2/2g."""
    flow, bore = 3e-4, 0.02
    velocity = flow / (math.pi * bore**2 / 4.0)

    assert quadratic_s2_m5(2.5, bore, STANDARD) * flow**2 == pytest.approx(2.5 * velocity**2 / (2.0 * 9.80665))
