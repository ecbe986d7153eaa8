"""The linear step on a tree whose runs' losses also depend on the flow that feeds them: tees by how the flow splits."""

import numpy as np

from analysis.frames import Floats
from analysis.hydraulics.circuit import Network
from analysis.hydraulics.tree import TreeStep


class CoupledStep(TreeStep):
    """As `TreeStep`, for losses with a second slope.

    Along a run slope dQ + coupling dQ_feeder = dH_start - dH_end + excess. With what feeds a node known as the sum of
    what leaves it, the tree still folds up branch by branch: one more unknown a node, and no matrix.

    Attributes:
        coupling_s_m2: [R, B] d loss / d flow of the run that feeds it; to be filled in, nought for most.
    """

    def __init__(self, network: Network, cases: int) -> None:
        super().__init__(network, cases)
        runs, nodes = len(network.runs), len(network.nodes)
        self.coupling_s_m2 = np.zeros((runs, cases))
        self._coupled_gain = np.empty((runs, cases))
        self._total = np.empty((2, nodes, cases))
        self._leaving = [np.flatnonzero(network.start == place) for place in range(nodes)]

    def solve(self, pump_surplus_m: Floats, pump_fall_s_m2: Floats) -> None:
        """Work out the corrections, as `TreeStep.solve` does.

        Args:
            pump_surplus_m: [B] head, m, that the pump adds beyond what it has to lift.
            pump_fall_s_m2: [B] how fast the pump's head falls with flow, s/m2, > 0.
        """
        self._fold()
        constant, gain = self._total[:, 0]
        self.head_m[0] = (pump_surplus_m - pump_fall_s_m2 * constant) / (pump_fall_s_m2 * gain + 1.0)
        self.pump_flow_m3s[:] = constant + gain * self.head_m[0]
        self._unfold()

    def _fold(self) -> None:
        """Lines dQ = constant + gain dH_start of every run, from the outlets to the pump."""
        inner, slope, excess = self._inner, self.slope_s_m2, self.excess_m
        self._gain[inner:] = 1.0 / slope[inner:]
        self._constant[inner:] = self._gain[inner:] * excess[inner:]
        self._coupled_gain[inner:] = self._gain[inner:] * self.coupling_s_m2[inner:]
        for node in reversed(range(inner + 1)):
            self._close(node)
            if node:
                run = node - 1
                constant, gain = self._total[:, node]
                divisor = 1.0 + slope[run] * gain
                self._gain[run] = gain / divisor
                self._constant[run] = (constant + excess[run] * gain) / divisor
                self._coupled_gain[run] = self._gain[run] * self.coupling_s_m2[run]

    def _close(self, node: int) -> None:
        """The sum of a node's lines, with what they take from one another through the flow that feeds them."""
        leaving = self._leaving[node]
        share = 1.0 / (1.0 + self._coupled_gain[leaving].sum(axis=0))
        constant, gain = self._constant[leaving].sum(axis=0) * share, self._gain[leaving].sum(axis=0) * share
        self._total[0, node], self._total[1, node] = constant, gain
        self._constant[leaving] -= self._coupled_gain[leaving] * constant
        self._gain[leaving] -= self._coupled_gain[leaving] * gain

    def _unfold(self) -> None:
        """Heads from the pump to the outlets, then every run's flow."""
        head, start = self.head_m, self._start
        for run in range(self._inner):
            constant, gain = self._total[:, run + 1]
            fed_constant, fed_gain = self._total[:, start[run]]
            fed = fed_constant + fed_gain * head[start[run]]
            left = (
                head[start[run]] + self.excess_m[run] - self.slope_s_m2[run] * constant - self.coupling_s_m2[run] * fed
            )
            head[run + 1] = left / (1.0 + self.slope_s_m2[run] * gain)
        self.drop_m[:] = head[start]
        np.multiply(self._gain, self.drop_m, out=self.flow_m3s)
        self.flow_m3s += self._constant
        self.drop_m[: self._inner] -= head[1:]
