"""Newton's method on the tree: a batch of cases at once, in arrays that are made once.

The global gradient method (Todini and Pilati, 1988): each link's loss is made linear about its flow, and the linear
network is solved for corrections of all flows and heads. Corrections, not values: the head left over on a link is both
what drives the next step and what tells whether one is needed.

A link that lets nothing pass, a one-way run with its water wanting back, and a pump below the head it would have to
add, are links of so high a resistance that what passes is below a nanolitre an hour.
"""

from dataclasses import dataclass

import numpy as np

from analysis.frames import Floats, Ints
from analysis.hydraulics.circuit import Bools, Network
from analysis.hydraulics.conditions import CaseArrays
from analysis.hydraulics.coupled import CoupledStep
from analysis.hydraulics.drag import Drag
from analysis.hydraulics.pump import RunningPump
from analysis.hydraulics.tees import tee_heads_m
from analysis.hydraulics.tree import Continuity, TreeStep

RESIDUAL_TOLERANCE = 1e-9
SHUT_S_M2 = 1e14
_LEAST_SLOPE_S_M2 = 1e-4
_TYPICAL_FRICTION_FACTOR = 0.03
_FULL_STEPS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Effort:
    """How hard a round tries.

    Attributes:
        steps: at most, at each resistance. shut_s_m2: resistances of what lets nothing pass, one after the other;
            starting low lets runs open and shut gently.
        guarded: whether steps are bounded where the loss is flat. damping: shares of the step taken, in turn, once
            the first dozen of full ones has not sufficed; an irregular turn breaks cycles of opening and shutting.
        enough: share of the cases whose convergence ends the round, so that a few do not hold up the rest.
    """

    steps: int
    shut_s_m2: tuple[float, ...]
    guarded: bool
    damping: tuple[float, ...]
    enough: float = 1.0

    def share(self, step: int) -> float:
        """Share of the step to take.

        Args:
            step: number of the step, from 1.

        Returns:
            0..1.
        """
        return 1.0 if step <= _FULL_STEPS else self.damping[step % len(self.damping)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Seed:
    """A case that is solved already, for others like it to start from.

    Attributes:
        flow_m3s: [R, 1]. head_m: [N, 1]. root: [S, 1], as in Drag. stretch: [1] of its pump.
        typical_s_m2: [R, 1] loss over flow at a typical friction factor.
    """

    flow_m3s: Floats
    typical_s_m2: Floats
    head_m: Floats
    root: Floats
    stretch: Floats


class Newton:
    """Flows and heads of B cases of an arranged network, and the arrays to improve them in.

    Attributes:
        flow_m3s: [R, B]. pump_flow_m3s: [B]. head_m: [N, B].
        residual_m: [B] largest head left over on any link.
        iterations: [B] steps taken. converged: [B].
    """

    def __init__(self, network: Network, cases: int) -> None:
        runs, nodes = len(network.runs), len(network.nodes)
        self.network, self.cases = network, cases
        self.flow_m3s, self.pump_flow_m3s = np.empty((runs, cases)), np.empty(cases)
        self.head_m, self.residual_m = np.empty((nodes, cases)), np.empty(cases)
        self.iterations, self.converged = np.empty(cases, np.int64), np.empty(cases, np.bool_)
        self._inner = nodes - 1
        self._continuity = Continuity(network, self.flow_m3s, self.pump_flow_m3s)
        self._coupled = None if network.tees is None else CoupledStep(network, cases)
        self._step = TreeStep(network, cases) if self._coupled is None else self._coupled
        self._size, self._minor, *rest = self._step.scratch
        self._drag, self._drop = Drag(network, cases, scratch=(rest[0], rest[1])), np.empty((runs, cases))

    def begin(self, arrays: CaseArrays, seed: Seed | None) -> None:
        """Take up cases, and start them from the seed or from a guess.

        Args:
            arrays: B cases.
            seed: a solved case, or None.
        """
        self._arrays = arrays
        self._linear = arrays.linear_s_m2 + _LEAST_SLOPE_S_M2
        self._pump = RunningPump.of(
            self.network.pump,
            speed=arrays.speed,
            head_factor=arrays.head_factor,
            flow_factor=arrays.flow_factor,
        )
        self._drag.set_pipes(arrays.friction_s2_m5, arrays.reynolds_s_m3)
        self._tolerance = RESIDUAL_TOLERANCE * head_scale_m(self.network, arrays)
        self._any_closed, self._pump_stops = bool(arrays.closed.any()), bool(arrays.pump_closed.any())
        self.iterations.fill(0)
        if seed is None:
            self._guess(arrays)
        else:
            self._start_from(seed)
        self._measure_drop()

    @property
    def sump_m(self) -> Floats:
        """[1 or B] level of the sump, m."""
        return self._arrays.sump_m

    def seed(self) -> Seed:
        """The first case, to start others from."""
        return Seed(
            flow_m3s=self.flow_m3s[:, :1],
            typical_s_m2=self._typical_at(np.abs(self.flow_m3s))[:, :1],
            head_m=self.head_m[:, :1],
            root=self._drag.root[:, :1],
            stretch=self._pump.stretch[:1],
        )

    def iterate(self, effort: Effort, *, shut_s_m2: float) -> None:
        """Steps until enough cases have converged or they run out; leaves the residuals of the last flows.

        One step is taken in any case: what is held shut tells of no error until it has been held.

        Args:
            effort: how hard to try.
            shut_s_m2: resistance of what lets nothing pass, s/m2.

        Source: Todini and Pilati (1988), see above.
        """
        step = self._step
        swings = False
        for number in range(1, effort.steps + 2):
            held = self._linearise(shut_s_m2)
            surplus, fall, pump_left = self._pump_link(shut_s_m2)
            left = self._left_over(held)
            self.residual_m = np.maximum(left.max(axis=0), pump_left)
            self.converged = self.residual_m <= self._tolerance
            enough = number > 1 and np.count_nonzero(self.converged) >= effort.enough * self.cases
            if enough or number > effort.steps:
                return
            if effort.guarded:
                np.maximum(step.slope_s_m2, np.sqrt(self._typical() * left), out=step.slope_s_m2)
            self.iterations += ~self.converged if number > 1 else 1
            step.solve(surplus, fall)
            self._advance(effort.share(number))
            swings = swings or held is not None or bool(self.pump_flow_m3s.min() < 0.0)
            if swings:  # a node that is cut off swings by 1e9 m and back: rounding of that would stay in the flows
                self._continuity.restore()

    def mass_residual_m3s(self) -> Floats:
        """[B] largest difference between what reaches a node and what leaves it."""
        return self._continuity.residual_m3s()

    def put(self, cases: Ints, rest: "Newton") -> None:
        """Take over [b] cases that another one has worked at.

        Args:
            cases: [b] indices.
            rest: of b cases.
        """
        self.flow_m3s[:, cases] = rest.flow_m3s
        self.head_m[:, cases] = rest.head_m
        self.pump_flow_m3s[cases] = rest.pump_flow_m3s
        self.residual_m[cases] = rest.residual_m
        self.iterations[cases] += rest.iterations
        self.converged[cases] = rest.converged

    def _start_from(self, seed: Seed) -> None:
        """The seed's flows by the pump's speed, each branch's by its own resistance: as if the header kept its head."""
        inner = self._inner
        share = self._pump.stretch / seed.stretch
        ease = np.sqrt(seed.typical_s_m2[inner:] / self._typical_at(np.abs(seed.flow_m3s))[inner:])
        np.multiply(seed.flow_m3s[inner:] * share, ease, out=self.flow_m3s[inner:])
        self._continuity.restore()
        self.head_m[:] = seed.head_m
        self._drag.root[:] = seed.root

    def _guess(self, arrays: CaseArrays) -> None:
        """Flows by the ease of each branch from a header at some half of the pump's shut-off head."""
        inner = self._inner
        shut_off = self._pump.lift * self.network.pump.shut_off_m
        outlet, closed = arrays.outlet_m[inner:], np.broadcast_to(arrays.closed, self.flow_m3s.shape)[inner:]
        lift = np.maximum(arrays.sump_m + 0.55 * shut_off - outlet, 0.05 * shut_off + 0.01)
        self.flow_m3s[inner:] = np.sqrt(lift / self._typical()[inner:])
        self.flow_m3s[inner:][closed] = 0.0
        self._continuity.restore()
        widest = 0.7 * self.network.pump.widest_m3s * self._pump.stretch
        shrink = np.minimum(1.0, widest / np.maximum(self.pump_flow_m3s, 1e-12))
        self.flow_m3s *= shrink
        self.pump_flow_m3s *= shrink
        self.head_m.fill(0.0)
        self._drag.begin(np.abs(self.flow_m3s))

    def _typical(self) -> Floats:
        """[R, 1 or B] loss over flow squared at a typical friction factor, s2/m5, never 0."""
        friction = np.add.reduceat(self._arrays.friction_s2_m5, self.network.segments.first, axis=0)
        typical: Floats = self._arrays.quadratic_s2_m5 + _TYPICAL_FRICTION_FACTOR * friction + 1.0
        return np.broadcast_to(typical, (len(self.network.runs), typical.shape[1]))

    def _typical_at(self, size_m3s: Floats) -> Floats:
        """[R, 1 or B] loss over flow at [R, 1] sizes of flow and a typical friction factor, s/m2."""
        return self._typical() * size_m3s + self._linear

    def _measure_drop(self) -> None:
        inner = self._inner
        np.take(self.head_m, self.network.start, axis=0, out=self._drop, mode="clip")
        self._drop[:inner] -= self.head_m[1:]
        self._drop[inner:] -= self._arrays.outlet_m[inner:]

    def _linearise(self, shut_s_m2: float) -> Bools | None:
        """Fill the step's slopes and excess heads at the present flows; which runs are held, if any is."""
        flow, slope, excess = self.flow_m3s, self._step.slope_s_m2, self._step.excess_m
        size = np.abs(flow, out=self._size)
        self._drag.follow(size)
        minor = np.multiply(size, self._arrays.quadratic_s2_m5, out=self._minor)
        np.add(self._drag.half_slope, minor, out=slope)
        slope *= 2.0
        slope += self._linear
        minor += self._drag.per_flow
        minor += self._linear
        minor *= flow
        np.subtract(self._drop, minor, out=excess)
        if self._coupled is not None:
            self._add_tees(self._coupled)
        held = self._held()
        if held is not None:
            excess -= np.where(held, shut_s_m2 * flow, 0.0)
            slope += np.where(held, shut_s_m2, 0.0)
        return held

    def _add_tees(self, step: CoupledStep) -> None:
        """Losses that go by the split of the flow at tees, with their slopes by both flows."""
        tees = self.network.tees
        if tees is None:
            return
        factor = self._arrays.resistance
        factor = factor if factor.shape[0] == 1 else factor[tees.run]
        head, by_own, by_combined = tee_heads_m(tees, self.flow_m3s)
        step.excess_m[tees.run] -= factor * head
        step.slope_s_m2[tees.run] += factor * by_own
        step.coupling_s_m2[tees.run] = factor * by_combined

    def _held(self) -> Bools | None:
        """[R, B] links that are closed, and one-way runs with flow backward; None if there is none."""
        if not self._any_closed and self.flow_m3s.min() >= 0.0:
            return None
        held = (self.network.one_way[:, None] & (self.flow_m3s < 0.0)) | self._arrays.closed
        return held if held.any() else None

    def _left_over(self, held: Bools | None) -> Floats:
        """[R, B] size of the head left over on every run.

        Any head may stand on a closed link. One that holds water back is wrong only if the head would open it.
        """
        left = np.abs(self._step.excess_m, out=self._size)
        if held is None:
            return left
        opening = np.where(self._arrays.closed, 0.0, np.maximum(self._drop, 0.0))
        return np.where(held, opening, left)

    def _pump_link(self, shut_s_m2: float) -> tuple[Floats, Floats, Floats]:
        """[B] head beyond what the pump lifts, its fall with flow, and the size of what of it is left over.

        A stopped pump, and one that is overcome by the head, is held shut.
        """
        flow = self.pump_flow_m3s
        lift = self.head_m[0] - self._arrays.sump_m
        backward = flow.min() < 0.0
        head, slope = self._pump.at(np.maximum(flow, 0.0) if backward else flow)
        fall = np.maximum(-slope, _LEAST_SLOPE_S_M2)
        surplus: Floats = head - lift
        left = np.abs(surplus)
        if backward or self._pump_stops:
            stopped = self._arrays.pump_closed
            held = (flow < 0.0) | stopped
            left = np.where(stopped, 0.0, np.where(flow < 0.0, np.maximum(surplus, 0.0), left))
            surplus = np.where(held, np.where(stopped, 0.0, head) - shut_s_m2 * flow - lift, surplus)
            fall = np.where(held, shut_s_m2, fall)
        return surplus, fall, left

    def _advance(self, damping: float) -> None:
        step = self._step
        changes = (step.flow_m3s, step.pump_flow_m3s, step.head_m, step.drop_m)
        for value, change in zip((self.flow_m3s, self.pump_flow_m3s, self.head_m, self._drop), changes, strict=True):
            if damping != 1.0:
                np.multiply(change, damping, out=change)
            np.add(value, change, out=value)


def head_scale_m(network: Network, arrays: CaseArrays) -> Floats:
    """[1 or B] the largest head about, m.

    Args:
        network: the network.
        arrays: B cases of it.
    """
    shut_off = arrays.head_factor * arrays.speed**2 * network.pump.shut_off_m
    largest: Floats = np.maximum(np.maximum(shut_off, np.nanmax(np.abs(arrays.outlet_m), axis=0)), 1e-3)
    return largest
