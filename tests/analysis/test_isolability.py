"""Which faults of the simulated rack can be told apart; figures against EPANET stand in tests/published."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.detection.noise import NoiseModel
from analysis.hydraulics.network import compile_network
from analysis.isolability import AGES_H, isolability_of
from analysis.signatures import Signatures, signatures_of
from tests.support.simulated_rack import METERS, plant_file
from tests.support.simulated_stories import healthy_baseline

PLANT = plant_file().plant
BRANCHES = ("return", "uv", "scrubber", "carbon")


@pytest.fixture(scope="module")
def signatures() -> Signatures:
    """All paths of the rack as commissioned."""
    network = compile_network(PLANT)
    return signatures_of(PLANT, network, healthy_baseline().state(network), METERS)


def table_of(signatures: Signatures, noise: NoiseModel) -> dict[frozenset[str], float | None]:
    """Hours by pair."""
    return {frozenset((pair.first, pair.second)): pair.hours for pair in isolability_of(signatures, noise)}


def sure_by(hours: float | None) -> float:
    """Hours, never being later than any."""
    return np.inf if hours is None else hours


@pytest.fixture(scope="module")
def table(signatures: Signatures) -> dict[frozenset[str], float | None]:
    """With the noise as commissioned."""
    return table_of(signatures, healthy_baseline().noise)


def test_every_pair_is_there_once(signatures: Signatures, table: dict[frozenset[str], float | None]) -> None:
    """And no fault is compared with itself."""
    count = len(signatures.faults)

    assert len(table) == count * (count - 1) / 2
    assert all(len(pair) == 2 for pair in table)
    assert set(table.values()) <= {None, *(float(age) for age in AGES_H)}


@pytest.mark.parametrize("run", BRANCHES)
def test_shutting_is_never_taken_for_opening(table: dict[frozenset[str], float | None], run: str) -> None:
    """They move every meter to opposite sides."""
    assert sure_by(table[frozenset((f"restriction:{run}", f"opening:{run}"))]) <= 3


def test_restricted_branches_are_told_apart_at_once(table: dict[frozenset[str], float | None]) -> None:
    """Each has a meter of its own."""
    for place, first in enumerate(BRANCHES):
        for second in BRANCHES[place + 1 :]:
            assert sure_by(table[frozenset((f"restriction:{first}", f"restriction:{second}"))]) <= 3


def test_supply_is_told_from_a_branch(table: dict[frozenset[str], float | None]) -> None:
    """All fall, or one falls and the others rise."""
    assert all(sure_by(table[frozenset((f"restriction:{run}", "supply:pump"))]) <= 3 for run in BRANCHES)


def test_a_small_branch_is_the_hardest_to_tell_from_its_meter(table: dict[frozenset[str], float | None]) -> None:
    """What its loss gives to the others goes with its share of the pump's flow: 6 %, 17 %, 21 %, 56 %."""
    small, *large = (
        sure_by(table[frozenset((f"restriction:{run}", f"meter:{meter}"))])
        for run, meter in (("carbon", "M4"), ("scrubber", "M3"), ("uv", "M2"), ("return", "M1"))
    )

    assert small > 24
    assert max(large) <= 24


def test_an_opened_small_branch_is_no_easier(table: dict[frozenset[str], float | None]) -> None:
    """Its meter may read high as well as low."""
    assert sure_by(table[frozenset(("opening:carbon", "meter:M4"))]) > 24


def test_quieter_meters_tell_sooner(signatures: Signatures, table: dict[frozenset[str], float | None]) -> None:
    """A third of the noise: no pair takes longer, and the hardest is told in time."""
    noise = healthy_baseline().noise
    quiet = replace(noise, wander_sd=noise.wander_sd / 3, white_sd=noise.white_sd / 3, common_sd=noise.common_sd / 3)
    better = table_of(signatures, quiet)

    assert all(sure_by(better[pair]) <= sure_by(hours) for pair, hours in table.items())
    assert sure_by(better[frozenset(("restriction:carbon", "meter:M4"))]) < sure_by(
        table[frozenset(("restriction:carbon", "meter:M4"))]
    )


def test_there_is_one_supply_fault(signatures: Signatures) -> None:
    """Impeller, trunk and speed have one pattern, so there is no pair of them to tell apart."""
    assert sum(fault.subject is None for fault in signatures.faults) == 1
