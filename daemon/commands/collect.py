"""`clearbore collect`: check everything, then become the lean collecting process."""

import dataclasses
import functools
import hashlib
import importlib.util
import os
import pathlib
import socket
import sys
import tempfile
from typing import Any

import click

from config.errors import Fault, PlantFileError
from config.gauge_units import PLAUSIBLE, SI_UNITS
from config.load import load_plant
from config.plant import Broker, Gauge, Meter, MqttSource, MqttValue, Plant, SerialPort, SerialSource
from config.settings import PlantFile
from daemon import clock
from daemon.jobs.calendar import times_around
from daemon.jobs.names import ASSESS, NIGHTLY, WEEKLY
from daemon.plan import (
    BrokerPlan,
    CollectPlan,
    FeedPlan,
    GaugeChannelPlan,
    GaugeFeedPlan,
    JobsPlan,
    PortPlan,
    to_json,
)
from daemon.store.opening import default_path
from daemon.store.prepare import prepare_store, updated_text
from daemon.upkeep import catch_up


@click.command(
    name="collect",
    epilog="Exit codes: 0 stopped cleanly; 69 nothing was read within --seconds; 74 the database cannot be written;"
    " 78 the plant file has faults.",
)
@click.argument("plant", type=click.Path(path_type=pathlib.Path))
@click.option(
    "--db",
    type=click.Path(path_type=pathlib.Path),
    help="The database.  [default: beside the plant file, with the suffix .db]",
)
@click.option("--seconds", type=click.FloatRange(min=0, min_open=True), help="Stop after so many seconds.")
@click.option(
    "--no-jobs",
    is_flag=True,
    help="Only collect: no judgement every ten minutes, no nightly copy, no weekly report beside it.",
)
def command(plant: pathlib.Path, *, db: pathlib.Path | None, seconds: float | None, no_jobs: bool) -> None:
    """Collect readings from the meters of PLANT until stopped (Ctrl-C, or SIGTERM by a service manager).

    A port or broker that fails is tried again for ever and does not keep the others from being read. What is
    collected is in the database once a minute, and at once when stopping. Watch it with `clearbore status PLANT`.
    """
    plant_file = load_plant(plant)
    plan = make_plan(plant_file, db or default_path(plant), seconds=seconds)
    if seconds is None and not no_jobs:
        plan = dataclasses.replace(plan, jobs=make_jobs_plan(plant_file, now_s=clock.now_s()))
    backup = prepare_store(plan.db)
    if backup is not None:
        click.echo(updated_text(backup), err=True)
    catch_up(plant_file, plan.db, now_s=clock.now_s())
    _become(plan)


def make_plan(plant_file: PlantFile, db: pathlib.Path, *, seconds: float | None = None) -> CollectPlan:
    """What the collecting process must know.

    Raises:
        PlantFileError: no meter and no gauge has a source, or two ports are one device.
    """
    plant = plant_file.plant
    sourced = [meter for meter in plant.meters if meter.source is not None]
    gauges = tuple(gauge.name for gauge in plant.gauges if gauge.source is not None)
    if not sourced and not gauges:
        what = 'no meter or gauge has a source: give one `source = { serial = "NAME", channel = 1 }` or `{ mqtt = "NAME", ... }`'
        raise PlantFileError(plant_file.path, (Fault(line=0, where="meter", what=what),))
    _refuse_twins(plant_file)
    folder = pathlib.Path(plant_file.path).absolute().parent
    port_plan = functools.partial(_port_plan, plant)
    broker_plan = functools.partial(_broker_plan, plant, folder)
    return CollectPlan(
        plant=plant.name,
        db=str(db.absolute()),
        bits={meter.name: meter.counter_bits for meter in sourced},
        gauges=gauges,
        ports=tuple(port for port in map(port_plan, plant.serial_ports) if port.channels or port.gauges),
        brokers=tuple(broker for broker in map(broker_plan, plant.brokers) if broker.feeds or broker.gauges),
        quarantine_kept_lines=plant_file.settings.store.quarantine_kept_lines,
        clock_set_file=plant_file.settings.store.clock_set_file,
        seconds=seconds,
    )


JOB_NEEDS = {NIGHTLY: (), ASSESS: ("numpy",), WEEKLY: ("numpy", "matplotlib", "jinja2")}
"""What a job cannot do without, beside the base install."""


def make_jobs_plan(plant_file: PlantFile, *, now_s: float) -> JobsPlan:
    """What is done beside the collecting, as far as this install can, and when from now (UTC epoch seconds) on."""
    timezone, weekly_on = plant_file.plant.timezone, plant_file.settings.report.weekly_on
    names = tuple(name for name, needs in JOB_NEEDS.items() if all(map(importlib.util.find_spec, needs)))
    return JobsPlan(
        plant_file=str(pathlib.Path(plant_file.path).absolute()),
        names=names,
        timezone=timezone,
        weekly_on=weekly_on,
        times=times_around(now_s, timezone=timezone, weekly_on=weekly_on),
    )


def _refuse_twins(plant_file: PlantFile) -> None:
    """Two names of one device would steal each other's bytes."""
    seen: dict[str, str] = {}
    for port in plant_file.plant.serial_ports:
        device = os.path.realpath(port.port)
        if device in seen:
            what = f"the same device as serial {seen[device]!r} ({device}): use one entry and its channels"
            raise PlantFileError(plant_file.path, (Fault(line=0, where=f"serial {port.name}", what=what),))
        seen[device] = port.name


def _port_plan(plant: Plant, port: SerialPort) -> PortPlan:
    """A port with the meters and gauges on its channels."""
    channels = tuple(
        (meter.source.channel, meter.name)
        for meter in plant.meters
        if isinstance(meter.source, SerialSource) and meter.source.port == port.name
    )
    gauges = tuple(
        GaugeChannelPlan(channel=gauge.source.channel, **_range_of(gauge))
        for gauge in plant.gauges
        if isinstance(gauge.source, SerialSource) and gauge.source.port == port.name
    )
    return PortPlan(name=port.name, port=port.port, baud=port.baud, channels=channels, gauges=gauges)


def _broker_plan(plant: Plant, folder: pathlib.Path, broker: Broker) -> BrokerPlan:
    """A broker with the meters and gauges on its topics; files are named from the plant file's folder."""
    feeds = tuple(feed for meter in plant.meters if (feed := _feed_plan(meter, broker)) is not None)
    return BrokerPlan(
        name=broker.name,
        host=broker.host,
        port=broker.port,
        client_id=_client_id(plant.name, broker.name, folder),
        feeds=feeds,
        gauges=tuple(
            GaugeFeedPlan(topic=gauge.source.topic, value=gauge.source.value, **_range_of(gauge))
            for gauge in plant.gauges
            if isinstance(gauge.source, MqttValue) and gauge.source.broker == broker.name
        ),
        tls=broker.tls,
        ca_file=_beside(folder, broker.ca_file),
        user=broker.user,
        password_file=_beside(folder, broker.password_file),
        password_credential=broker.password_credential,
    )


def _feed_plan(meter: Meter, broker: Broker) -> FeedPlan | None:
    """A meter on a topic of this broker; None for the others."""
    source = meter.source
    if not isinstance(source, MqttSource) or source.broker != broker.name:
        return None
    return FeedPlan(
        topic=source.topic, meter=meter.name, bits=meter.counter_bits, pulses=source.pulses, uptime=source.uptime
    )


def _range_of(gauge: Gauge) -> dict[str, Any]:
    """A gauge's name, and what no plant of this kind shows less or more of, in its unit."""
    scale = SI_UNITS[gauge.unit]
    least, most = PLAUSIBLE[gauge.reads]
    return {"gauge": gauge.name, "least": least / scale, "most": most / scale}


def _client_id(plant: str, broker: str, folder: pathlib.Path) -> str:
    """The same from start to start, and not that of a second collector elsewhere, which would end our session."""
    identity = "\0".join((socket.gethostname(), str(folder), plant, broker))
    return f"clearbore-{hashlib.sha256(identity.encode()).hexdigest()[:12]}"


def _beside(folder: pathlib.Path, name: str | None) -> str | None:
    """A file named in the plant file."""
    return None if name is None else str(folder / name)


def _become(plan: CollectPlan) -> None:
    """Replace this process, and all that it has imported, by the lean one; the plan goes through an unlinked file."""
    with tempfile.TemporaryFile("w+", encoding="utf-8") as file:
        file.write(to_json(plan))
        file.flush()
        file.seek(0)
        os.set_inheritable(file.fileno(), True)
        sys.stdout.flush()
        sys.stderr.flush()
        environment = os.environ | _import_path()
        arguments = [sys.executable, "-P", "-m", "daemon.collecting", str(file.fileno())]
        os.execve(sys.executable, arguments, environment)  # noqa: S606 - this very interpreter, no shell


def _import_path() -> dict[str, str]:
    """What the lean process needs to find this program, which it does not look for in the working folder.

    Nothing if it is installed; for a mere checkout, its folder.
    """
    home = str(pathlib.Path(__file__).absolute().parents[2])
    if home in sys.path[1:]:
        return {}
    before = os.environ.get("PYTHONPATH", "")
    return {"PYTHONPATH": os.pathsep.join(filter(None, (home, before)))}
