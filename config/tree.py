"""What is wrong with the tree of runs and with the names that the tables of a plant file call each other by.

Works on the raw file, so that these faults are told together with those of single values.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from config.elements import BORE_KEYS
from config.flaws import NAMED_LISTS, Flaw, close_to
from config.gauge_units import POWER, PRESSURE, SI_UNITS, UNITS_OF
from config.plant import PUMP_NODE

_WORDS = {"run": "run", "meter": "meter", "gauge": "gauge", "serial": "serial port", "mqtt": "broker"}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Run:
    """What the tree needs to know of a run; None where the file does not say it as text."""

    place: int
    name: str | None
    start: str | None
    end: str | None
    table: Mapping[str, Any]


def tree_flaws(raw: Mapping[str, Any]) -> list[Flaw]:
    """Every flaw of the tree and of the names across tables."""
    runs = [
        _Run(place=place, name=_text(table, "name"), start=_text(table, "from"), end=_text(table, "to"), table=table)
        for place, table in _tables(raw, "run")
    ]
    return [
        *_duplicate_names(raw),
        *_ends(runs),
        *_nodes(runs),
        *_loops(runs),
        *_whole(runs),
        *_bores(runs),
        *_meters(raw, runs),
        *_gauges(raw, runs),
        *_one_power(raw),
        *_sources(raw),
        *_ports(raw),
    ]


def _tables(raw: Mapping[str, Any], kind: str) -> list[tuple[int, Mapping[str, Any]]]:
    """The entries of a list of tables that are tables, with their places."""
    entries = raw.get(kind)
    return (
        [(place, entry) for place, entry in enumerate(entries) if isinstance(entry, dict)]
        if isinstance(entries, list)
        else []
    )


def _text(table: Mapping[str, Any], key: str) -> str | None:
    """A text of a table, None for anything else."""
    value = table.get(key)
    return value if isinstance(value, str) else None


def _duplicate_names(raw: Mapping[str, Any]) -> Iterator[Flaw]:
    """Names are unique within their kind."""
    for kind in NAMED_LISTS:
        seen: set[str] = set()
        for place, table in _tables(raw, kind):
            name = _text(table, "name")
            if name in seen:
                yield Flaw(
                    path=(kind, place, "name"),
                    what=f"another {_WORDS[kind]} is called {name!r}: give each its own name",
                )
            seen |= {name} if name is not None else set()


def _ends(runs: Iterable[_Run]) -> Iterator[Flaw]:
    """A run ends at a node or at an outlet; some keys belong to branches alone."""
    for run in runs:
        inner, branch = "to" in run.table, "outlet" in run.table
        if inner and branch:
            yield Flaw(
                path=("run", run.place, "outlet"), what="a run has `to` (a node) or `outlet` (a branch), not both"
            )
        if not inner and not branch:
            yield Flaw(
                path=("run", run.place),
                what='where does it end? Write to = "tee 2" for a node, or outlet = "20 cm" for a branch',
            )
        if inner and not branch:
            yield from (
                Flaw(
                    path=("run", run.place, key),
                    what=f"`{key}` belongs to a branch; this run ends at a node: take it out",
                )
                for key in ("target", "media", "submerged")
                if key in run.table
            )


def _nodes(runs: list[_Run]) -> Iterator[Flaw]:
    """One run ends at each node, one or more start there."""
    ended_by: dict[str, _Run] = {}
    for run in runs:
        if run.end is None:
            continue
        path = ("run", run.place, "to")
        if run.end == PUMP_NODE:
            yield Flaw(path=path, what="no run leads back to the pump: give this node another name")
        elif run.end in ended_by:
            other = ended_by[run.end].name
            yield Flaw(path=path, what=f"run {other!r} ends at {run.end!r} too: one run only may end at a node")
        ended_by.setdefault(run.end, run)
    led_on = {None, PUMP_NODE, *(run.start for run in runs)}
    for run in runs:
        if run.end not in led_on and "outlet" not in run.table:
            what = f'leads nowhere: no run starts at {run.end!r}; write from = "{run.end}" in the run that goes on, or an outlet here'
            yield Flaw(path=("run", run.place, "to"), what=what)
        if run.start is not None and run.start != PUMP_NODE and run.start not in ended_by:
            yield Flaw(path=("run", run.place, "from"), what=_no_such_node(run.start, runs))


def _no_such_node(start: str, runs: list[_Run]) -> str:
    """No run ends where this one starts."""
    nodes = [run.end for run in runs if run.end is not None]
    meant = next((run.end for run in runs if run.name == start and run.end is not None), None)
    hint = f", did you mean {meant!r}, where that run ends?" if meant else close_to(start, [PUMP_NODE, *nodes])
    return f'no run ends at {start!r}{hint or ":"} write "pump" or a node that another run names in `to`'


def _loops(runs: list[_Run]) -> Iterator[Flaw]:
    """Upstream of every run lies the pump, never the run itself."""
    ended_by: dict[str, _Run] = {}
    for run in runs:
        if run.end is not None:
            ended_by.setdefault(run.end, run)
    settled: set[int] = set()
    for run in runs:
        upstream = _upstream(run, ended_by, settled)
        settled |= set(upstream)
        for loop in _loop_in(upstream, ended_by):
            names = " -> ".join(str(part.name) for part in loop)
            yield Flaw(
                path=("run", min(part.place for part in loop), "from"),
                what=f"a loop: {names} lead back to where they start; a manifold is a tree from the pump outward",
            )


def _upstream(run: _Run, ended_by: Mapping[str, _Run], settled: set[int]) -> dict[int, _Run]:
    """This run and those upstream of it by place, up to the pump, to a run met twice, or to one settled before."""
    upstream: dict[int, _Run] = {}
    at: _Run | None = run
    while at is not None and at.place not in upstream and at.place not in settled:
        upstream[at.place] = at
        at = _feeder(at, ended_by)
    return upstream


def _feeder(run: _Run, ended_by: Mapping[str, _Run]) -> _Run | None:
    """The run that ends where this one starts."""
    return ended_by.get(run.start) if run.start is not None and run.start != PUMP_NODE else None


def _loop_in(upstream: Mapping[int, _Run], ended_by: Mapping[str, _Run]) -> Iterator[list[_Run]]:
    """The loop that a way upstream ends in, in the direction of flow; none if it ends elsewhere."""
    way = list(upstream.values())
    last = _feeder(way[-1], ended_by) if way else None
    if last in way:
        yield way[way.index(last) :][::-1]


def _whole(runs: list[_Run]) -> Iterator[Flaw]:
    """The tree has a root and at least one branch."""
    if not runs:
        return
    if all("outlet" not in run.table for run in runs):
        yield Flaw(path=("run",), what='no run is a branch: give at least one an outlet, like outlet = "20 cm"')
    if all(run.start is not None and run.start != PUMP_NODE for run in runs):
        yield Flaw(path=("run",), what='no run starts at the pump: write from = "pump" in the first one')


def _bores(runs: Iterable[_Run]) -> Iterator[Flaw]:
    """Every run has a bore, which its fittings refer to."""
    for run in runs:
        path = run.table.get("path")
        if isinstance(path, list) and path and not any(isinstance(e, dict) and BORE_KEYS & e.keys() for e in path):
            what = 'no pipe: without a bore nothing can be worked out; write its { pipe = "1 in sch 40", length = "30 cm" }'
            yield Flaw(path=("run", run.place, "path"), what=what)


def _meters(raw: Mapping[str, Any], runs: Iterable[_Run]) -> Iterator[Flaw]:
    """A run's meter exists and sits on that run only."""
    meters = [name for _, table in _tables(raw, "meter") if (name := _text(table, "name")) is not None]
    sits_on: dict[str, str | None] = {}
    for run in runs:
        meter = _text(run.table, "meter")
        if meter is None:
            continue
        path = ("run", run.place, "meter")
        if meter not in meters:
            hint = close_to(meter, meters) or ": write a [[meter]] table of that name"
            yield Flaw(path=path, what=f"there is no meter {meter!r}{hint}")
        if meter in sits_on:
            yield Flaw(path=path, what=f"meter {meter!r} sits on run {sits_on[meter]!r} already: a meter is on one run")
        sits_on.setdefault(meter, run.name)


def _gauges(raw: Mapping[str, Any], runs: Iterable[_Run]) -> Iterator[Flaw]:
    """A gauge reads where an inner run ends, and is no meter's namesake: findings name either."""
    known = {run.name: run for run in runs if run.name is not None}
    meters = {_text(table, "name") for _, table in _tables(raw, "meter")}
    for place, gauge in _tables(raw, "gauge"):
        name, on = _text(gauge, "name"), _text(gauge, "run")
        if name is not None and name in meters:
            yield Flaw(path=("gauge", place, "name"), what=f"a meter is called {name!r}: give each its own name")
        yield from _of_its_kind(place, gauge)
        if on is None:
            continue
        path = ("gauge", place, "run")
        if on not in known:
            hint = close_to(on, list(known)) or ": write the name of an inner run"
            yield Flaw(path=path, what=f"there is no run {on!r}{hint}")
        elif known[on].end is None:
            yield Flaw(
                path=path,
                what=f"run {on!r} ends at an outlet, whose pressure is always the same: name a run that ends at a node",
            )


def _of_its_kind(place: int, gauge: Mapping[str, Any]) -> Iterator[Flaw]:
    """What a gauge needs by what it reads, and what has no meaning there."""
    reads, unit = _text(gauge, "reads"), _text(gauge, "unit")
    if reads is None or reads not in UNITS_OF:
        return
    path: tuple[str | int, ...] = ("gauge", place)
    if unit in SI_UNITS and unit not in UNITS_OF[reads]:
        offered = ", ".join(f'"{name}"' for name in UNITS_OF[reads])
        yield Flaw(path=(*path, "unit"), what=f'"{unit}" is no unit of {reads}: write one of {offered}')
    if reads == PRESSURE and "run" not in gauge:
        yield Flaw(path=(*path, "run"), what="missing: name the inner run at whose end the gauge reads")
    for key in ("run", "height"):
        if reads == POWER and key in gauge:
            what = "a gauge of power reads the pump, wherever it is: take this line out"
            yield Flaw(path=(*path, key), what=what)


def _one_power(raw: Mapping[str, Any]) -> Iterator[Flaw]:
    """There is one pump, so one gauge of its power."""
    read = [(place, gauge) for place, gauge in _tables(raw, "gauge") if _text(gauge, "reads") == POWER]
    for place, _ in read[1:]:
        first = _text(read[0][1], "name")
        what = f"gauge {first!r} reads the pump's power already: keep one of them"
        yield Flaw(path=("gauge", place, "reads"), what=what)


def _sources(raw: Mapping[str, Any]) -> Iterator[Flaw]:
    """A source names a port or broker of the file, and feeds one meter or gauge."""
    known = {
        kind: [name for _, t in _tables(raw, kind) if (name := _text(t, "name")) is not None]
        for kind in ("serial", "mqtt")
    }
    for listed, keys_of, each in (
        ("meter", {"serial": ("channel",), "mqtt": ("topic", "pulses")}, "each meter has a count of its own"),
        ("gauge", {"serial": ("channel",), "mqtt": ("topic", "value")}, "each gauge has a value of its own"),
    ):
        fed: dict[tuple[object, ...], str | None] = {}
        for place, table in _tables(raw, listed):
            source = table.get("source")
            if not isinstance(source, dict):
                continue
            kind = "serial" if "serial" in source else "mqtt"
            name = _text(source, kind)
            path = (listed, place, "source")
            if name is not None and name not in known[kind]:
                hint = close_to(name, known[kind]) or f": write a [[{kind}]] table of that name"
                yield Flaw(path=(*path, kind), what=f"there is no {_WORDS[kind]} {name!r}{hint}")
            keys = keys_of[kind]
            said = (kind, name, *(str(source.get(key, "")) for key in keys))
            if name is not None and keys[0] in source and said in fed:
                yield Flaw(path=path, what=f"{listed} {fed[said]!r} is fed from the same {keys[0]}: {each}")
            fed.setdefault(said, _text(table, "name"))


def _ports(raw: Mapping[str, Any]) -> Iterator[Flaw]:
    """Two readers on one port would steal each other's bytes."""
    seen: dict[str, str | None] = {}
    for place, table in _tables(raw, "serial"):
        port = _text(table, "port")
        if port is not None and port in seen:
            what = f"serial port {seen[port]!r} is this port already: one [[serial]] table serves all its channels"
            yield Flaw(path=("serial", place, "port"), what=what)
        if port is not None:
            seen.setdefault(port, _text(table, "name"))
