"""What must make no difference to a finding: the order of lines, doubles, counters, names and units.

A few days of a sample story, through the command line from end to end, once as they are and once changed. The log comes
from the EPANET engine and a meter model (tests/stories). That the same rows come out of shuffled, doubled and cut files,
and the same hours out of restarts, is tested more widely in tests/daemon/loading and tests/analysis/test_pulses.
"""

import csv
import datetime as dt
import gzip
import itertools
import json
import random
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.support.simulated_log import run

SAMPLE_LOGS = Path(__file__).parents[1] / "sample_logs"
PLANT = (SAMPLE_LOGS / "lagoon_rack.toml").read_text(encoding="utf-8")
# The UV branch's valve is nudged on 18 September at 14:00.
FIRST, HEALTHY_TO, LAST = "2026-09-14T00", "2026-09-17T12:00:00Z", "2026-09-19T06"
RENAMED = {"M1": "north wheel", "M2": "sterile", "M3": "weir", "M4": "2", "M5": "zeta"}
US = {"L/h": ("gal/h", 1 / 3.785411784), "cm": ("in", 1 / 2.54), "m": ("ft", 1 / 0.3048)}

Line = tuple[str, str, int]
Lines = list[Line]


def story() -> Iterator[Line]:
    """The readings of these days; the two lines cut short that a sample log holds are left out."""
    with gzip.open(SAMPLE_LOGS / "valve_nudged.csv.gz", "rt", encoding="ascii") as log:
        for row in csv.reader(log):
            if len(row) == 3 and FIRST <= row[0] < LAST:
                yield row[0], row[1], int(row[2])


def as_it_is(lines: Lines) -> Lines:
    """Unchanged."""
    return lines


def shuffled(lines: Lines) -> Lines:
    """Lines up to a minute from where they were: a minute of this log is five lines."""
    shuffle = random.Random(4)  # noqa: S311 - no secret
    places = {place: place + 5 * shuffle.random() for place in range(len(lines))}
    return [lines[place] for place in sorted(places, key=places.__getitem__)]


def doubled(lines: Lines) -> Lines:
    """Every line a second time, somewhat later."""
    later = [(place + 7.5, line) for place, line in enumerate(lines)]
    return [line for _, line in sorted([*((float(place), line) for place, line in enumerate(lines)), *later])]


def of_16_bits(lines: Lines) -> Lines:
    """Counters that go round at 65536."""
    return [(at, meter, count % 2**16) for at, meter, count in lines]


def reset(lines: Lines) -> Lines:
    """Every counter starts again from nothing just after a reading, each twice in these days."""
    base: dict[str, int] = {}
    last: dict[str, int] = {}
    seen: dict[str, int] = dict.fromkeys(RENAMED, 0)
    changed = []
    for at, meter, count in lines:
        seen[meter] += 1
        if (seen[meter] + 211 * list(RENAMED).index(meter)) % 2500 == 0:
            base[meter] = last[meter]
        last[meter] = count
        changed.append((at, meter, count - base.get(meter, 0)))
    return changed


def renamed(lines: Lines) -> Lines:
    """Meters by other names, in another order of the alphabet."""
    return [(at, RENAMED[meter], count) for at, meter, count in lines]


def plant_of_16_bits() -> str:
    """Each meter with a counter of 16 bits."""
    return re.sub(r"(pulses_per_litre = \d+)", r"\1\ncounter_bits = 16", PLANT)


def plant_renamed() -> str:
    """Each meter by its other name."""
    return re.sub(r'"(M\d)"', lambda found: f'"{RENAMED[found[1]]}"', PLANT)


def plant_in_us_units() -> str:
    """The same plant in gallons, inches, feet and degrees Fahrenheit, and shown so."""
    text = re.sub(
        r'"([\d.]+) (L/h|cm|m)"', lambda found: f'"{float(found[1]) * US[found[2]][1]:.12f} {US[found[2]][0]}"', PLANT
    )
    text = text.replace('"25.5 degC"', '"77.9 degF"').replace('flow_unit = "L/h"', 'flow_unit = "gal/h"')
    assert text.count("gal/h") > 10
    return text


Findings = Callable[[str, Lines], dict[str, Any]]


@pytest.fixture(scope="module")
def lines() -> Lines:
    """Of the story."""
    return list(story())


@pytest.fixture(scope="module")
def diagnosed(tmp_path_factory: pytest.TempPathFactory) -> Findings:
    """Load, commission and diagnose."""

    def diagnose(plant: str, lines: Lines) -> dict[str, Any]:
        folder = tmp_path_factory.mktemp("rack")
        file, log = folder / "rack.toml", folder / "rack.csv"
        file.write_text(plant, encoding="utf-8")
        rows = itertools.chain([("time_utc", "meter", "pulses")], lines)
        log.write_text("".join(",".join(map(str, row)) + "\n" for row in rows), encoding="ascii")
        for words in (("load", file, log), ("commission", file, "--to", HEALTHY_TO)):
            done = run(*words)
            assert done.exit_code == 0, done.output
        told = run("diagnose", file, "--json")
        assert told.exit_code == 1, told.output
        found: dict[str, Any] = json.loads(told.stdout)
        return found

    return diagnose


@pytest.fixture(scope="module")
def plain(diagnosed: Findings, lines: Lines) -> dict[str, Any]:
    """What is found in the story as it is."""
    return diagnosed(PLANT, lines)


def nearly(value: Any, tolerance: float) -> Any:
    """A JSON value whose numbers may differ by a share."""
    if isinstance(value, dict):
        return {key: nearly(inner, tolerance) for key, inner in value.items()}
    if isinstance(value, list):
        return [nearly(inner, tolerance) for inner in value]
    return pytest.approx(value, rel=tolerance, abs=tolerance) if isinstance(value, float) else value


def gist(found: dict[str, Any], *, without: str = "") -> list[Any]:
    """Of every finding what it is called, when it was raised, its status and shape, and what it could be."""
    keys = ("id", "raised_at", "cleared_at", "status", "shape", "onset", "action")
    return [
        [
            *(finding[key] for key in keys if key != without),
            [(candidate["kind"], candidate["subject"]) for candidate in finding["candidates"]],
        ]
        for finding in found["findings"]
    ]


def test_there_is_something_to_find(plain: dict[str, Any]) -> None:
    """The UV branch is restricted: nothing found twice would prove nothing."""
    (finding,) = plain["findings"]

    assert (finding["candidates"][0]["kind"], finding["candidates"][0]["subject"]) == ("restriction", "uv")
    assert finding["shape"] == "step"


@pytest.mark.parametrize("change", [shuffled, doubled])
def test_order_and_doubles_make_no_difference(
    diagnosed: Findings, plain: dict[str, Any], lines: Lines, change: Callable[[Lines], Lines]
) -> None:
    """Lines up to a minute out of order, or all of them twice: every figure is the same."""
    changed = change(lines)

    assert changed != lines
    assert diagnosed(PLANT, changed) == plain


def test_narrow_counters_make_no_difference(diagnosed: Findings, plain: dict[str, Any], lines: Lines) -> None:
    """Counters of 16 bits that go round every few hours: the same finding.

    Figures may differ a little, for the restart of the story can look like going round on such a counter.
    """
    found = diagnosed(plant_of_16_bits(), of_16_bits(lines))

    assert gist(found) == gist(plain)
    assert found["findings"][0]["candidates"] == nearly(plain["findings"][0]["candidates"], 1e-3)


def test_names_make_no_difference(diagnosed: Findings, plain: dict[str, Any], lines: Lines) -> None:
    """Meters called otherwise: the same, but for the names."""
    called = re.sub(r"\bM[1-5]\b", lambda found: RENAMED[found[0]], json.dumps(plain))

    assert diagnosed(plant_renamed(), renamed(lines)) == json.loads(called)


def test_units_make_no_difference(diagnosed: Findings, plain: dict[str, Any], lines: Lines) -> None:
    """The plant file in US units: the same to what rounding leaves; JSON is in L/h whatever the keeper reads."""
    assert diagnosed(plant_in_us_units(), lines) == nearly(plain, 1e-5)


def test_restarts_make_no_finding(diagnosed: Findings, plain: dict[str, Any], lines: Lines) -> None:
    """Each costs the minute that it falls in: the same finding, raised a look later at most, in nearly the same figures."""
    changed = reset(lines)
    found = diagnosed(PLANT, changed)

    assert sum(count < 1000 for _, _, count in changed) > 5
    assert gist(found, without="raised_at") == gist(plain, without="raised_at")
    (finding,), (as_was,) = found["findings"], plain["findings"]
    raised, was = (dt.datetime.fromisoformat(one["raised_at"]) for one in (finding, as_was))
    assert abs(raised - was) <= dt.timedelta(minutes=10)
    assert finding["candidates"] == nearly(as_was["candidates"], 0.02)
