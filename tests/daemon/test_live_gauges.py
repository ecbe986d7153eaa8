"""What gauges show, from their sources into the database, through the collector and through the command."""

import csv
import json
import pathlib
import re
import sqlite3
from collections.abc import Iterator

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from config.load import load_plant
from daemon import clock
from daemon.batch_store import BatchStore
from daemon.clock_sign import ClockSign
from daemon.commands.collect import make_plan
from daemon.plan import GaugeChannelPlan, GaugeFeedPlan, from_json, to_json
from daemon.readings import Arrival, GaugeValue
from daemon.rig import Rig
from daemon.store import writer
from daemon.store.gauge_rows import GaugeRow
from daemon.store.gauges import gauge_ids
from daemon.store.prepare import prepare_store
from daemon.wire import encode_values
from tests.support.collecting_process import RUNS, collecting, plant_file
from tests.support.collecting_process import rows as rows_of
from tests.support.databases import rows
from tests.support.mosquitto import Mosquitto
from tests.support.scripted_collecting import run as run_script
from tests.support.scripted_collecting import state
from tests.support.simulated_log import run
from tests.support.waiting import wait_until


@pytest.fixture
def db(tmp_path: pathlib.Path) -> pathlib.Path:
    """A prepared database."""
    prepare_store(tmp_path / "plant.db")
    return tmp_path / "plant.db"


@pytest.fixture(autouse=True)
def _quick_rounds(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rounds short enough for a test."""
    monkeypatch.setattr("daemon.collector.TICK_S", 0.05)


@pytest.fixture
def rig(tmp_path: pathlib.Path) -> Iterator[Rig]:
    """A counter that sends ten lines a second."""
    with Rig([50.0], period_ms=100, link=tmp_path / "counter") as rig:
        yield rig


GAUGES = """
[[gauge]]
name = "header"
reads = "pressure"
run = "riser"
unit = "kPa"
source = { serial = "bench", channel = 1 }
[[gauge]]
name = "mains"
reads = "power"
unit = "kW"
source = { mqtt = "shed", topic = "rack/2", value = "/power" }
"""


def test_gauges_of_port_and_broker(tmp_path: pathlib.Path, rig: Rig, broker: Mosquitto) -> None:
    """Beside the meters of both: in the database at the stop, in `status` and in `export`; the process stays lean."""
    plant = plant_file(tmp_path, broker=broker.port)
    plant.write_text(plant.read_text() + GAUGES)
    device = mqtt.Client(CallbackAPIVersion.VERSION2)
    device.connect("127.0.0.1", broker.port)
    device.loop_start()
    with collecting(plant) as process:
        wait_until(lambda: process.log.count("source_up") == 2)
        for second, kilowatts in ((1, 0.05), (2, 11.0)):
            rig.send_raw(encode_values(uptime_ms=1000 * second, values=[20.0 + second]))
            message = json.dumps({"pulses": second, "uptime_s": second, "power": kilowatts})
            device.publish("rack/2", message, qos=1).wait_for_publish(10)
        maps = pathlib.Path(f"/proc/{process.popen.pid}/maps").read_text()
        wait_until(lambda: rig.uptime_ms >= 3000)
        assert process.end() == 0
    device.disconnect()
    device.loop_stop()

    found = {row[0]: row[1] for row in rows_of(plant, "SELECT name, mean FROM gauge_minute JOIN gauge ON id = gauge")}
    assert found["header"] in {21.0, 21.5, 22.0}  # both, or the later one where they came at once
    assert found["mains"] == 0.05
    assert rows_of(plant, "SELECT reason, times FROM rejected") == [("mains: value at /power that cannot be", 1)]
    assert "numpy" not in maps
    shown = run("status", plant).stdout
    assert re.search(r"mains +\S+ (s|min) ago +0\.05 kW", shown), shown
    said = json.loads(run("status", plant, "--json").stdout)
    assert [(gauge["name"], gauge["source"], gauge["silent"]) for gauge in said["gauges"]] == [
        ("header", "serial:bench", False),
        ("mains", "mqtt:shed", False),
    ]
    out = tmp_path / "gauges.csv"
    assert run("export", plant, "--what", "gauges", "--out", out).exit_code == 0
    with out.open(encoding="utf-8") as file:
        lines = list(csv.DictReader(file))
    assert {(line["gauge"], line["reads"], line["unit"]) for line in lines} == {
        ("header", "pressure", "kPa"),
        ("mains", "power", "kW"),
    }
    assert {float(line["mean"]) for line in lines if line["gauge"] == "mains"} == {0.05}


def test_gauges_alone_can_be_collected(tmp_path: pathlib.Path) -> None:
    """Where all meters are fed from files."""
    plant = tmp_path / "cove.toml"
    meters = '[[meter]]\nname = "M1"\npulses_per_litre = 450\n[[meter]]\nname = "M2"\npulses_per_litre = 450\n'
    port = '[[serial]]\nname = "bench"\nport = "/dev/ttyX"\n[[mqtt]]\nname = "shed"\nhost = "h"\n'
    plant.write_text(RUNS + meters + GAUGES + port)

    plan = from_json(to_json(make_plan(load_plant(plant), tmp_path / "cove.db")))

    assert plan.bits == {}
    assert plan.gauges == ("header", "mains")
    assert plan.ports[0].gauges == (GaugeChannelPlan(gauge="header", channel=1, least=-101.325, most=2000.0),)
    assert plan.brokers[0].gauges == (
        GaugeFeedPlan(gauge="mains", topic="rack/2", value="/power", least=0.0, most=10.0),
    )


def shown(watts: float, at_s: int) -> Arrival:
    """A line with what the gauge shows, arriving so many seconds after some moment of this minute or the one before."""
    now_ms = round(clock.monotonic_s() * 1000)
    value = GaugeValue(gauge="mains", value=watts, arrival_ms=now_ms - 60_000 + at_s * 1000)
    return Arrival(source="serial:bench", readings=(), values=(value,))


def test_what_gauges_show_is_in_the_database_after_a_stop(db: pathlib.Path) -> None:
    """Each value in its minute, with the mean and the number of values; the state says the last."""
    collector, written = run_script(db, [shown(40.0 + second, second) for second in range(30)])

    assert written
    assert collector.read == 30
    ((total, values),) = rows(db, "SELECT sum(mean * samples), sum(samples) FROM gauge_minute")
    assert values == 30
    assert total == pytest.approx(sum(40.0 + second for second in range(30)))
    body = state(db, "serial:bench")
    assert body["gauges"]["mains"]["value"] == 69.0  # type: ignore[index]
    assert body["gauges"]["mains"]["passed_over"] == 0  # type: ignore[index]


def test_what_gauges_show_waits_for_the_clock(db: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Under a clock that is not set it lies apart, with its anchor; under one that is set it gets its date."""
    monkeypatch.setattr("daemon.collector_clock.read_sign", lambda _file: ClockSign(told=True, stamp=None))
    run_script(db, [shown(50.0, second) for second in range(5)])
    assert rows(db, "SELECT sum(samples) FROM undated_gauge_minute JOIN anchor ON id = anchor WHERE NOT known") == [
        (5,)
    ]
    assert rows(db, "SELECT count(*) FROM gauge_minute") == [(0,)]

    monkeypatch.undo()
    monkeypatch.setattr("daemon.collector.TICK_S", 0.05)
    monkeypatch.setattr("daemon.collector_clock.read_sign", lambda _file: ClockSign(told=True, stamp=1))
    run_script(db, [shown(52.0, second) for second in range(5)])

    assert rows(db, "SELECT count(*) FROM undated_gauge_minute") == [(0,)]
    ((total, values),) = rows(db, "SELECT sum(mean * samples), sum(samples) FROM gauge_minute")
    assert (total, values) == (pytest.approx(510.0), 10)


def test_what_gauges_show_outlives_a_database_that_refuses(db: pathlib.Path) -> None:
    """Rows are kept until a transaction holds them, and are in once."""
    connection = writer.open_writer(db)
    (mains,) = gauge_ids(connection, ["mains"])
    store = BatchStore(connection, kept_lines=10)
    other = sqlite3.connect(db, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    connection.execute("PRAGMA busy_timeout = 10")
    store.keep_gauges([GaugeRow(5, mains, 48.0, None, 1)])
    assert not store.commit({}, now_ms=0)
    other.execute("ROLLBACK")
    other.close()
    store.keep_gauges([GaugeRow(5, mains, 50.0, None, 1)])

    assert store.waiting_rows == 1
    assert store.commit({}, now_ms=0)
    assert store.commit({}, now_ms=0)
    store.close()
    assert rows(db, "SELECT mean, samples FROM gauge_minute") == [(49.0, 2)]
