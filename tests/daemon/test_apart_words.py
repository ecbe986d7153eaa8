"""What the meters can tell apart, as a keeper reads it."""

import pytest

from analysis.assessment import Isolability
from analysis.telling_apart import Alike, Decider, ToldApart
from daemon.apart_words import json_of, lines_of

SMALL = Alike(
    faults=("restriction:carbon", "meter:M4"),
    meters=(Decider(run="header", hours=336.0), Decider(run="riser", hours=480.0)),
    outlets=("carbon",),
    bucket_decides=True,
)
LONELY = Alike(
    faults=("restriction:raceway", "supply:pump", "meter:M1"), meters=(), outlets=("raceway",), bucket_decides=False
)


def apart(*hours: float | None, alike: tuple[Alike, ...] = (), unseen: tuple[str, ...] = ()) -> ToldApart:
    """Pairs that take so long."""
    pairs = tuple(
        Isolability(first=f"restriction:run {place}", second="supply:pump", hours=value)
        for place, value in enumerate(hours)
    )
    return ToldApart(pairs=pairs, alike=alike, unseen=unseen, dry=(), commissioned=False)


def test_a_group_says_what_would_decide() -> None:
    """In the words of the findings, with the soonest meter."""
    told = list(lines_of(apart(alike=(SMALL,)), every_pair=False))

    assert "    carbon is restricted, or meter M4 reads wrong" in told
    assert (
        "      would decide: a bucket test at the outlet of carbon; or one more meter, on header (after 14 days)"
        in told
    )


def test_a_group_that_nothing_decides() -> None:
    """A bucket speaks of the meter alone."""
    told = list(lines_of(apart(alike=(LONELY,)), every_pair=False))

    assert (
        "      no single meter on another run would decide it; "
        "a bucket test at the outlet of raceway tells the meter from the rest"
    ) in told


def test_pairs_are_told_by_how_long_they_take() -> None:
    """The slow ones by name, the quick ones by number."""
    told = list(lines_of(apart(1.0, 3.0, 6.0, 72.0, 720.0, None), every_pair=False))

    assert told[-7:] == [
        "  told apart within 30 days:",
        "    run 4 is restricted, or the supply has changed at pump, intake or trunk: after 30 days",
        "  told apart within a week:",
        "    run 3 is restricted, or the supply has changed at pump, intake or trunk: after 3 days",
        "  told apart within a day:",
        "    run 2 is restricted, or the supply has changed at pump, intake or trunk: after 6 hours",
        "  told apart at once: 2 of the 6 pairs",
    ]


def test_the_whole_table_begins_with_the_hardest() -> None:
    """Every pair once."""
    told = list(lines_of(apart(1.0, None, 48.0), every_pair=True))
    rows = told[told.index("  every pair:") + 2 :]

    assert [row.split("  ")[2] for row in rows] == ["run 1 is restricted", "run 2 is restricted", "run 0 is restricted"]
    assert [row.rsplit("  ", 1)[1] for row in rows] == ["not within 30 days", "after 2 days", "at once"]


@pytest.mark.parametrize("count", [12, 30])
def test_long_lists_are_cut_and_say_so(count: int) -> None:
    """The rest is a matter for --pairs."""
    told = list(lines_of(apart(*[48.0] * count), every_pair=False))

    assert sum("is restricted" in line for line in told) == 12
    assert any(f"and {count - 12} more pairs: --pairs" in line for line in told) is (count > 12)


def test_the_figures_that_it_rests_on_are_named() -> None:
    """Usual noise is common practice; what is seen by none is said."""
    told = "\n".join(lines_of(apart(1.0, unseen=("restriction:calcium",)), every_pair=False))

    assert "usual noise of small meters (common practice, no source)" in told
    assert "not seen at all (not within 30 days): calcium is restricted" in told


def test_machines_get_names_and_hours() -> None:
    """As `diagnose --json` has the pairs; hours are null for never."""
    told = json_of(apart(1.0, None, alike=(SMALL,)))

    assert told["isolability"][1] == {"first": "restriction:run 1", "second": "supply:pump", "hours": None}
    assert told["alike"] == [
        {
            "faults": ["restriction:carbon", "meter:M4"],
            "meters_that_would_decide": [{"run": "header", "hours": 336.0}, {"run": "riser", "hours": 480.0}],
            "bucket_test_at": ["carbon"],
            "bucket_test_decides": True,
        }
    ]
    assert told["reckoned_with"] == "plant file and usual noise"
