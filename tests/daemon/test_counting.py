"""From lines to rows: whatever happens to device, wire and collector, the volume is right to the pulse."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.minutes import MOST_HZ
from daemon.plausible import Gate
from daemon.readings import Dated
from tests.support.model_counter import METER, ModelCounter, volume

FASTEST_HZ = 500

STEPS = st.tuples(st.integers(500, 30_000), st.floats(0, FASTEST_HZ))
ACTIONS = st.one_of(
    st.tuples(st.just("line"), STEPS),
    st.tuples(st.just("line"), STEPS),
    st.tuples(st.just("lost"), STEPS),
    st.tuples(st.just("again"), STEPS),
    st.tuples(st.just("damage"), STEPS),
    st.tuples(st.just("hold"), STEPS),
    st.tuples(st.just("release"), STEPS),
    st.tuples(st.just("power cut"), STEPS),
    st.tuples(st.just("collector"), STEPS),
)


def live(counter: ModelCounter, action: str, step: tuple[int, float]) -> None:
    """One thing that happens."""
    span_ms, rate_hz = step
    counter.run(span_ms=span_ms, pulses=int(span_ms * rate_hz / 1000))
    if action == "lost":
        counter.run(span_ms=span_ms, pulses=int(span_ms * rate_hz / 1000))
    if action == "damage" and counter.bits == 32:
        counter.line(damage=1_000_000_000 + 977 * span_ms)
        counter.run(span_ms=1_000, pulses=3)
    if action == "power cut":
        counter.line()
        counter.power_cut(span_ms=2_000)
        counter.run(span_ms=400, pulses=1)
    if action == "hold":
        counter.hold()
    counter.line()
    if action == "again":
        counter.line()
    if action == "release":
        counter.release()
    if action == "collector":
        counter.stop_collector()


@settings(deadline=None, max_examples=200)
@given(st.sampled_from([16, 32]), st.integers(0, 2**32 - 1), st.lists(ACTIONS, min_size=1, max_size=40))
def test_every_pulse_that_can_be_known(
    bits: int, first_count: int, actions: list[tuple[str, tuple[int, float]]]
) -> None:
    """The rows hold the pulses between good lines, all of them and no more, and damaged lines are counted as refused.

    Whatever happens: lost, doubled, late and damaged lines, wraps, starts of the device and of the collector, and pulses
    of before the first line.
    """
    counter = ModelCounter(bits=bits, first_count=first_count % 2**bits)
    counter.line()
    for action, step in actions:
        live(counter, action, step)
    counter.release()
    counter.end()

    assert volume(counter.rows, bits=bits) == counter.counted
    assert counter.refused == counter.damaged


def reading(at_s: float, count: int, *, restarted: bool = False) -> Dated:
    """A dated reading."""
    return Dated(meter=METER, count=count, at_ms=round(at_s * 1000), steady_ms=round(at_s * 1000), restarted=restarted)


def let_through(*readings: Dated, bits: int = 32, told: bool = True) -> tuple[list[tuple[int, bool]], list[int]]:
    """(count, restarted) of what came through, and counts of what was refused at the end."""
    gate = Gate({METER: bits})
    good = gate.let_through(readings, uptime_told=[METER] if told else [])
    gate.close()
    return [(each.count, each.restarted) for each in good], [each.count for each in gate.take_refused()]


def test_one_damaged_count_is_refused() -> None:
    """The reading after it follows the one before it."""
    good, refused = let_through(reading(0, 100), reading(1, 900_000), reading(2, 120))

    assert (good, refused) == ([(100, False), (120, False)], [900_000])


def test_a_count_that_falls_for_once_is_refused() -> None:
    """A damaged count below the last one is no restart and no wrap."""
    good, refused = let_through(reading(0, 50_000_000), reading(1, 3), reading(2, 50_000_020))

    assert (good, refused) == ([(50_000_000, False), (50_000_020, False)], [3])


@pytest.mark.parametrize(("told", "restarted"), [(True, True), (False, False)])
def test_a_jump_that_stays_is_believed(told: bool, restarted: bool) -> None:  # noqa: FBT001 - parametrised
    """Two readings that agree: the counter was replaced. Where uptime is told, none of the jump is volume."""
    good, refused = let_through(reading(0, 100), reading(1, 9_000_000), reading(2, 9_000_010), told=told)

    assert (good, refused) == ([(100, False), (9_000_000, restarted), (9_000_010, False)], [])


def test_two_different_damaged_counts_are_both_refused() -> None:
    """They agree with nothing."""
    good, refused = let_through(reading(0, 100), reading(1, 900_000), reading(2, 70_000_000), reading(3, 130))

    assert (good, refused) == ([(100, False), (130, False)], [900_000, 70_000_000])


def test_a_known_restart_needs_no_confirmation() -> None:
    """What was held back before it was damaged."""
    good, refused = let_through(reading(0, 100), reading(1, 900_000), reading(0.5, 2, restarted=True))

    assert (good, refused) == ([(100, False), (2, True)], [900_000])


def test_the_last_reading_is_not_believed_unconfirmed() -> None:
    """At a stop nothing will come to confirm it."""
    assert let_through(reading(0, 100), reading(1, 900_000)) == ([(100, False)], [900_000])


@given(st.integers(0, 2**16 - 1), st.integers(1, 12_000), st.floats(0, 1))
def test_what_a_meter_can_do_is_never_held_back(count: int, span_ms: int, share: float) -> None:
    """Up to the greatest rate, over a wrap too."""
    pulses = min(int(share * MOST_HZ * max(span_ms, 1000) / 1000), 2**16 - 1)
    good, refused = let_through(reading(0, count), reading(span_ms / 1000, (count + pulses) % 2**16), bits=16)

    assert (len(good), refused) == (2, [])
