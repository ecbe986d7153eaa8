"""Worked examples of handbooks and open course material; each test names its source and printed answer.

Where each stands (files of this folder): smooth plastic pipe, Colebrook's root, the Moody chart, two miles of pipe,
pipes in parallel and in series, a pump on a rising main, affinity laws, total head by the K method, flow by gravity,
discharge from a tank, a valve by its Kv, Ergun's two, K of a velocity head, ten pipes in three loops, and EPANET's pump
rules here; joining tee and dividing wye in test_tees; a lifted bed and a filter's sand in test_grains; sea water, point
by point, in test_water. What each is in the list of DEVELOPERS.md, "Published examples".
"""

import math

import numpy as np
import pytest

from analysis.hydraulics.elements import quadratic_s2_m5
from analysis.hydraulics.fittings import fitting_k, rough_factor
from analysis.hydraulics.friction import friction_factor
from analysis.hydraulics.media import bed_loss
from analysis.hydraulics.network import Conditions, Constants, compile_network, solve_one
from analysis.hydraulics.pump import PowerCurve, RunningPump, pump_curve, pump_head
from config.plant import FittingKind, FixedK, MediaBed, Pipe, Plant, Pump, Run, Water

FOOT_M = 0.3048
INCH_M = 0.0254
GALLON_PER_MINUTE_M3S = 3.785411784e-3 / 60.0
CUBIC_FOOT_M3 = FOOT_M**3
VISCOUS_UNIT_M2S = FOOT_M**2  # 1 ft2/s


def head_source(head_m: float) -> Pump:
    """A pump whose head hardly falls with flow: a reservoir."""
    return Pump(curve=((0.0, head_m + 1e-12), (1e3, head_m)))


def pipe(bore_m: float, length_m: float, roughness_m: float) -> Pipe:
    """A pipe without a name."""
    return Pipe(label="pipe", bore_m=bore_m, length_m=length_m, roughness_m=roughness_m)


def branch(name: str, *path: Pipe | FixedK, start: str = "pump", outlet_m: float = 1e-9) -> Run:
    """A run to an outlet."""
    return Run(name=name, start=start, outlet_m=outlet_m, submerged=True, path=path)


def plant(pump: Pump, *runs: Run) -> Plant:
    """A plant of these runs."""
    return Plant(name="example", water=Water(), pump=pump, runs=runs)


def test_colebrook_root() -> None:
    """Re 1e5, roughness 1e-4: Colebrook's root 0.01851386607747165 (`fluids`, docstring of Clamond) to 1e-9."""
    assert float(friction_factor(1e5, 1e-4)) == pytest.approx(0.01851386607747165, rel=1e-9)


def test_smooth_plastic_pipe() -> None:
    """Crane TP-410M example 7.1: 200 L/min of water at 30 degC in 52.48 mm plastic, Re 100 600, f 0.0179 (chart)."""
    velocity = 0.2 / 60.0 / (math.pi * 0.05248**2 / 4.0)
    reynolds = 995.65 * velocity * 0.05248 / 7.9721e-4

    assert reynolds == pytest.approx(100_600, rel=0.015)
    assert float(friction_factor(reynolds, 1.5e-6 / 0.05248)) == pytest.approx(0.0179, rel=0.015)


def test_friction_from_the_moody_chart() -> None:
    """White, Fluid Mechanics, example 6.7: Re 128 000, roughness 0.0013, f 0.0225 (chart)."""
    assert float(friction_factor(128_000.0, 0.0013)) == pytest.approx(0.0225, rel=0.015)


def test_two_miles_of_pipe() -> None:
    """R package hydraulics, vignette section 3: 4 ft3/s, 20 in, 10 560 ft, Re 248 625: f 0.0173, hf 5.72 ft (0.1 %)."""
    factor = float(friction_factor(248_625.0, 0.0005 / (20.0 / 12.0)))
    velocity_ft_s = 4.0 / (math.pi * (20.0 / 12.0) ** 2 / 4.0)

    assert factor == pytest.approx(0.0173, abs=5e-5)
    assert factor * 10_560.0 / (20.0 / 12.0) * velocity_ft_s**2 / (2.0 * 32.2) == pytest.approx(5.72, rel=1e-3)


def test_three_pipes_in_parallel() -> None:
    """White, Fluid Mechanics, example 6.18: 20.3 m over three pipes, 62.5, 25.9, 11.4, together 99.8 m3/h (0.3 %)."""
    network = compile_network(
        plant(
            head_source(20.3),
            branch("1", pipe(0.08, 100.0, 0.24e-3)),
            branch("2", pipe(0.06, 150.0, 0.12e-3)),
            branch("3", pipe(0.04, 80.0, 0.20e-3)),
        ),
        constants=Constants(gravity_m_s2=9.81),
    )

    solution = solve_one(network, Conditions(viscosity_m2s=1.02e-6))

    assert solution.flow_m3s[0] * 3600.0 == pytest.approx([62.5, 25.9, 11.4], rel=3e-3)
    assert solution.pump_flow_m3s[0] * 3600.0 == pytest.approx(99.8, rel=3e-3)


def test_pipes_in_parallel_and_series() -> None:
    """Open notebook fluids_examples, ch 6: A beside B, then C, 750 kPa: 2.062, 3.294, 5.356 m/s (0.05 %).

    The tree has the pump's side first, so the common pipe C comes before A and B: the same losses in another order.
    """
    head_m = 750e3 / (998.0 * 9.81)
    network = compile_network(
        plant(
            head_source(head_m),
            Run(name="C", start="pump", end="fork", path=(pipe(0.08, 150.0, 0.12e-3),)),
            branch("A", pipe(0.08, 250.0, 0.12e-3), start="fork"),
            branch("B", pipe(0.08, 100.0, 0.12e-3), start="fork"),
        ),
        constants=Constants(gravity_m_s2=9.81),
    )

    solution = solve_one(network, Conditions(viscosity_m2s=1.003e-3 / 998.0))

    velocity = solution.flow_m3s[0] / (math.pi * 0.08**2 / 4.0)
    assert velocity == pytest.approx([5.356, 2.062, 3.294], rel=5e-4)


def test_pump_on_a_rising_main() -> None:
    """R package hydraulics, vignette section 6: Q 12.051 ft3/s at 53.285 ft (their search stops at 1e-4; 0.05 %).

    Points (0, 81), (5000, 60), (7850, 20) gal/min and ft fitted by h = a + c Q^2; lift 30 ft; 3884 ft of 20 in.
    """
    gallons_to_cubic_feet = GALLON_PER_MINUTE_M3S / CUBIC_FOOT_M3
    flow = np.array([0.0, 5000.0, 7850.0]) * gallons_to_cubic_feet
    slope, top = np.polyfit(flow**2, np.array([81.0, 60.0, 20.0]), 1)
    points = tuple((q * CUBIC_FOOT_M3, float(top + slope * q**2) * FOOT_M) for q in (0.0, 17.0))
    # They take friction at 1 ft3/s for all flows: K 0.160 ft per (ft3/s)^2, given here as a minor loss.
    velocity_ft_s = 1.0 / (math.pi * (20.0 / 12.0) ** 2 / 4.0)
    factor = float(friction_factor(velocity_ft_s * 20.0 / 12.0 / 1.23e-5, 0.0005 / (20.0 / 12.0)))
    k = factor * 3884.0 / (20.0 / 12.0)
    bare = pipe(20.0 * INCH_M, 0.0, 0.0)
    network = compile_network(
        plant(Pump(curve=points), branch("main", bare, FixedK(k=k), outlet_m=30.0 * FOOT_M)),
        constants=Constants(gravity_m_s2=32.2 * FOOT_M),
    )

    solution = solve_one(network)

    assert solution.pump_flow_m3s[0] / CUBIC_FOOT_M3 == pytest.approx(12.051, rel=5e-4)
    assert solution.pump_head_m[0] / FOOT_M == pytest.approx(53.285, rel=5e-4)


def test_affinity_laws() -> None:
    """Crane TP-410 example 7.33: 400 gal/min, 126 ft, 17.5 hp from 3500 to 1700 rpm: 194 gal/min, 29.7 ft, 2.0 hp.

    Power goes with flow times head at the same efficiency.
    """
    curve = PowerCurve(shut_off_m=150.0, coefficient=24.0 / 400.0**2, exponent=2.0)
    running = RunningPump.of(curve, speed=1700.0 / 3500.0, head_factor=1.0, flow_factor=1.0)
    flow = 400.0 * running.stretch

    head, _ = pump_head(curve, np.atleast_1d(flow), speed=1700.0 / 3500.0)

    assert float(flow) == pytest.approx(194.0, abs=0.5)
    assert head[0] == pytest.approx(29.7, abs=0.05)
    assert 17.5 * float(flow) * head[0] / (400.0 * 126.0) == pytest.approx(2.0, abs=0.05)


def test_total_head_by_the_k_method() -> None:
    """Crane TP-410 example 7.15: 100 gal/min up 400 ft through 500 ft of 3 in needs 421 ft (0.3 %)."""
    bore_ft, rough = 3.068 / 12.0, 0.0173
    velocity_ft_s = 100.0 * GALLON_PER_MINUTE_M3S / CUBIC_FOOT_M3 / (math.pi * bore_ft**2 / 4.0)
    viscosity = 0.95e-3 / (62.298 * 16.01846337) / VISCOUS_UNIT_M2S
    factor = float(friction_factor(velocity_ft_s * bore_ft / viscosity, 0.0022 / 3.068))
    lift_check = 600.0 * rough * (3.068 / 2.469) ** 4
    k = factor * 500.0 / bore_ft + 1.0 + 8.0 * rough + 4.0 * 30.0 * rough + lift_check

    assert rough_factor(3.068 * INCH_M) == pytest.approx(rough, abs=1e-4)
    assert 400.0 + k * velocity_ft_s**2 / (2.0 * 32.174) == pytest.approx(421.0, rel=3e-3)


def test_flow_by_gravity_through_two_sizes() -> None:
    """Crane TP-410 example 7.19: 11.5 ft through 10 ft of 3 in and 20 ft of 2 in gives 137 gal/min (2 %)."""
    rough = 0.0173
    large = (pipe(0.07792, 10.0 * FOOT_M, 0.0018 * INCH_M), FixedK(k=0.5 + 60.0 * rough + 8.0 * rough))
    small = (
        pipe(0.05248, 20.0 * FOOT_M, 0.0018 * INCH_M),
        FixedK(k=0.5 * (1.0 - (2.0 / 3.0) ** 2) + 1.0),
    )
    runs = (
        Run(name="large", start="pump", end="step", path=large),
        branch("small", *small, start="step"),
    )
    network = compile_network(plant(head_source(11.5 * FOOT_M), *runs))

    solution = solve_one(network, Conditions(viscosity_m2s=1.1e-3 / (62.364 * 16.01846337)))

    assert solution.pump_flow_m3s[0] / GALLON_PER_MINUTE_M3S == pytest.approx(137.0, rel=0.02)


def test_discharge_from_a_tank() -> None:
    """Crane TP-410M example 7.6: 7 m of water through 60 m of 3 in at f 0.017 gives 781 L/min (1 %).

    Entrance 0.5, exit 1, six elbows of 30 fT with fT 0.017; ball valve with a 60 mm seat: 16 degrees in, 30 out.
    """
    beta = 60.0 / 77.9
    inlet = 0.8 * math.sin(math.radians(8.0)) * (1.0 - beta**2)
    outlet = 2.6 * math.sin(math.radians(15.0)) * (1.0 - beta**2) ** 2
    valve = (3.0 * 0.017 + inlet + outlet) / beta**4
    k = 0.017 * 60.0 / 0.0779 + 0.5 + 1.0 + 6.0 * 30.0 * 0.017 + valve
    network = compile_network(plant(head_source(7.0), branch("tank", pipe(0.0779, 0.0, 0.0), FixedK(k=k))))

    solution = solve_one(network)

    assert solution.pump_flow_m3s[0] * 60_000.0 == pytest.approx(781.0, rel=0.01)


def test_valve_by_its_flow_coefficient() -> None:
    """Crane TP-410M example 7.2: Kv 500 m3/h on 154 mm is K 3.6 (0.2 %).

    One bar over the valve at Kv: our K must lose 1e5 Pa / (1000 kg/m3 g) at 500 m3/h.
    """
    network = compile_network(plant(head_source(1e5 / 9806.65), branch("valve", pipe(0.154, 0.0, 0.0), FixedK(k=3.6))))

    solution = solve_one(network)

    assert solution.pump_flow_m3s[0] * 3600.0 == pytest.approx(500.0, rel=2e-3)


def test_ten_pipes_in_three_loops() -> None:
    """R package hydraulics, vignette section 7: flows after three rounds of Hardy Cross's method, all ten to four decimals.

    A manifold is a tree and has no loops; what is shared is each pipe's loss, h = c Q |Q|, at its given friction factor.
    """
    bore_m = (0.3, 0.2, 0.2, 0.2, 0.2, 0.15, 0.25, 0.15, 0.15, 0.25)
    length_m = (250.0, 100.0, 125.0, 125.0, 100.0, 100.0, 125.0, 100.0, 100.0, 125.0)
    factor = (0.01879, *(0.02075,) * 4, 0.02233, 0.01964, 0.02233, 0.02233, 0.01964)
    loss = np.array(
        [
            quadratic_s2_m5(f * length / bore, bore, Constants(gravity_m_s2=9.81))
            for f, length, bore in zip(factor, length_m, bore_m, strict=True)
        ]
    )
    # Pipes 1 to 10 along each loop; a pipe that two loops share is run through backward by the second.
    around = np.array(
        [
            [1, 1, 1, 1, 1, 0, 0, 0, 0, 0],
            [0, 0, 0, -1, 0, 1, 1, 1, 0, 0],
            [0, 0, -1, 0, 0, -1, 0, 0, 1, 1],
        ]
    )
    flow = np.array([0.04, 0.04, 0.02, -0.02, -0.04, 0.0, 0.0, -0.02, 0.02, 0.0])

    for _ in range(3):
        surplus = around @ (loss * flow * np.abs(flow))
        slope = np.abs(around) @ (2.0 * loss * np.abs(flow))
        flow = flow - around.T @ (surplus / slope)

    printed = [0.0383, 0.0383, 0.0232, -0.0258, -0.0417, 0.0090, 0.0041, -0.0159, 0.0151, -0.0049]
    assert flow == pytest.approx(printed, abs=5.1e-5)


def test_minor_loss_of_a_velocity_head() -> None:
    """Open engineering table, example: K 5.5 at 2 m/s loses 1.1 m (rounded; 2 %)."""
    flow = 2.0 * math.pi * 0.02**2 / 4.0
    network = compile_network(plant(head_source(1.1), branch("valve", pipe(0.02, 0.0, 0.0), FixedK(k=5.5))))

    assert solve_one(network).pump_flow_m3s[0] == pytest.approx(flow, rel=0.01)


def test_ergun_pressure_drop() -> None:
    """`fluids`, docstring of Ergun: 0.8 mm grains, porosity 0.4, 1 mm/s, 1000 kg/m3, 1e-3 Pa s: 1338.8672 Pa/m."""
    bed = MediaBed(name="bed", bore_m=0.1, depth_m=1.0, grain_m=0.8e-3, porosity=0.4)
    flow = 1e-3 * math.pi * 0.1**2 / 4.0

    loss = bed_loss(bed, gravity_m_s2=9.80665)

    head = loss.viscous_per_m4 * 1e-6 * flow + loss.quadratic_s2_m5 * flow**2
    assert head * 1000.0 * 9.80665 == pytest.approx(1338.8671875, rel=1e-6)


def test_ergun_coefficients() -> None:
    """Open exam item: 1.5 mm grains, porosity 0.4, water: dP/L = 375e3 V + 10.94e6 V^2 (0.05 %)."""
    bed = MediaBed(name="bed", bore_m=0.1, depth_m=1.0, grain_m=1.5e-3, porosity=0.4)
    area = math.pi * 0.1**2 / 4.0

    loss = bed_loss(bed, gravity_m_s2=9.80665)

    assert loss.viscous_per_m4 * 1e-6 * area * 9806.65 == pytest.approx(375e3, rel=5e-4)
    assert loss.quadratic_s2_m5 * area**2 * 9806.65 == pytest.approx(10.94e6, rel=5e-4)


def test_pump_of_one_point() -> None:
    """EPANET 2.3, validate.c: one point (6000 L/h, 3.40 m) makes 4.5333 m and 3.1481e-8 m/(L/h)^2 (printed digits)."""
    curve = pump_curve(((6000.0, 3.40),))

    assert isinstance(curve, PowerCurve)
    assert curve.shut_off_m == pytest.approx(4.5333, abs=5e-5)
    assert curve.coefficient == pytest.approx(3.1481e-8, abs=5e-13)
    assert curve.exponent == 2.0


def test_pump_of_three_points() -> None:
    """EPANET 2.3, validate.c: (0, 4.60), (6000, 3.40), (11000, 0.60) make B 3.754972e-8 and C 1.986309."""
    curve = pump_curve(((0.0, 4.60), (6000.0, 3.40), (11000.0, 0.60)))

    assert isinstance(curve, PowerCurve)
    assert curve.shut_off_m == 4.60
    assert curve.coefficient == pytest.approx(3.754972e-8, rel=1e-5)
    assert curve.exponent == pytest.approx(1.986309, abs=5e-7)
    assert curve.widest_m3s == pytest.approx(11801.9, abs=0.05)


def test_elbows_are_thirty_rough_factors() -> None:
    """Crane TP-410: a 90 degree elbow in 1 in is 30 fT with fT 0.0223, K 0.668 (three digits)."""
    assert fitting_k(FittingKind.ELBOW_90, bore_m=0.026645) == pytest.approx(0.668, abs=5e-4)
