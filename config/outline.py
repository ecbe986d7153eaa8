"""A plant in a few lines of text: its tree, and what its meters leave unseen."""

from config.plant import PUMP_NODE, Meter, MqttSource, Pipe, Plant, Run, SerialSource
from config.units import show_bore, show_flow, show_head

_ENOUGH_METERS = 3  # a common factor needs three flows: their median survives one branch with a fault of its own


def outline(plant: Plant) -> tuple[str, ...]:
    """The tree from the pump outward, one line a run."""
    (_, shut_off_m), *_, (greatest_m3s, _) = plant.pump.curve
    pump = (
        f"pump: {show_head(shut_off_m, plant.flow_unit)} at the first point of its curve, "
        f"{show_flow(greatest_m3s, plant.flow_unit)} at the last, at {plant.pump.speed:.0%} speed"
    )
    return (pump, *_below(plant, PUMP_NODE, ""))


def notes(plant: Plant) -> tuple[str, ...]:
    """What the plant file leaves open, and what follows from it; one sentence each."""
    return (*_unmetered(plant), *_loose_meters(plant), *_unused(plant), *_back_flow(plant))


def _below(plant: Plant, node: str, indent: str) -> tuple[str, ...]:
    """The runs that start at a node, each with what lies behind it."""
    runs = [run for run in plant.runs if run.start == node]
    lines: list[str] = []
    for run in runs:
        last = run is runs[-1]
        lines.append(f"{indent}{'`-- ' if last else '|-- '}{run.name}: {'; '.join(_facts(plant, run))}")
        if run.end is not None:
            lines.extend(_below(plant, run.end, indent + ("    " if last else "|   ")))
    return tuple(lines)


def _facts(plant: Plant, run: Run) -> tuple[str, ...]:
    """What a keeper wants to see of a run."""
    unit = plant.flow_unit
    pipes = [element for element in run.path if isinstance(element, Pipe)]
    bores = list(dict.fromkeys(show_bore(pipe.bore_m) for pipe in pipes))
    facts = [f"{' then '.join(bores)} bore, {show_head(sum(pipe.length_m for pipe in pipes), unit)} long"]
    if run.end is not None:
        facts.append(f"to {run.end}")
    if run.outlet_m is not None:
        facts.append(f"outlet {show_head(run.outlet_m, unit)} above the sump" + (", under water" * run.submerged))
    if run.target is not None:
        facts.append(_target(run, unit))
    if run.media is not None:
        facts.append(f"can clog: {run.media}")
    facts.append(f"meter {run.meter}" if run.meter else "no meter")
    return tuple(facts)


def _target(run: Run, unit: str) -> str:
    """The target in words."""
    low, high = (run.target.low_m3s, run.target.high_m3s) if run.target else (None, None)
    if low is not None and high is not None:
        return f"target {show_flow(low, unit)} to {show_flow(high, unit)}"
    if low is not None:
        return f"target {show_flow(low, unit)} or more"
    return f"target {show_flow(high, unit)} or less" if high is not None else "no target"


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
    """Ports and brokers that no meter names."""
    ports = {meter.source.port for meter in plant.meters if isinstance(meter.source, SerialSource)}
    brokers = {meter.source.broker for meter in plant.meters if isinstance(meter.source, MqttSource)}
    idle = [f"serial port {port.name}" for port in plant.serial_ports if port.name not in ports]
    idle += [f"broker {broker.name}" for broker in plant.brokers if broker.name not in brokers]
    return tuple(f"{name} feeds no meter" for name in idle)


def _back_flow(plant: Plant) -> tuple[str, ...]:
    """What a stopped pump lets drain."""
    under_water = [run.name for run in plant.branches if run.submerged and (run.outlet_m or 0.0) > 0.0]
    if plant.pump.check_valve or not under_water:
        return ()
    names = ", ".join(under_water)
    what = f"when it stops, water drains back through {names} until the outlet draws air"
    return (f"the pump has no check valve: {what}; see that the sump has room for it",)


def meter_feed(meter: Meter) -> str:
    """Where a meter's readings come from, in words."""
    if isinstance(meter.source, SerialSource):
        return f"serial port {meter.source.port}, channel {meter.source.channel}"
    if isinstance(meter.source, MqttSource):
        return f"broker {meter.source.broker}, topic {meter.source.topic}"
    return "log files"
