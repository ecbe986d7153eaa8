"""Pump and manifold meet where EPANET says, and the picture shows it."""

import re

import numpy as np
import pytest

from analysis.hydraulics.network import STANDARD, Conditions, compile_network
from analysis.prediction import predict
from analysis.report.pump_chart import PumpChart, pump_chart
from analysis.report.pump_figure import pump_figure, share_figure
from config.units import show_flow, show_head
from tests.support.example_plants import example_plant
from tests.support.reference_manifold import LPH_M3S, load_reference

REFERENCE = load_reference()
SIX = example_plant()


@pytest.fixture(scope="module")
def reference_chart() -> PumpChart:
    """The reference manifold's chart, with the water of the reference."""
    plant = REFERENCE.plant()
    return pump_chart(plant, conditions=REFERENCE.conditions("base", compile_network(plant), constants=STANDARD))


def _supply_cases() -> list[str]:
    """The cases in which nothing but the pump differs from the base: all lie on one curve of the manifold."""
    pump_only = {"head_factor", "flow_factor", "speed"}
    return [
        name
        for name, case in REFERENCE.cases.items()
        if not case["extra_K_on_link"] and set(case["definition"]) <= pump_only
    ]


def test_there_are_cases_of_the_pump() -> None:
    """The base, weaker pumps and other speeds are among the reference cases."""
    assert len(_supply_cases()) >= 4


@pytest.mark.parametrize("name", _supply_cases())
def test_manifold_curve_passes_through_epanet(name: str, reference_chart: PumpChart) -> None:
    """Whatever the pump, EPANET's operating point lies on the manifold's curve, to 0.5 % of head.

    Source: EPANET 2.3 through owa-epanet, tests/published/epanet_reference.json.
    """
    case = REFERENCE.cases[name]
    flow_m3s = case["epanet_q"]["PUMP"] * LPH_M3S
    head_m = case["epanet_H"]["P0"] - case["epanet_H"]["S0"]

    found = np.interp(flow_m3s, reference_chart.system_flow_m3s, reference_chart.system_head_m)

    # The suction pipe lies behind the pump here: its loss, within the head of both, is the same.
    assert found == pytest.approx(head_m, rel=0.005)


def test_operating_point_is_epanets(reference_chart: PumpChart) -> None:
    """At full speed the plant runs at EPANET's 8,625.8 L/h, to 0.2 %.

    Source: EPANET 2.3 through owa-epanet, tests/published/epanet_reference.json, case "base".
    """
    assert reference_chart.now.pump_flow_m3s / LPH_M3S == pytest.approx(8625.82, rel=0.002)


def test_speeds_follow_the_affinity_laws(reference_chart: PumpChart) -> None:
    """Shut-off head goes with the square of the speed, the widest flow with the speed.

    Source: affinity laws, Crane TP-410 equations 7.33 (number from memory); EPANET 2.2 manual, pump speed settings.
    """
    full, *slower = reference_chart.speeds

    for point in slower:
        assert point.head_m[0] == pytest.approx(full.head_m[0] * point.speed**2)
        assert point.flow_m3s[-1] == pytest.approx(full.flow_m3s[-1] * point.speed)


def test_operating_points_lie_on_both_curves() -> None:
    """At each speed the point lies on the pump's curve and on the manifold's."""
    chart = pump_chart(SIX)

    for point in chart.speeds:
        on_pump = np.interp(point.pump_flow_m3s, point.flow_m3s, point.head_m)
        on_manifold = np.interp(point.pump_flow_m3s, chart.system_flow_m3s, chart.system_head_m)
        assert on_pump == pytest.approx(point.pump_head_m, rel=0.005)
        assert on_manifold == pytest.approx(point.pump_head_m, rel=0.005)


def test_chart_agrees_with_the_prediction() -> None:
    """The point where the plant runs is the prediction's, and its branches' flows too."""
    conditions = Conditions(speed=0.9)
    chart, prediction = pump_chart(SIX, conditions=conditions), predict(SIX, conditions=conditions)

    assert chart.now.speed == 0.9
    assert chart.now.pump_flow_m3s == pytest.approx(prediction.pump_flow_m3s, rel=1e-9)
    assert chart.now.run_flow_m3s == pytest.approx([run.flow_m3s for run in prediction.runs], rel=1e-9)


def test_a_speed_near_a_round_one_takes_its_place() -> None:
    """81 % stands in for 80 %, lest two curves lie on one another."""
    speeds = [point.speed for point in pump_chart(SIX, conditions=Conditions(speed=0.81)).speeds]

    assert speeds == [1.0, 0.81, 0.6]


def test_figure_says_its_points() -> None:
    """The figures of the operating point are drawn, and all are in the description."""
    chart = pump_chart(SIX)
    svg = pump_figure(chart, "gal/h", "p", title="Pump")

    now = f"{show_flow(chart.now.pump_flow_m3s, 'gal/h')} at {show_head(chart.now.pump_head_m, 'gal/h')}"
    assert f"100\N{NO-BREAK SPACE}%: {now}</text>" in svg
    for point in chart.speeds:
        assert show_flow(point.pump_flow_m3s, "gal/h") in re.findall(r"<desc[^>]*>(.*)</desc>", svg)[0]


def test_shares_add_up() -> None:
    """The shares of the branches are of their sum: 100 % together."""
    svg = share_figure(["a", "b", "c"], [5e-4, 3e-4, 2e-4], "L/h", "s")

    assert [int(share) for share in re.findall(r", (\d+)\N{NO-BREAK SPACE}%</text>", svg)] == [50, 30, 20]


def test_nothing_flows_in_a_plant_that_stands() -> None:
    """Shares of nothing are not worked out."""
    svg = share_figure(["a", "b"], [0.0, 0.0], "L/h", "s")

    assert "0 L/h</text>" in svg
    assert "nan" not in svg
