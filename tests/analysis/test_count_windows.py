"""Pulses within windows of time: whole intervals between readings, and nothing that reaches out of a window."""

import numpy as np

from analysis.frames import Floats
from analysis.pulses import count_windows
from analysis.timeline import MinuteFrame

BITS = np.array([32, 16])
USUAL = np.array([2.0, 2.0])


def frame_of(*rows: tuple[int, int, int]) -> MinuteFrame:
    """Single readings: (column, seconds, count)."""
    column, at_s, counted = np.array(sorted(rows), dtype=np.int64).T
    nothing = np.zeros(len(column), dtype=np.int64)
    return MinuteFrame(
        column=column, end_ms=at_s * 1000, span_ms=nothing, counted=counted, pulses=nothing, restart=nothing
    )


def counted(frame: MinuteFrame, *windows_s: tuple[float, float]) -> tuple[Floats, Floats]:
    """Pulses and seconds of windows in seconds."""
    windows = [(round(start * 1000), round(end * 1000)) for start, end in windows_s]
    return count_windows(frame, windows, bits=BITS, usual_hz=USUAL)


def test_whole_intervals_only() -> None:
    """Readings each minute; a window from 50 s to 200 s holds those from 60 s to 180 s."""
    frame = frame_of(*((0, 60 * minute, 100 * minute) for minute in range(6)))

    pulses, seconds = counted(frame, (50, 200), (60, 180), (61, 110))

    assert pulses[:, 0].tolist() == [200, 200, 0]
    assert seconds[:, 0].tolist() == [120, 120, 0]


def test_each_meter_for_itself() -> None:
    """Two meters at times of their own."""
    frame = frame_of((0, 0, 0), (0, 60, 10), (1, 30, 5), (1, 90, 45))

    pulses, seconds = counted(frame, (0, 100))

    assert pulses.tolist() == [[10, 40]]
    assert seconds.tolist() == [[60, 60]]


def test_a_wrap_counts_on_and_a_restart_does_not() -> None:
    """A counter of 16 bits goes round; one of 32 bits that falls back was restarted."""
    frame = frame_of((0, 0, 900), (0, 60, 5), (0, 120, 125), (1, 0, 65_500), (1, 60, 84))

    pulses, seconds = counted(frame, (0, 130))

    assert pulses.tolist() == [[120, 120]]
    assert seconds.tolist() == [[60, 60]]


def test_a_long_gap_tells_nothing() -> None:
    """Nobody knows how the pump ran in eleven minutes without a reading."""
    pulses, _ = counted(frame_of((0, 0, 0), (0, 660, 1320)), (0, 700))

    assert pulses.tolist() == [[0, 0]]


def test_nothing_at_all() -> None:
    """No rows, no pulses."""
    empty = np.zeros(0, dtype=np.int64)
    frame = MinuteFrame(column=empty, end_ms=empty, span_ms=empty, counted=empty, pulses=empty, restart=empty)

    pulses, seconds = counted(frame, (0, 700))

    assert (pulses.tolist(), seconds.tolist()) == ([[0, 0]], [[0, 0]])


def test_rows_that_sum_up_a_minute() -> None:
    """What was counted within a row counts where the row lies inside, though its neighbours do not."""
    one = np.array([0, 0], dtype=np.int64)
    frame = MinuteFrame(
        column=one,
        end_ms=np.array([59_000, 119_000]),
        span_ms=np.array([58_000, 58_000]),
        counted=np.array([116, 236]),
        pulses=np.array([116, 116]),
        restart=one,
    )

    pulses, seconds = counted(frame, (60, 120), (0, 120))

    assert pulses[:, 0].tolist() == [116, 236]
    assert seconds[:, 0].tolist() == [58, 118]
