"""How a manifold runs, as against how it was built; one case or thousands."""

from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from analysis.frames import Floats, Ints
from analysis.hydraulics.circuit import Bools, Network

Value = TypeVar("Value")
CaseValue = float | Floats
RunValue = float | Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """What differs from the plant as built; the defaults change nothing.

    Values by case are scalars or [B]; values by run are scalars, [R] (the same in all cases) or [B, R]. All sizes of B
    must be the same or 1.

    Attributes:
        speed: by case, fraction of full speed; None for the speed as built.
        head_factor, flow_factor: by case, of the pump: H = k_H w^2 H1(Q / (w k_Q)). No flow meter tells them apart.
        viscosity_m2s: by case, m2/s; None for the water as built.
        sump_rise_m: by case, level of the sump above what it was when built, m. Outlets at exactly 0 m are the sump's
            own surface and follow; all others are fixed in space, so a falling sump raises them.
        resistance: by run, factor on all losses of the run.
        media_resistance: by run, factor on its devices and beds only.
        added_k: by run, further loss h = k Q |Q|, s2/m5.
        outlet_rise_m: by run, rise of the level that a branch discharges at, m.
        closed: by run, the run lets nothing pass.
        pump_stopped: by case, the pump stands and lets nothing pass, as if it had a check valve; water may still
            run from one outlet to another through the manifold.
    """

    speed: CaseValue | None = None
    head_factor: CaseValue = 1.0
    flow_factor: CaseValue = 1.0
    viscosity_m2s: CaseValue | None = None
    sump_rise_m: CaseValue = 0.0
    resistance: RunValue = 1.0
    media_resistance: RunValue = 1.0
    added_k: RunValue = 0.0
    outlet_rise_m: RunValue = 0.0
    closed: bool | Bools = False
    pump_stopped: bool | Bools = False

    def take(self, cases: slice | Ints, runs: Ints) -> "Conditions":
        """The same for some of the cases, its runs in the order of [R] indices.

        Args:
            cases: which of the B cases.
            runs: [R] indices, the order wanted.

        Returns:
            Conditions of b cases.
        """
        return Conditions(
            speed=None if self.speed is None else _some_cases(self.speed, cases),
            head_factor=_some_cases(self.head_factor, cases),
            flow_factor=_some_cases(self.flow_factor, cases),
            viscosity_m2s=None if self.viscosity_m2s is None else _some_cases(self.viscosity_m2s, cases),
            sump_rise_m=_some_cases(self.sump_rise_m, cases),
            resistance=_some_runs(self.resistance, cases, runs),
            media_resistance=_some_runs(self.media_resistance, cases, runs),
            added_k=_some_runs(self.added_k, cases, runs),
            outlet_rise_m=_some_runs(self.outlet_rise_m, cases, runs),
            closed=_some_runs(self.closed, cases, runs),
            pump_stopped=_some_cases(self.pump_stopped, cases),
        )


AS_BUILT = Conditions()


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseArrays:
    """Conditions of a network worked into coefficients, run by row; [1] columns where all cases agree.

    Attributes:
        cases: B.
        friction_s2_m5: [S, 1 or B] h = friction f Q |Q|. reynolds_s_m3: [S, 1 or B] Re = reynolds |Q|.
        linear_s_m2, quadratic_s2_m5: [R, 1 or B] all but friction.
        resistance: [1 or R, 1 or B] factor on all losses of a run, which the coefficients above have in them.
        outlet_m: [R, 1 or B] level at the outlet, nan inside.
        closed: [R, 1 or B].
        speed, head_factor, flow_factor, sump_m: [1 or B].
        pump_closed: [1 or B].
    """

    cases: int
    friction_s2_m5: Floats
    reynolds_s_m3: Floats
    linear_s_m2: Floats
    quadratic_s2_m5: Floats
    resistance: Floats
    outlet_m: Floats
    closed: Bools
    speed: Floats
    head_factor: Floats
    flow_factor: Floats
    sump_m: Floats
    pump_closed: Bools

    def take(self, cases: Ints) -> "CaseArrays":
        """The same for some of the cases, by [b] indices.

        Args:
            cases: [b] indices.

        Returns:
            Arrays of b cases.
        """
        return CaseArrays(
            cases=cases.size,
            friction_s2_m5=_columns(self.friction_s2_m5, cases),
            reynolds_s_m3=_columns(self.reynolds_s_m3, cases),
            linear_s_m2=_columns(self.linear_s_m2, cases),
            quadratic_s2_m5=_columns(self.quadratic_s2_m5, cases),
            resistance=_columns(self.resistance, cases),
            outlet_m=_columns(self.outlet_m, cases),
            closed=_columns(self.closed, cases),
            speed=_columns(self.speed, cases),
            head_factor=_columns(self.head_factor, cases),
            flow_factor=_columns(self.flow_factor, cases),
            sump_m=_columns(self.sump_m, cases),
            pump_closed=_columns(self.pump_closed, cases),
        )


def count_cases(network: Network, conditions: Conditions) -> int:
    """How many cases the conditions are.

    Args:
        network: of R runs.
        conditions: of it.

    Returns:
        B, 1 where all values are the same in all cases.

    Raises:
        ValueError: shapes that do not fit the network or one another.
    """
    runs = len(network.runs)
    by_run = (
        conditions.resistance,
        conditions.media_resistance,
        conditions.added_k,
        conditions.outlet_rise_m,
        conditions.closed,
    )
    by_case = (
        conditions.speed,
        conditions.head_factor,
        conditions.flow_factor,
        conditions.viscosity_m2s,
        conditions.sump_rise_m,
        conditions.pump_stopped,
    )
    sizes = {_by_run(value, runs).shape[-1] for value in by_run}
    sizes |= {_by_case(value).size for value in by_case if value is not None}
    sizes -= {1}
    if len(sizes) > 1:
        raise ValueError(f"conditions of different numbers of cases: {sorted(sizes)}")
    return sizes.pop() if sizes else 1


def case_arrays(network: Network, conditions: Conditions, *, cases: int) -> CaseArrays:
    """The network's coefficients under conditions of so many cases (or of one, for all of them).

    Args:
        network: of R runs and S stretches of pipe.
        conditions: of it.
        cases: B.

    Raises:
        ValueError: shapes that do not fit the network.
    """
    run_count = len(network.runs)
    viscosity = _by_case(network.viscosity_m2s if conditions.viscosity_m2s is None else conditions.viscosity_m2s)
    resistance = _by_run(conditions.resistance, run_count)
    media = resistance * _by_run(conditions.media_resistance, run_count)
    closed = _by_run(conditions.closed, run_count).astype(np.bool_) | network.shut[:, None]
    sump = _by_case(conditions.sump_rise_m)
    outlet = network.outlet_m[:, None] + _by_run(conditions.outlet_rise_m, run_count)
    speed = _by_case(network.speed if conditions.speed is None else conditions.speed)
    segments = network.segments
    gravity = network.constants.gravity_m_s2
    friction = 8.0 * segments.length_m / (np.pi**2 * gravity * segments.bore_m**5)
    values = {
        "friction_s2_m5": friction[:, None] * (resistance if resistance.shape[0] == 1 else resistance[segments.run]),
        "reynolds_s_m3": (4.0 / (np.pi * segments.bore_m))[:, None] / viscosity,
        "linear_s_m2": media * (network.media_linear_s_m2[:, None] + network.media_viscous_per_m4[:, None] * viscosity),
        "quadratic_s2_m5": resistance * network.minor_s2_m5[:, None]
        + media * network.media_quadratic_s2_m5[:, None]
        + _by_run(conditions.added_k, run_count),
        "resistance": resistance,
        "outlet_m": outlet + np.where(network.in_sump[:, None], sump, 0.0),
        "speed": speed,
        "head_factor": _by_case(conditions.head_factor),
        "flow_factor": _by_case(conditions.flow_factor),
        "sump_m": sump,
    }
    pump_closed = _by_case(conditions.pump_stopped).astype(np.bool_) | (speed <= 0.0)
    return CaseArrays(cases=cases, closed=closed, pump_closed=pump_closed, **values)


def _by_case(value: CaseValue | Bools) -> Floats:
    array = np.asarray(value, dtype=np.float64)
    if array.ndim > 1:
        raise ValueError(f"a value by case is a scalar or [B], not {array.shape}")
    return array.reshape(-1)


def _by_run(value: RunValue | Bools, run_count: int) -> Floats:
    """[R or 1, B or 1]: runs by row."""
    array = np.asarray(value, dtype=np.float64)
    if array.ndim == 0:
        return array.reshape(1, 1)
    if array.ndim > 2 or array.shape[-1] not in {1, run_count}:  # noqa: PLR2004 - [B, R]
        raise ValueError(f"a value by run is a scalar, [{run_count}] or [B, {run_count}], not {array.shape}")
    return array.reshape(-1, array.shape[-1]).T


def _some_cases(value: Value, cases: slice | Ints) -> Value | NDArray[Any]:
    array = np.asarray(value)
    return value if array.size == 1 else array[cases]


def _some_runs(value: Value, cases: slice | Ints, runs: Ints) -> Value | NDArray[Any]:
    """[1, R], [b, 1] or [b, R], which lies in memory run by run."""
    array = np.asarray(value)
    if array.ndim == 0:
        return value
    rows = array.reshape(-1, array.shape[-1]).T
    columns = rows if rows.shape[1] == 1 else rows[:, cases]
    return (columns if rows.shape[0] == 1 else columns[runs]).T


def _columns(array: np.ndarray, cases: Ints) -> np.ndarray:
    return array if array.shape[-1] == 1 else np.ascontiguousarray(array[..., cases])
