"""A chunk of lines -> readings, all at once; what is out of the ordinary goes line by line through daemon.loading.exact."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.frames import Ints
from daemon.loading import exact
from daemon.loading.names import MeterNames
from daemon.loading.words import PAD, Mask, Text, Words, all_digits, digit, first_bytes, whole_numbers

NEWLINE, COMMA, RETURN = 10, 44, 13
MINUTE_MS = 60_000

# which bytes of a time's words must be digits, which are fixed: "2025-01-" "06T12:34" ":56.789Z" or ":56Z"
_DATE_DIGITS, _DATE_FIXED, _DATE = 0x00FFFF00FFFFFFFF, 0xFF0000FF00000000, 0x2D00002D00000000
_TIME_DIGITS, _TIME_FIXED, _TIME = 0xFFFF00FFFF00FFFF, 0x0000FF0000FF0000, 0x00003A0000540000
_MILLI_DIGITS, _MILLI_FIXED, _MILLI = 0x00FFFFFF00FFFF00, 0xFF000000FF0000FF, 0x5A0000002E00003A
_WHOLE_DIGITS, _WHOLE_FIXED, _WHOLE = 0x0000000000FFFF00, 0x00000000FF0000FF, 0x000000005A00003A
_MILLI_LENGTH, _WHOLE_LENGTH = 24, 20
_WORDS_BEFORE = 16  # bytes of a time before its seconds
_MONTH_DAYS = np.array([0, 31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """Readings as arrays, all [N]: column of the meter, UTC epoch ms, cumulative count, uptime in ms or NO_UPTIME."""

    column: Ints
    at_ms: Ints
    counted: Ints
    uptime_ms: Ints

    def __len__(self) -> int:
        return len(self.column)

    def take(self, which: Ints | Mask | slice) -> "Readings":
        """Some of the readings; of a slice, views."""
        return Readings(
            column=self.column[which],
            at_ms=self.at_ms[which],
            counted=self.counted[which],
            uptime_ms=self.uptime_ms[which],
        )


def joined(pieces: Sequence[Readings]) -> Readings:
    """The readings of one or more pieces, one after the other."""
    if len(pieces) == 1:
        return pieces[0]
    return Readings(
        column=np.concatenate([piece.column for piece in pieces]),
        at_ms=np.concatenate([piece.at_ms for piece in pieces]),
        counted=np.concatenate([piece.counted for piece in pieces]),
        uptime_ms=np.concatenate([piece.uptime_ms for piece in pieces]),
    )


class LineReader:
    """Reads chunks of one file's lines."""

    def __init__(self, layout: exact.Layout, refuse: Callable[[int, bytes, str], None]) -> None:
        """`refuse(line_no, line, reason)` is told of every line that is no reading."""
        self._layout = layout
        self._refuse = refuse
        self._names = MeterNames({name: column for name, (column, _beyond) in layout.meters.items()})
        self._beyond = np.zeros(1 + max((column for column, _ in layout.meters.values()), default=0), dtype=np.int64)
        for column, beyond in layout.meters.values():
            self._beyond[column] = beyond
        usual = (*exact.COLUMNS, exact.UPTIME)[: layout.fields]
        self._in_order = layout.place == {name: place for place, name in enumerate(usual)}
        self.lines = 1  # the header
        self.accepted = 0

    def read(self, padded: bytes) -> Readings:
        """Read whole lines, each ended by a newline, in the order of the file; with padding as `pad` gives it."""
        text = Text(padded)
        starts, ends, commas, good = _places(text, self._layout.fields - 1)
        if self._in_order:
            readings, good = self._ordinary(text, starts, ends, commas, good)
        else:
            blank = np.zeros(len(starts), dtype=np.int64)
            readings = Readings(column=blank, at_ms=blank.copy(), counted=blank.copy(), uptime_ms=blank.copy())
            good = np.zeros(len(starts), dtype=np.bool_)
        if not good.all():
            self._line_by_line(text, starts, ends, readings, good)
            readings = readings.take(good)
        self.lines += len(starts)
        self.accepted += len(readings)
        return readings

    def _line_by_line(self, text: Text, starts: Ints, ends: Ints, readings: Readings, good: Mask) -> None:
        """Read the lines that are not good one by one into their places."""
        for index in np.flatnonzero(~good).tolist():
            line = text.bytes[starts[index] : max(ends[index], starts[index])].tobytes()
            try:
                reading = exact.read_line(line, self._layout)
            except exact.LineRefused as refused:
                self._refuse(self.lines + 1 + index, line, str(refused))
                continue
            readings.column[index] = reading.column
            readings.at_ms[index] = reading.at_ms
            readings.counted[index] = reading.counted
            readings.uptime_ms[index] = reading.uptime_ms
            good[index] = True

    def _ordinary(self, text: Text, starts: Ints, ends: Ints, commas: list[Ints], good: Mask) -> tuple[Readings, Mask]:
        """Read every line as an ordinary one; which of them are, of those that have the right number of commas."""
        at_ms, good_time = _times(text, starts, commas[0] - starts, self._layout.latest_ms)
        column, good_name = self._names.columns(text, commas[0] + 1, commas[1])
        count_end = commas[2] if len(commas) > 2 else ends  # noqa: PLR2004 - with uptime
        counted, good_count = whole_numbers(text, commas[1] + 1, count_end)
        good = good & good_time & good_name & good_count & (counted < self._beyond.take(column))
        uptime_ms = np.full(len(starts), exact.NO_UPTIME, dtype=np.int64)
        if len(commas) > 2:  # noqa: PLR2004 - with uptime
            uptime_s, good_uptime = whole_numbers(text, commas[2] + 1, ends)
            good &= good_uptime & (uptime_s < 10**11)
            uptime_ms = uptime_s * 1000
        return Readings(column=column, at_ms=at_ms, counted=counted, uptime_ms=uptime_ms), good


def _places(text: Text, commas: int) -> tuple[Ints, Ints, list[Ints], Mask]:
    """Where each line starts and ends, where its commas are, one array a comma, and which lines have just so many."""
    newline, comma = text.bytes == NEWLINE, text.bytes == COMMA
    marks = np.flatnonzero(newline | comma)
    columns = [np.ascontiguousarray(marks[place :: commas + 1]) for place in range(commas + 1)]
    alike = len(columns[0]) == len(columns[-1]) and bool(newline.take(columns[-1]).all())
    alike = alike and all(bool(comma.take(column).all()) for column in columns[:-1])
    newlines = columns[-1] if alike else np.flatnonzero(newline)
    starts = np.concatenate([[PAD], newlines[:-1] + 1])
    ends = newlines - (text.bytes.take(newlines - 1) == RETURN)
    if alike:
        return starts, ends, columns[:-1], np.ones(len(starts), dtype=np.bool_)
    return starts, ends, *_commas(np.flatnonzero(comma), starts, ends, commas)


def _commas(places: Ints, starts: Ints, ends: Ints, wanted: int) -> tuple[list[Ints], Mask]:
    """Places of each line's commas, one array a comma, and which lines have just as many as wanted, of all commas."""
    first = np.searchsorted(places, starts)
    good = np.searchsorted(places, ends) - first == wanted
    padded = np.concatenate([places, np.full(wanted, PAD, dtype=np.int64)])
    return [np.where(good, padded[first + number], starts) for number in range(wanted)], good


def _times(text: Text, starts: Ints, length: Ints, latest_ms: int) -> tuple[Ints, Mask]:
    """UTC epoch ms of the times that start the lines, of some lengths; neighbouring lines mostly share them."""
    date, time, rest = text.neighbours(starts, 3)
    told = first_bytes(rest, length - _WORDS_BEFORE)  # behind whole seconds the meter's name begins
    differs = (date[1:] != date[:-1]) | (time[1:] != time[:-1]) | (told[1:] != told[:-1]) | (length[1:] != length[:-1])
    fresh = np.concatenate([[0], np.flatnonzero(differs) + 1]) if len(starts) else starts
    minute, good_minute = _minute_of(date[fresh], time[fresh])
    ms, good_ms = _milliseconds(rest[fresh], length[fresh])
    at_ms = minute * MINUTE_MS + ms
    good = good_minute & good_ms & (at_ms >= exact.EARLIEST_MS) & (at_ms <= latest_ms)
    shared = np.diff(np.concatenate([fresh, [len(starts)]]))
    return np.repeat(at_ms, shared), np.repeat(good, shared)


def _minute_of(date: Words, time: Words) -> tuple[Ints, Mask]:
    """UTC epoch minute of "2025-01-" and "06T12:34"."""
    good = _is_like(date, _DATE_DIGITS, _DATE_FIXED, _DATE) & _is_like(time, _TIME_DIGITS, _TIME_FIXED, _TIME)
    year = digit(date, 0) * 1000 + digit(date, 1) * 100 + digit(date, 2) * 10 + digit(date, 3)
    month = digit(date, 5) * 10 + digit(date, 6)
    day = digit(time, 0) * 10 + digit(time, 1)
    hour = digit(time, 3) * 10 + digit(time, 4)
    minute = digit(time, 6) * 10 + digit(time, 7)
    leap = (year % 4 == 0) & ((year % 100 != 0) | (year % 400 == 0))
    month_days = _MONTH_DAYS[np.clip(month, 0, 12)] - ((month == 2) & ~leap)  # noqa: PLR2004 - February
    good &= (month >= 1) & (month <= 12) & (day >= 1) & (day <= month_days) & (hour < 24) & (minute < 60)  # noqa: PLR2004 - calendar and clock
    return (_epoch_day(year, month, day) * 24 + hour) * 60 + minute, good


def _epoch_day(year: Ints, month: Ints, day: Ints) -> Ints:
    """Days since 1970-01-01 in the Gregorian calendar; years are counted from March, so that leap days come last."""
    year = year - (month <= 2)  # noqa: PLR2004 - February
    day_of_year = (153 * ((month + 9) % 12) + 2) // 5 + day - 1
    return year * 365 + year // 4 - year // 100 + year // 400 + day_of_year - 719_468


def _milliseconds(words: Words, length: Ints) -> tuple[Ints, Mask]:
    """Milliseconds within the minute, of times with whole seconds or three decimals, of some lengths."""
    second = digit(words, 1) * 10 + digit(words, 2)
    milli = digit(words, 4) * 100 + digit(words, 5) * 10 + digit(words, 6)
    with_milli = (length == _MILLI_LENGTH) & _is_like(words, _MILLI_DIGITS, _MILLI_FIXED, _MILLI)
    if not with_milli.all():
        whole = (length == _WHOLE_LENGTH) & _is_like(words, _WHOLE_DIGITS, _WHOLE_FIXED, _WHOLE)
        milli = np.where(whole, 0, milli)
        with_milli |= whole
    return second * 1000 + milli, with_milli & (second < 60)  # noqa: PLR2004 - the clock's face


def _is_like(words: Words, digits: int, fixed: int, pattern: int) -> Mask:
    """Whether words have digits and fixed characters in their places."""
    return np.asarray(((words & np.uint64(fixed)) == np.uint64(pattern)) & all_digits(words, digits), dtype=np.bool_)
