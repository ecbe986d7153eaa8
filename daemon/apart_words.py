"""What a plant's meters can tell apart, as a keeper reads it and as JSON."""

import itertools
from collections.abc import Iterator
from typing import Any

from analysis.telling_apart import Alike, ToldApart, kind_and_subject, part_of
from analysis.wording import place
from config.plant import GaugeKind
from daemon.tables import columns

AT_ONCE_H = 3.0
# Up to so many hours, and how that is said.
WITHIN = ((AT_ONCE_H, "at once"), (24.0, "within a day"), (168.0, "within a week"), (720.0, "within 30 days"))
NEVER = "not within 30 days"
SHOWN = 12
DAY_H = 24


def lines_of(apart: ToldApart, *, every_pair: bool) -> Iterator[str]:
    """The lines that a keeper reads; `every_pair` adds the whole table."""
    yield "which faults the meters tell apart, when a fifth of a flow is lost little by little:"
    yield f"  reckoned with {_basis(apart)}"
    yield f"  no {_instruments(apart)} of any plant tells, while the flow is steady:"
    yield "    within one branch, clogged media from a valve turned or a hose kinked"
    if GaugeKind.POWER not in apart.gauges.values():
        yield "    at the supply, a fouled impeller from a blocked intake, a restricted trunk or a lower speed"
    if apart.dry:
        yield f"  no water flows by these figures in {', '.join(apart.dry)}: nothing can be told of it"
    if apart.unseen:
        yield f"  not seen at all {_within_30_days()}: {'; '.join(_said(apart, name) for name in apart.unseen)}"
        yield "    a meter on the branch itself would show it"
    if apart.alike:
        yield f"  cannot be told apart here {_within_30_days()}:"
    for group in apart.alike[:SHOWN]:
        yield f"    {', or '.join(_said(apart, name) for name in group.faults)}"
        yield f"      {_what_decides(group)}"
    if len(apart.alike) > SHOWN:
        yield f"    and {len(apart.alike) - SHOWN} more groups: --pairs shows every pair"
    yield from _by_time(apart)
    if every_pair:
        yield from _table(apart)


def json_of(apart: ToldApart) -> dict[str, Any]:
    """The same for machines."""
    return {
        "isolability": [{"first": pair.first, "second": pair.second, "hours": pair.hours} for pair in apart.pairs],
        "alike": [
            {
                "faults": list(group.faults),
                "meters_that_would_decide": [{"run": meter.run, "hours": meter.hours} for meter in group.meters],
                "bucket_test_at": list(group.outlets),
                "bucket_test_decides": group.bucket_decides,
            }
            for group in apart.alike
        ],
        "unseen": list(apart.unseen),
        "dry": list(apart.dry),
        "reckoned_with": "commissioned plant" if apart.commissioned else "plant file and usual noise",
    }


def _basis(apart: ToldApart) -> str:
    if apart.commissioned:
        return "the plant and the noise of its meters as commissioned"
    return (
        "the plant file's figures and the usual noise of small meters (common practice, no source); "
        "after `clearbore commission`, with your own"
    )


def _instruments(apart: ToldApart) -> str:
    return "flow meter or gauge behind the pump" if apart.gauges else "flow meter"


def _within_30_days() -> str:
    return "(not within 30 days)"


def _said(apart: ToldApart, fault: str) -> str:
    return place(*kind_and_subject(fault), apart.gauges, part_of(fault))


def _what_decides(group: Alike) -> str:
    """A bucket test where there is an outlet to hold it under, and the best of the meters that could be added."""
    bucket = f"a bucket test at the outlet of {' or '.join(group.outlets)}"
    ways = [bucket] if group.bucket_decides else []
    if group.meters:
        best = group.meters[0]
        ways.append(f"one more meter, on {best.run} ({_time(best.hours)})")
    if ways:
        return f"would decide: {'; or '.join(ways)}"
    lone = "no single meter on another run would decide it"
    return f"{lone}; {bucket} tells the meter from the rest" if group.outlets else lone


def _time(hours: float) -> str:
    if hours <= AT_ONCE_H:
        return "at once"
    if hours <= DAY_H:
        return f"after {hours:.0f} hours"
    return f"after {hours / DAY_H:.0f} days"


def _by_time(apart: ToldApart) -> Iterator[str]:
    """The pairs that are told apart, the slowest first: the slow ones by name, the quick ones by number."""
    for (least, _), (most, words) in reversed(tuple(itertools.pairwise(WITHIN))):
        slow = [pair for pair in apart.pairs if pair.hours is not None and least < pair.hours <= most]
        if slow:
            yield f"  told apart {words}:"
        yield from (
            f"    {_said(apart, pair.first)}, or {_said(apart, pair.second)}: {_time(pair.hours or 0.0)}"
            for pair in slow[:SHOWN]
        )
        if len(slow) > SHOWN:
            yield f"    and {len(slow) - SHOWN} more pairs: --pairs shows them"
    most, words = WITHIN[0]
    quick = sum(pair.hours is not None and pair.hours <= most for pair in apart.pairs)
    if quick:
        rest = "every pair" if quick == len(apart.pairs) else f"{quick} of the {len(apart.pairs)} pairs"
        yield f"  told apart {words}: {rest}"


def _table(apart: ToldApart) -> Iterator[str]:
    """Every pair, the hardest first."""
    ordered = sorted(apart.pairs, key=lambda pair: -(pair.hours or float("inf")))
    rows = [
        (_said(apart, pair.first), _said(apart, pair.second), NEVER if pair.hours is None else _time(pair.hours))
        for pair in ordered
    ]
    yield "  every pair:"
    yield from (f"    {line}" for line in columns([("this", "or this", "told apart"), *rows]))
