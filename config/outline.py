"""A plant in a few lines of text: its tree, and what its meters leave unseen."""

from collections.abc import Set as AbstractSet

from config.plant import (
    PUMP_NODE,
    Fitting,
    FittingKind,
    FixedK,
    Gauge,
    GaugeKind,
    Meter,
    MqttSource,
    MqttValue,
    Pipe,
    Plant,
    Run,
    SerialSource,
)
from config.units import show_bore, show_flow, show_head

_ENOUGH_METERS = 3  # a common factor needs three flows: their median survives one branch with a fault of its own


_TEES = frozenset({FittingKind.TEE_RUN, FittingKind.TEE_BRANCH})
_HEADINGS = ("run", "bore", "length", "node or outlet", "target", "meter", "can clog")


def outline(plant: Plant) -> tuple[str, ...]:
    """The pump, then the tree from the pump outward as a table, one line a run."""
    unit = plant.flow_unit
    (least_m3s, most_m), *_, (greatest_m3s, _) = plant.pump.curve
    shut_off = f"shut-off head {show_head(most_m, unit)}"
    head = f"{show_head(most_m, unit)} at {show_flow(least_m3s, unit)}" if least_m3s else shut_off
    pump = f"pump: {head}, curve to {show_flow(greatest_m3s, unit)}, at {plant.pump.speed * 100:.3g} % speed"
    rows = (_HEADINGS, *_below(plant, PUMP_NODE, ""))
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    table = ("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows)
    return (pump, *table)


def notes(plant: Plant) -> tuple[str, ...]:
    """What the plant file leaves open, and what follows from it; one sentence each."""
    return (
        *_left_out(plant),
        *_out_of_reach(plant),
        *_unmetered(plant),
        *_loose_meters(plant),
        *_unused(plant),
        *_clear_text(plant),
        *_back_flow(plant),
    )


def _below(plant: Plant, node: str, indent: str) -> tuple[tuple[str, ...], ...]:
    """The runs that start at a node as rows of the table, each with what lies behind it."""
    runs = [run for run in plant.runs if run.start == node]
    rows: list[tuple[str, ...]] = []
    for run in runs:
        last = run is runs[-1]
        rows.append((f"{indent}{'`- ' if last else '|- '}{run.name}", *_facts(plant, run)))
        if run.end is not None:
            rows.extend(_below(plant, run.end, indent + ("   " if last else "|  ")))
    return tuple(rows)


def _facts(plant: Plant, run: Run) -> tuple[str, ...]:
    """What a keeper wants to see of a run, in the order of the headings."""
    unit = plant.flow_unit
    pipes = [element for element in run.path if isinstance(element, Pipe)]
    bores = dict.fromkeys(show_bore(pipe.bore_m, unit) for pipe in pipes)
    outlet = "" if run.outlet_m is None else show_head(run.outlet_m, unit) + ", under water" * run.submerged
    return (
        ", ".join(bores),
        show_head(sum(pipe.length_m for pipe in pipes), unit),
        run.end or outlet,
        _target(run, unit),
        run.meter or "none",
        run.media or "",
    )


def _target(run: Run, unit: str) -> str:
    """The target in words; empty without one."""
    low, high = (run.target.low_m3s, run.target.high_m3s) if run.target else (None, None)
    if low is not None and high is not None:
        return f"{show_flow(low, unit)} to {show_flow(high, unit)}"
    if low is not None:
        return f"{show_flow(low, unit)} or more"
    return f"{show_flow(high, unit)} or less" if high is not None else ""


def _left_out(plant: Plant) -> tuple[str, ...]:
    """Losses that a path most likely forgets."""
    starts = [run.start for run in plant.runs]
    no_tee = (
        f'{run.name} goes out from {run.start}, and its path names no way through a tee: begin it with {{ tee = "branch" }}'
        ' or { tee = "run" }, else its loss is not counted'
        for run in plant.runs
        if run.start != PUMP_NODE and starts.count(run.start) > 1 and not _names(run, _TEES)
    )
    no_exit = (
        f"{run.name} ends under water, and its path names no exit: end it with {{ exit = true }}, else its loss is not counted"
        for run in plant.branches
        if run.submerged and not _names(run, {FittingKind.EXIT})
    )
    return (*no_tee, *no_exit)


def _names(run: Run, kinds: AbstractSet[FittingKind]) -> bool:
    """Whether a fitting of one of these kinds stands in the path, or a loss of the keeper's own that may hold it."""
    return any(
        isinstance(element, FixedK) or (isinstance(element, Fitting) and element.kind in kinds) for element in run.path
    )


def _out_of_reach(plant: Plant) -> tuple[str, ...]:
    """What the pump's curve at its speed can never give (affinity laws: flow ~ speed, head ~ speed squared)."""
    unit, speed = plant.flow_unit, plant.pump.speed
    (least_m3s, most_m), *_, (greatest_m3s, _) = plant.pump.curve
    too_high = tuple(
        f"{run.name}: its outlet lies above the pump's shut-off head of {show_head(most_m * speed**2, unit)} "
        "at this speed: no water gets there"
        for run in plant.branches
        if least_m3s == 0.0 and (run.outlet_m or 0.0) >= most_m * speed**2
    )
    wanted_m3s = sum(run.target.low_m3s or 0.0 for run in plant.branches if run.target)
    if wanted_m3s <= greatest_m3s * speed:
        return too_high
    wanted, given = show_flow(wanted_m3s, unit), show_flow(greatest_m3s * speed, unit)
    return (*too_high, f"the targets ask for {wanted} together, and the pump's curve ends at {given} at this speed")


def _clear_text(plant: Plant) -> tuple[str, ...]:
    """Passwords that anybody on the network can read."""
    return tuple(
        f"broker {broker.name}: without tls the user name and password cross the network in clear text"
        for broker in plant.brokers
        if broker.user is not None and not broker.tls
    )


def _unmetered(plant: Plant) -> tuple[str, ...]:
    """What cannot be seen for lack of meters."""
    metered = [run for run in plant.runs if run.meter]
    if not metered:
        return ("no run has a meter: flows can be predicted, but what a branch really gets cannot be seen",)
    blind = tuple(
        f"{run.name} has no meter: a fault in it shows only by what it does to the other flows, if at all"
        for run in plant.branches
        if not run.meter
    )
    if len(metered) >= _ENOUGH_METERS:
        return blind
    few = f"{len(metered)} metered run" + "s" * (len(metered) != 1)
    return (*blind, f"{few}: with fewer than three, a weak pump is hard to tell from a fault in a branch")


def _loose_meters(plant: Plant) -> tuple[str, ...]:
    """Meters that sit nowhere or are fed by nothing."""
    nowhere = (
        f"meter {meter.name} sits on no run: it is kept and shown, and takes no part in a diagnosis"
        for meter in plant.meters
        if plant.run_of_meter(meter.name) is None
    )
    unfed = (
        f"meter {meter.name} has no source: feed it from log files with `clearbore load`"
        for meter in plant.meters
        if meter.source is None
    )
    return (*nowhere, *unfed)


def _unused(plant: Plant) -> tuple[str, ...]:
    """Ports and brokers that no meter and no gauge names."""
    sources = (*(meter.source for meter in plant.meters), *(gauge.source for gauge in plant.gauges))
    ports = {source.port for source in sources if isinstance(source, SerialSource)}
    brokers = {source.broker for source in sources if isinstance(source, MqttSource | MqttValue)}
    idle = [f"serial port {port.name}" for port in plant.serial_ports if port.name not in ports]
    idle += [f"broker {broker.name}" for broker in plant.brokers if broker.name not in brokers]
    return tuple(f"{name} feeds no meter and no gauge" for name in idle)


def _back_flow(plant: Plant) -> tuple[str, ...]:
    """What a stopped pump lets drain."""
    under_water = [run.name for run in plant.branches if run.submerged and (run.outlet_m or 0.0) > 0.0]
    if plant.pump.check_valve or not under_water:
        return ()
    names = ", ".join(under_water)
    what = f"when it stops, water drains back through {names} until the outlet draws air"
    return (f"the pump has no check valve: {what}; see that the sump has room for it",)


def gauge_place(gauge: Gauge) -> str:
    """Where a gauge reads, in words."""
    what = f"pressure at the end of {gauge.run}" if gauge.reads is GaugeKind.PRESSURE else "power that the pump draws"
    live = _live(gauge.source)
    return f"{what}, from {'files' if live is None else f'{live},'} in {gauge.unit}"


def meter_feed(meter: Meter) -> str:
    """Where a meter's readings come from, in words."""
    return _live(meter.source) or "log files"


def _live(source: SerialSource | MqttSource | MqttValue | None) -> str | None:
    """What is listened to, in words; None where nothing is."""
    if source is None:
        return None
    if isinstance(source, SerialSource):
        return f"serial port {source.port}, channel {source.channel}"
    return f"broker {source.broker}, topic {source.topic}"
