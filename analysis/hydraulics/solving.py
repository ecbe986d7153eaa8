"""Operating points of a network: thousands of cases in chunks that fit the cache, each tried as hard as it needs."""

from dataclasses import dataclass

import numpy as np

from analysis.frames import Floats, Ints
from analysis.hydraulics.circuit import Bools, Network
from analysis.hydraulics.conditions import AS_BUILT, CaseArrays, Conditions, case_arrays, count_cases
from analysis.hydraulics.newton import RESIDUAL_TOLERANCE, SHUT_S_M2, Effort, Newton, Seed
from analysis.hydraulics.tree import arranged
from config.errors import NoSolution

_NO_FLOW_M3S = 1e-12
_CELLS_A_CHUNK = 32_000  # runs x cases: more would not fit the second-level cache, fewer cost calls (both measured)
_LEAST_CASES_A_CHUNK = 750
_SEEDED_ABOVE = 50

_QUICK = Effort(steps=8, shut_s_m2=(SHUT_S_M2,), guarded=False, damping=(1.0,), enough=0.95)
_EFFORTS = (
    Effort(steps=8, shut_s_m2=(SHUT_S_M2,), guarded=False, damping=(1.0,)),
    Effort(steps=80, shut_s_m2=(1e5, 1e7, 1e9, 1e11, SHUT_S_M2), guarded=True, damping=(1.0, 0.5, 0.2, 0.7)),
    Effort(steps=200, shut_s_m2=(1e4, 1e6, 1e8, 1e10, 1e12, SHUT_S_M2), guarded=True, damping=(1.0, 0.5, 1.0, 0.1)),
    Effort(steps=400, shut_s_m2=(1e5, 1e8, 1e11, SHUT_S_M2), guarded=True, damping=(0.3, 0.1, 0.6, 0.2, 0.05)),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """Operating points of B cases.

    Attributes:
        flow_m3s: [B, R] outward positive. head_m: [B, N] at the nodes, above the sump's level as built.
        pump_flow_m3s, pump_head_m: [B] what the pump passes and adds; a pump held shut adds what holds it shut.
        energy_residual_m: [B] largest head left over on any link.
        mass_residual_m3s: [B] largest flow left over at any node.
        iterations: [B]. converged: [B] both residuals are within 1e-9 of the largest head and flow.
        conditions: what was solved for.
    """

    flow_m3s: Floats
    head_m: Floats
    pump_flow_m3s: Floats
    pump_head_m: Floats
    energy_residual_m: Floats
    mass_residual_m3s: Floats
    iterations: Ints
    converged: Bools
    conditions: Conditions


def solve(network: Network, conditions: Conditions = AS_BUILT) -> Solution:
    """Flows and heads of every case; a case without a solution is marked, not raised.

    Args:
        network: the network.
        conditions: how it runs, B cases.

    Raises:
        ValueError: shapes of the conditions that do not fit.
    """
    cases = count_cases(network, conditions)
    tree, runs, nodes = arranged(network)
    solution = _empty_solution(network, conditions, cases)
    seed = _seed(tree, conditions, runs, cases) if cases > _SEEDED_ABOVE else None
    chunk = min(cases, max(_LEAST_CASES_A_CHUNK, _CELLS_A_CHUNK // len(tree.runs)))
    newton = Newton(tree, chunk)
    for first in range(0, cases, chunk):
        some = np.arange(first, min(first + chunk, cases))
        if some.size != newton.cases:
            newton = Newton(tree, some.size)
        newton.begin(case_arrays(tree, conditions.take(slice(first, first + chunk), runs), cases=some.size), seed)
        newton.iterate(_QUICK, shut_s_m2=SHUT_S_M2)
        _write(solution, slice(first, first + chunk), newton, runs, nodes)
    left = np.flatnonzero(~solution.converged)
    for first in range(0, left.size, chunk):
        some = left[first : first + chunk]
        newton = Newton(tree, some.size)
        _work(newton, case_arrays(tree, conditions.take(some, runs), cases=some.size), seed)
        _write(solution, some, newton, runs, nodes)
    return solution


def solve_one(network: Network, conditions: Conditions = AS_BUILT) -> Solution:
    """As `solve`, for a single case.

    Args:
        network: the network.
        conditions: how it runs, one case.

    Returns:
        Its solution, B = 1.

    Raises:
        NoSolution: no operating point was found.
        ValueError: more cases than one.
    """
    solution = solve(network, conditions)
    if solution.converged.size != 1:
        raise ValueError(f"one case is wanted, {solution.converged.size} are given")
    if not solution.converged[0]:
        left = solution.energy_residual_m[0]
        raise NoSolution(
            f"the manifold has no operating point that the solver can find ({left:.2g} m of head are left over): "
            "check the pump's curve and the heights of the outlets"
        )
    return solution


def _seed(tree: Network, conditions: Conditions, runs: Ints, cases: int) -> Seed | None:
    """The middle one of the cases, solved; None if its pump moves nothing."""
    middle = slice(cases // 2, cases // 2 + 1)
    newton = Newton(tree, 1)
    _work(newton, case_arrays(tree, conditions.take(middle, runs), cases=1), None)
    return newton.seed() if newton.converged[0] and newton.pump_flow_m3s[0] > _NO_FLOW_M3S else None


def _work(newton: Newton, arrays: CaseArrays, seed: Seed | None) -> None:
    """Try all cases lightly, then what is left ever harder."""
    newton.begin(arrays, seed)
    newton.iterate(_EFFORTS[0], shut_s_m2=SHUT_S_M2)
    for effort in _EFFORTS[1:]:
        left = np.flatnonzero(~newton.converged)
        if not left.size:
            return
        rest = Newton(newton.network, left.size)
        rest.begin(arrays.take(left), None)
        for shut_s_m2 in effort.shut_s_m2:
            rest.iterate(effort, shut_s_m2=shut_s_m2)
        newton.put(left, rest)


def _empty_solution(network: Network, conditions: Conditions, cases: int) -> Solution:
    return Solution(
        flow_m3s=np.empty((cases, len(network.runs))),
        head_m=np.empty((cases, len(network.nodes))),
        pump_flow_m3s=np.empty(cases),
        pump_head_m=np.empty(cases),
        energy_residual_m=np.empty(cases),
        mass_residual_m3s=np.empty(cases),
        iterations=np.empty(cases, dtype=np.int64),
        converged=np.empty(cases, dtype=np.bool_),
        conditions=conditions,
    )


def _write(solution: Solution, cases: slice | Ints, newton: Newton, runs: Ints, nodes: Ints) -> None:
    """Enter a chunk's cases, runs and nodes in the order of the file; what passes a link that is shut is nothing."""
    mass, size = newton.mass_residual_m3s(), np.abs(newton.flow_m3s)
    largest = np.maximum(size.max(axis=0), _NO_FLOW_M3S / RESIDUAL_TOLERANCE)
    if size.min() < _NO_FLOW_M3S:
        newton.flow_m3s[size < _NO_FLOW_M3S] = 0.0
    newton.pump_flow_m3s[np.abs(newton.pump_flow_m3s) < _NO_FLOW_M3S] = 0.0
    solution.flow_m3s[cases] = newton.flow_m3s[np.argsort(runs)].T
    solution.head_m[cases] = newton.head_m[np.argsort(nodes)].T
    solution.pump_flow_m3s[cases] = newton.pump_flow_m3s
    solution.pump_head_m[cases] = newton.head_m[0] - newton.sump_m
    solution.energy_residual_m[cases] = newton.residual_m
    solution.mass_residual_m3s[cases] = mass
    solution.iterations[cases] = newton.iterations
    solution.converged[cases] = newton.converged & (mass <= RESIDUAL_TOLERANCE * largest)
