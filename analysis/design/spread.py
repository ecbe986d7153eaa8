"""Plants that the same catalogue figures could stand for: common draws, so that differences are told from levels.

Every plant that is compared meets the same draws: one table of elbows, one stray K for each sort of fitting, valve and
bore change, one bore for each run, one state of its media and one pump. What two plants share cancels out.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from analysis.design.elbow_tables import TABLES, elbow_factors
from analysis.frames import Floats, Ints
from analysis.hydraulics.elements import ElementLoss
from analysis.hydraulics.network import Conditions, Network
from analysis.prediction import BORE_SPREAD, K_SPREAD, MEDIA_SPREAD, PUMP_FLOW_SPREAD, PUMP_HEAD_SPREAD
from config.plant import FittingKind

ELBOWS: Mapping[str, FittingKind] = MappingProxyType(
    {kind.value: kind for kind in (FittingKind.ELBOW_90, FittingKind.ELBOW_45, FittingKind.ELBOW_90_LONG)}
)
SORTS = (
    *(kind.value for kind in FittingKind if kind.value not in ELBOWS),
    *("valve", "check valve", "barb", "bore change", "K"),
)
_SEED = 20_263


@dataclass(frozen=True, slots=True, kw_only=True)
class Draws:
    """D draws for plants of R runs.

    Attributes:
        table: [D] index of the table of elbows. sorts: [D] factor on K for each sort.
        resistance, media: [D, R] factors. head, flow: [D] factors on the pump's head, and on the flow it gives it at.
    """

    table: Ints
    sorts: Mapping[str, Floats]
    resistance: Floats
    media: Floats
    head: Floats
    flow: Floats


def draw(count: int, runs: int) -> Draws:
    """Draw at random with a fixed seed: the same plants every time.

    Args:
        count: D, how many.
        runs: R, of the plant.

    Returns:
        The draws; factors without a unit.
    """
    random = np.random.default_rng(_SEED)
    return Draws(
        table=random.integers(0, len(TABLES), count),
        sorts={sort: np.exp(K_SPREAD * random.standard_normal(count)) for sort in SORTS},
        resistance=np.exp(BORE_SPREAD * random.standard_normal((count, runs))),
        media=np.exp(MEDIA_SPREAD * random.standard_normal((count, runs))),
        head=np.exp(PUMP_HEAD_SPREAD * random.standard_normal(count)),
        flow=np.exp(PUMP_FLOW_SPREAD * random.standard_normal(count)),
    )


def drawn(network: Network, draws: Draws) -> Conditions:
    """The draws as D cases of a network.

    Args:
        network: of R runs, as many as the draws have.
        draws: D of them.

    Returns:
        Conditions of D cases.
    """
    added = np.zeros((draws.head.size, len(network.runs)))
    for element in network.elements:
        if element.friction is None and not element.media:
            added[:, element.run] += element.loss.quadratic_s2_m5 * (_factor(element, draws) - 1.0)
    return Conditions(
        resistance=draws.resistance,
        media_resistance=draws.media / draws.resistance,
        added_k=added * draws.resistance,
        head_factor=draws.head,
        flow_factor=draws.flow,
    )


def by_table(network: Network) -> Conditions:
    """The network as each of the S tables of elbows has it, one case a table.

    Args:
        network: of R runs.

    Returns:
        Conditions of S cases, further losses [S, R] in s2/m5.
    """
    added = np.zeros((len(TABLES), len(network.runs)))
    for element in network.elements:
        kind = elbow_kind(element)
        if kind is not None:
            added[:, element.run] += element.loss.quadratic_s2_m5 * (elbow_factors(kind) - 1.0)
    return Conditions(added_k=added)


def elbow_kind(element: ElementLoss) -> FittingKind | None:
    """Which elbow an element is; None for anything else.

    Args:
        element: of a network.
    """
    return ELBOWS.get(_sort(element))


def _factor(element: ElementLoss, draws: Draws) -> Floats:
    kind = elbow_kind(element)
    return draws.sorts[_sort(element)] if kind is None else elbow_factors(kind)[draws.table]


def _sort(element: ElementLoss) -> str:
    """The kind of fitting, or the sort of element."""
    return element.kind if element.fitting is None else element.fitting.value
