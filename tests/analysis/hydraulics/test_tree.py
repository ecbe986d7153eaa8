"""The linear step on the tree against a dense solver of linear equations."""

import numpy as np
import pytest

from analysis.frames import Floats
from analysis.hydraulics.network import Network, compile_network
from analysis.hydraulics.tree import Continuity, TreeStep, arranged
from config.plant import FixedK, Run
from tests.support.manifolds import branch, plant_of, riser
from tests.support.reference_manifold import load_reference

CASES = 3


def header() -> Network:
    """Three branches at one node, one at the next, two straight from the pump; written down out of order."""
    second = Run(name="header", start="tee", end="far", path=(FixedK(k=0.5),))
    names = ("a", "b", "c")
    runs = [branch("last", start="far"), second, riser(), *(branch(name) for name in names)]
    return compile_network(plant_of(*runs, branch("d", start="pump"), branch("e", start="pump")))


NETWORKS = {"header": header(), "reference": compile_network(load_reference().plant())}


def dense_solution(tree: Network, step: TreeStep, surplus_m: Floats, fall_s_m2: Floats, case: int) -> Floats:
    """[R + 1 + N] flows, pump's flow and heads that LAPACK finds for one case."""
    runs, nodes = len(tree.runs), len(tree.nodes)
    matrix, right = np.zeros((runs + 1 + nodes, runs + 1 + nodes)), np.zeros(runs + 1 + nodes)
    for run in range(runs):
        matrix[run, run] = step.slope_s_m2[run, case]
        matrix[run, runs + 1 + tree.start[run]] = -1.0
        right[run] = step.excess_m[run, case]
        matrix[runs + 1 + tree.start[run], run] = -1.0
        if tree.end[run] >= 0:
            matrix[run, runs + 1 + tree.end[run]] = 1.0
            matrix[runs + 1 + tree.end[run], run] = 1.0
    matrix[runs, runs], matrix[runs, runs + 1], right[runs] = fall_s_m2[case], 1.0, surplus_m[case]
    matrix[runs + 1, runs] = 1.0
    solution: Floats = np.linalg.solve(matrix, right).astype(np.float64)
    return solution


@pytest.mark.parametrize("name", NETWORKS)
def test_the_step_solves_the_linear_network(name: str) -> None:
    """LAPACK on the whole matrix gives the same corrections (1e-9)."""
    tree, _, _ = arranged(NETWORKS[name])
    random = np.random.default_rng(3)
    step = TreeStep(tree, CASES)
    step.slope_s_m2[:] = np.exp(random.normal(6.0, 2.0, step.slope_s_m2.shape))
    step.excess_m[:] = random.normal(0.0, 1.0, step.excess_m.shape)
    surplus_m, fall_s_m2 = random.normal(0.0, 1.0, CASES), np.exp(random.normal(6.0, 1.0, CASES))

    step.solve(surplus_m, fall_s_m2)

    for case in range(CASES):
        wanted = dense_solution(tree, step, surplus_m, fall_s_m2, case)
        found = np.concatenate([step.flow_m3s[:, case], step.pump_flow_m3s[case, None], step.head_m[:, case]])
        assert found == pytest.approx(wanted, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("name", NETWORKS)
def test_the_order_is_one_of_the_same_network(name: str) -> None:
    """Identity: arranged or not, every run starts and ends at the nodes that it names, each after its parent."""
    network = NETWORKS[name]

    tree, runs, nodes = arranged(network)

    assert tree.runs == tuple(network.runs[run] for run in runs)
    assert [tree.nodes[node] for node in tree.start] == [network.nodes[node] for node in network.start[runs]]
    assert tree.end.tolist()[: len(nodes) - 1] == list(range(1, len(nodes)))
    assert all(parent < run for run, parent in enumerate(tree.parent))


@pytest.mark.parametrize("name", NETWORKS)
def test_flows_restored_from_the_branches_add_up(name: str) -> None:
    """Identity: whatever the branches pass, the inner runs and the pump carry it (1e-12 of it)."""
    tree, _, _ = arranged(NETWORKS[name])
    flow, pump = np.random.default_rng(4).uniform(0.0, 1.0, (len(tree.runs), CASES)), np.zeros(CASES)
    continuity = Continuity(tree, flow, pump)
    assert continuity.residual_m3s().min() > 0.01

    continuity.restore()

    assert continuity.residual_m3s().max() < 1e-12
    assert pump == pytest.approx(flow[tree.end < 0].sum(axis=0), rel=1e-12)
