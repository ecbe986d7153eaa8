"""Two sums of one minute become one, whatever the order they come in."""

import itertools

from hypothesis import given
from hypothesis import strategies as st

from daemon.store.merging import MinuteRow, merge_parts, rate_mhz

Reading = tuple[int, int]


def summed(readings: list[Reading]) -> tuple[MinuteRow, ...]:
    """The slow, obvious sum of (ms, count) readings: a part for each stretch that does not run backward."""
    parts: list[list[Reading]] = []
    for reading in sorted(set(readings)):
        if not parts or reading[1] < parts[-1][-1][1]:
            parts.append([])
        parts[-1].append(reading)
    return tuple(_row(number, part) for number, part in enumerate(parts))


def _row(number: int, part: list[Reading]) -> MinuteRow:
    rates = [rate_mhz(after[1] - before[1], after[0] - before[0]) for before, after in itertools.pairwise(part)]
    return MinuteRow(
        minute=7,
        meter=1,
        part=number,
        counted=part[-1][1],
        pulses=part[-1][1] - part[0][1],
        at_ms=part[-1][0],
        span_ms=part[-1][0] - part[0][0],
        low_mhz=min(rates, default=None),
        high_mhz=max(rates, default=None),
        samples=len(part),
        restart=0,
    )


@st.composite
def minutes(draw: st.DrawFn) -> list[Reading]:
    """Readings of one minute, at times of their own; now and then the counter starts anew."""
    times = sorted(draw(st.sets(st.integers(0, 59_999), min_size=1, max_size=8)))
    counted, readings = draw(st.integers(0, 2**32 - 1000)), []
    for at_ms in times:
        counted = draw(st.one_of(st.integers(counted, counted + 50), st.integers(0, 5)))
        readings.append((at_ms, counted))
    return readings


@given(minutes(), st.data())
def test_neighbouring_pieces_give_the_whole_forward_and_backward(readings: list[Reading], data: st.DataObject) -> None:
    """A minute cut into pieces is the minute summed at once, restarts and all."""
    borders = [0, *sorted(data.draw(st.sets(st.integers(1, max(len(readings) - 1, 1)), max_size=3))), len(readings)]
    pieces = [readings[start:end] for start, end in itertools.pairwise(borders) if readings[start:end]]
    assert _merged(pieces) == _merged(pieces[::-1]) == summed(readings)


@given(minutes(), st.data())
def test_pieces_in_any_order_give_the_whole_volume(readings: list[Reading], data: st.DataObject) -> None:
    """Without a restart inside the minute any order gives the same span and pulses; at worst samples are missed."""
    rising = sorted(counted for _at_ms, counted in readings)
    readings = [(at_ms, counted) for (at_ms, _counted), counted in zip(readings, rising, strict=True)]
    pieces = data.draw(st.permutations([[reading] for reading in readings]))
    (merged,), (whole,) = _merged(pieces), summed(readings)
    assert (merged.counted, merged.pulses, merged.span_ms) == (whole.counted, whole.pulses, whole.span_ms)
    assert merged.samples <= whole.samples


def _merged(pieces: list[list[Reading]]) -> tuple[MinuteRow, ...]:
    merged = summed(pieces[0])
    for piece in pieces[1:]:
        merged = merge_parts(merged, summed(piece))
    return merged


@given(minutes(), minutes())
def test_merging_the_same_again_changes_nothing(one: list[Reading], other: list[Reading]) -> None:
    """Whatever two sums hold, merging the second one again leaves the row as it is."""
    merged = merge_parts(summed(one), summed(other))
    assert merge_parts(merged, merged) == merged
    if len(merged) == len(summed(one)) == len(summed(other)) == 1:
        assert merge_parts(merged, summed(other)) == merged


@given(minutes(), minutes())
def test_merging_does_not_depend_on_which_came_first(one: list[Reading], other: list[Reading]) -> None:
    """The first one stored has no privilege."""
    assert merge_parts(summed(one), summed(other)) == merge_parts(summed(other), summed(one))


@given(minutes(), st.data())
def test_interleaved_sums_keep_the_whole_volume(readings: list[Reading], data: st.DataObject) -> None:
    """Two halves that interleave reach from the first reading to the last, with all pulses between."""
    rising = [(at_ms, 100 + 3 * place) for place, (at_ms, _counted) in enumerate(readings)]
    chosen = data.draw(st.sets(st.sampled_from(rising), min_size=1))
    rest = [reading for reading in rising if reading not in chosen] or rising
    (merged,) = merge_parts(summed(list(chosen)), summed(rest))
    (whole,) = summed(rising)
    assert (merged.counted, merged.pulses, merged.span_ms) == (whole.counted, whole.pulses, whole.span_ms)


def test_a_known_restart_is_never_joined_over() -> None:
    """A part that came after a known restart stays a part, though its count runs on."""
    (before,) = summed([(1000, 5)])
    (after,) = summed([(2000, 9)])
    merged = merge_parts((before,), (after._replace(restart=1),))
    assert [(part.part, part.counted, part.restart) for part in merged] == [(0, 5, 0), (1, 9, 1)]


def test_of_contrary_sums_the_one_with_more_samples_stands() -> None:
    """Two counts for one moment cannot both be right."""
    many, few = summed([(0, 10), (1000, 12), (2000, 14)]), summed([(0, 900), (1500, 905)])
    assert merge_parts(few, many) == many
    assert merge_parts(many, few) == many
