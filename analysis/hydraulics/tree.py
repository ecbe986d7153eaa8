"""One linear step on the tree: corrections of flows and heads that close every link's balance, without a matrix."""

from dataclasses import replace

import numpy as np

from analysis.frames import Floats, Ints
from analysis.hydraulics.circuit import Network, Segments
from analysis.hydraulics.tees import SplitTees


def arranged(network: Network) -> tuple[Network, Ints, Ints]:
    """The network in the order that a step works through it, with [R] runs and [N] nodes as numbered in the file.

    Inner runs come first, each after its parent, then the branches; inner run j ends at node j + 1.

    Args:
        network: as compiled.

    Returns:
        The network, [R] and [N].
    """
    inner = [run for run in network.outward if network.end[run] >= 0]
    order = np.array([*inner, *(run for run in network.outward if network.end[run] < 0)], dtype=np.int64)
    nodes = np.array([0, *network.end[inner]], dtype=np.int64)
    place_of_run, place_of_node = np.append(_inverse(order), -1), np.append(_inverse(nodes), -1)
    return (
        replace(
            network,
            runs=tuple(network.runs[run] for run in order),
            nodes=tuple(network.nodes[node] for node in nodes),
            start=place_of_node[network.start[order]],
            end=place_of_node[network.end[order]],
            parent=place_of_run[network.parent[order]],
            outward=tuple(range(order.size)),
            outlet_m=network.outlet_m[order],
            in_sump=network.in_sump[order],
            one_way=network.one_way[order],
            shut=network.shut[order],
            minor_s2_m5=network.minor_s2_m5[order],
            media_linear_s_m2=network.media_linear_s_m2[order],
            media_viscous_per_m4=network.media_viscous_per_m4[order],
            media_quadratic_s2_m5=network.media_quadratic_s2_m5[order],
            segments=_arranged_segments(network.segments, place_of_run),
            elements=(),
            tees=None if network.tees is None else _arranged_tees(network.tees, place_of_run),
        ),
        order,
        nodes,
    )


def _inverse(order: Ints) -> Ints:
    place = np.empty_like(order)
    place[order] = np.arange(order.size)
    return place


def _arranged_tees(tees: SplitTees, place_of_run: Ints) -> SplitTees:
    return replace(tees, run=place_of_run[tees.run], feeder=place_of_run[tees.feeder])


def _arranged_segments(segments: Segments, place_of_run: Ints) -> Segments:
    run = place_of_run[segments.run]
    order = np.argsort(run, kind="stable")
    return Segments(
        run=run[order],
        first=np.searchsorted(run[order], np.arange(segments.first.size)),
        bore_m=segments.bore_m[order],
        length_m=segments.length_m[order],
        roughness_m=segments.roughness_m[order],
    )


class TreeStep:
    """The linear step of an arranged network, B cases, in arrays that are made once.

    Attributes:
        slope_s_m2: [R, B] d loss / d flow > 0 of every run; to be filled in.
        excess_m: [R, B] head along every run beyond its loss; to be filled in.
        flow_m3s, pump_flow_m3s: [R, B] and [B] corrections found.
        head_m, drop_m: [N, B] and [R, B] corrections found, at the nodes and along the runs.
        scratch: four [R, B] arrays, `flow_m3s` and `drop_m` among them, that others may use between steps.
    """

    def __init__(self, network: Network, cases: int) -> None:
        runs, nodes = len(network.runs), len(network.nodes)
        self._inner = inner = nodes - 1
        self._start = network.start
        # Two planes, not pairs of rows: whole planes lie in one piece, and a pair is a view of two rows.
        given, line, node = np.empty((2, runs, cases)), np.empty((2, runs, cases)), np.empty((5, nodes, cases))
        node[0] = 1.0
        self.slope_s_m2, self.excess_m = given
        self.flow_m3s, self.drop_m = np.empty((runs, cases)), np.empty((runs, cases))
        self.pump_flow_m3s, self.head_m = np.empty(cases), np.empty((nodes, cases))
        self._constant, self._gain = line
        self._node_constant, self._divisor, self._off = node[1, 1:], node[3, 1:], node[4, 1:]
        self.scratch = (self.flow_m3s, self.drop_m, self._constant, self._gain)
        leaving = [[line[:, run] for run in np.flatnonzero(network.start == place)] for place in range(nodes)]
        self._root = _Joint(node[:, 0], leaving[0])
        self._joints = [
            _Feed(node[:, run + 1], leaving[run + 1], given=given[:, run], line=line[:, run])
            for run in reversed(range(inner))
        ]
        steps = ((self._divisor[run], self._off[run], network.start[run], run + 1) for run in range(inner))
        self._passes = [(share, less, self.head_m[start], self.head_m[end]) for share, less, start, end in steps]

    def solve(self, pump_surplus_m: Floats, pump_fall_s_m2: Floats) -> None:
        """Work out the corrections; `slope_s_m2` and `excess_m` of inner runs are left as they are.

        Along a run slope dQ = dH_start - dH_end + excess. A branch ends at a fixed level, so dQ = p dH_start + c. At a
        node the lines of all runs that leave it add up to dQ = P dH + C, which the run that feeds it turns into its
        own line; at the pump's outlet the sum meets the pump's line, dQ = (surplus - dH) / fall.

        Args:
            pump_surplus_m: [B] head, m, that the pump adds beyond what it has to lift.
            pump_fall_s_m2: [B] how fast the pump's head falls with flow, s/m2, > 0.
        """
        self._inward()
        constant, gain = self._root.total
        self.head_m[0] = (pump_surplus_m - pump_fall_s_m2 * constant) / (pump_fall_s_m2 * gain + 1.0)
        np.multiply(gain, self.head_m[0], out=self.pump_flow_m3s)
        self.pump_flow_m3s += constant
        self._outward()

    def _inward(self) -> None:
        inner = self._inner
        np.divide(1.0, self.slope_s_m2[inner:], out=self._gain[inner:])
        np.multiply(self._gain[inner:], self.excess_m[inner:], out=self._constant[inner:])
        for joint in self._joints:
            joint.add_up()
            joint.pass_inward()
        self._root.add_up()

    def _outward(self) -> None:
        inner = self._inner
        # dH_end = (dH_start - (slope C - excess)) / (1 + slope P); that it is not worked out from the run's own line
        # keeps the flows of a run that is all but shut in balance with those behind it.
        share, less = np.divide(1.0, self._divisor, out=self._divisor), self._off
        np.multiply(self.slope_s_m2[:inner], self._node_constant, out=less)
        less -= self.excess_m[:inner]
        less *= share
        for kept, off, head_start, head_end in self._passes:
            np.multiply(kept, head_start, out=head_end)
            np.subtract(head_end, off, out=head_end)
        np.take(self.head_m, self._start, axis=0, out=self.drop_m, mode="clip")
        np.multiply(self._gain, self.drop_m, out=self.flow_m3s)
        self.flow_m3s += self._constant
        self.drop_m[:inner] -= self.head_m[1:]


class _Joint:
    """A node, as views of the step's arrays, so that a step costs no indexing.

    Attributes:
        total: [2, B] C and P of the runs that leave the node, dQ = C + P dH.
    """

    __slots__ = ("_leaving", "total")

    def __init__(self, node: Floats, leaving: list[Floats]) -> None:
        """Views of [5, B] a node's rows, and of the [2, B] constant and gain of every run that leaves it."""
        self.total, self._leaving = node[1:3], leaving

    def add_up(self) -> None:
        """Lines of the runs that leave the node, added up."""
        leaving = self._leaving
        if len(leaving) > 1:
            np.add(leaving[0], leaving[1], out=self.total)
        else:
            self.total[:] = leaving[0] if leaving else 0.0
        for line in leaving[2:]:
            self.total += line


class _Feed(_Joint):
    """A node and the run that feeds it.

    The node's rows are 1, C, P, and what is worked out here: 1 + slope P and C + excess P. They lie so that every
    operation takes two of them at once.
    """

    __slots__ = ("_divisor", "_gain", "_given", "_line", "_numerators", "_products", "_terms")

    def __init__(self, node: Floats, leaving: list[Floats], *, given: Floats, line: Floats) -> None:
        """As for `_Joint`, with [2, B] slope and excess of the feeding run, and where its constant and gain go."""
        super().__init__(node, leaving)
        self._terms, self._gain, self._products = node[0:2], node[2], node[3:5]
        self._numerators, self._divisor = node[2:5:2], node[3]
        self._given, self._line = given, line[::-1]

    def pass_inward(self) -> None:
        """The feeding run's line: gain = P / (1 + slope P), constant = (C + excess P) / (1 + slope P)."""
        products = self._products
        np.multiply(self._given, self._gain, out=products)
        np.add(products, self._terms, out=products)
        np.divide(self._numerators, self._divisor, out=self._line)


class Continuity:
    """Flows that add up at every node of an arranged network, on [R, B] flows and the [B] pump's that it is made on."""

    def __init__(self, network: Network, flow_m3s: Floats, pump_flow_m3s: Floats) -> None:
        nodes = len(network.nodes)
        rows = list(flow_m3s)
        arriving = [pump_flow_m3s, *rows[: nodes - 1]]
        self._surplus = np.empty((nodes, pump_flow_m3s.size))
        self._nodes = [
            (arriving[place], [rows[run] for run in np.flatnonzero(network.start == place)], self._surplus[place])
            for place in range(nodes)
        ]

    def restore(self) -> None:
        """Work the inner runs' flows, and the pump's, out anew from the branches."""
        for arriving, leaving, _ in reversed(self._nodes):
            if len(leaving) > 1:
                np.add(leaving[0], leaving[1], out=arriving)
            else:
                arriving[:] = leaving[0] if leaving else 0.0
            for flow in leaving[2:]:
                np.add(arriving, flow, out=arriving)

    def residual_m3s(self) -> Floats:
        """[B] largest difference between what reaches a node and what leaves it."""
        for arriving, leaving, surplus in self._nodes:
            before = arriving
            for flow in leaving:
                before = np.subtract(before, flow, out=surplus)
        worst: Floats = np.abs(self._surplus, out=self._surplus).max(axis=0)
        return worst
