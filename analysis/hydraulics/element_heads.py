"""Where the head goes: the loss of every element at an operating point."""

from dataclasses import dataclass

import numpy as np

from analysis.hydraulics.circuit import Network
from analysis.hydraulics.conditions import CaseValue, Conditions, RunValue
from analysis.hydraulics.elements import ElementLoss
from analysis.hydraulics.friction import friction_factor
from analysis.hydraulics.solving import Solution
from analysis.hydraulics.tees import tee_heads_m

ADDED_KIND = "added"


@dataclass(frozen=True, slots=True, kw_only=True)
class ElementHead:
    """What one element costs.

    Attributes:
        run: name of the run. label, kind: as ElementLoss; kind "added" for a loss that the conditions add.
        head_loss_m: m, with the sign of the flow.
        velocity_m_s: in the bore that the loss is counted on; nan for a device.
        reynolds: of a pipe; nan otherwise.
    """

    run: str
    label: str
    kind: str
    head_loss_m: float
    velocity_m_s: float
    reynolds: float


def losses_by_element(network: Network, solution: Solution, *, case: int = 0) -> tuple[ElementHead, ...]:
    """Loss of every element of every run, in the order of runs and paths; a run's sum is its head loss.

    Args:
        network: the network that was solved.
        solution: its solution.
        case: which of the B cases.
    """
    found: list[ElementHead] = []
    by_split = _tee_heads(network, solution, case)
    for index, name in enumerate(network.runs):
        flow = float(solution.flow_m3s[case, index])
        factors = _Factors.of(network, solution.conditions, case=case, run=index)
        own = [(place, element) for place, element in enumerate(network.elements) if element.run == index]
        found.extend(
            _element_head(network, element, name, flow, factors, by_split_m=by_split.get(place))
            for place, element in own
        )
        if factors.added:
            lost = factors.added * flow * abs(flow)
            nan = float("nan")
            found.append(
                ElementHead(
                    run=name, label="added loss", kind=ADDED_KIND, head_loss_m=lost, velocity_m_s=nan, reynolds=nan
                )
            )
    return tuple(found)


def _tee_heads(network: Network, solution: Solution, case: int) -> dict[int, float]:
    """Loss of the tees that go by the split, m, by place among the elements."""
    if network.tees is None:
        return {}
    heads, _, _ = tee_heads_m(network.tees, solution.flow_m3s[case][:, None])
    return dict(zip(network.tee_elements, map(float, heads[:, 0]), strict=True))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Factors:
    """What the conditions do to one run in one case."""

    resistance: float
    media: float
    added: float
    viscosity_m2s: float

    @classmethod
    def of(cls, network: Network, conditions: Conditions, *, case: int, run: int) -> "_Factors":
        """Pick one case and run out of the conditions."""
        viscosity = conditions.viscosity_m2s
        return cls(
            resistance=_picked(conditions.resistance, case, run),
            media=_picked(conditions.media_resistance, case, run),
            added=_picked(conditions.added_k, case, run),
            viscosity_m2s=network.viscosity_m2s if viscosity is None else _picked_case(viscosity, case),
        )


def _picked(value: RunValue, case: int, run: int) -> float:
    array = np.atleast_2d(np.asarray(value, dtype=np.float64))
    return float(array[min(case, array.shape[0] - 1), min(run, array.shape[1] - 1)])


def _picked_case(value: CaseValue, case: int) -> float:
    array = np.atleast_1d(np.asarray(value, dtype=np.float64))
    return float(array[min(case, array.size - 1)])


def _element_head(  # noqa: PLR0913 - one element's loss hangs on all of these
    network: Network, element: ElementLoss, run: str, flow: float, factors: _Factors, *, by_split_m: float | None
) -> ElementHead:
    velocity = 4.0 * flow / (np.pi * element.bore_m**2)
    reynolds, lost = float("nan"), 0.0
    if element.friction is not None:
        pipe = element.friction
        reynolds = abs(velocity) * pipe.bore_m / factors.viscosity_m2s
        if flow:
            factor = float(friction_factor(reynolds, pipe.roughness_m / pipe.bore_m, law=network.constants.law))
            gravity = network.constants.gravity_m_s2
            lost = factor * pipe.length_m / pipe.bore_m * velocity * abs(velocity) / (2.0 * gravity)
    linear = element.loss.linear_s_m2 + element.loss.viscous_per_m4 * factors.viscosity_m2s
    constant_m = linear * flow + element.loss.quadratic_s2_m5 * flow * abs(flow)
    lost += constant_m if by_split_m is None else by_split_m
    return ElementHead(
        run=run,
        label=element.label,
        kind=element.kind,
        head_loss_m=lost * factors.resistance * (factors.media if element.media else 1.0),
        velocity_m_s=velocity,
        reynolds=reynolds,
    )
