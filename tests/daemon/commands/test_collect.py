"""`clearbore collect` as the keeper runs it: a process, a port and a broker at once, signals."""

import contextlib
import dataclasses
import json
import pathlib
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from config.errors import PlantFileError
from config.load import load_plant
from config.settings import StoreSettings
from daemon import clock
from daemon.commands.collect import make_jobs_plan, make_plan
from daemon.plan import from_json, to_json
from daemon.rig import Rig
from daemon.store import writer
from daemon.store.prepare import prepare_store
from daemon.upkeep import catch_up
from tests.support.collecting_process import RUNS, collecting, plant_file, rows
from tests.support.mosquitto import Mosquitto, free_port
from tests.support.waiting import wait_until

HEAVY = ("numpy", "pandas", "scipy", "matplotlib", "sqlite_utils", "pydantic", "apscheduler", "jinja2", "analysis")

LAST = "SELECT max(count), max(restart), min(count - pulses) FROM minute JOIN meter ON id = meter WHERE name = '{}'"


@pytest.fixture
def rig(tmp_path: pathlib.Path) -> Iterator[Rig]:
    """A counter that sends ten lines a second."""
    with Rig([50.0], period_ms=100, link=tmp_path / "counter") as rig:
        yield rig


def test_port_and_broker_at_once(tmp_path: pathlib.Path, rig: Rig, broker: Mosquitto) -> None:
    """Both sources fill one database; SIGTERM ends it cleanly, and the rows hold every pulse up to the last line."""
    plant = plant_file(tmp_path, broker=broker.port)
    device = mqtt.Client(CallbackAPIVersion.VERSION2)
    device.connect("127.0.0.1", broker.port)
    device.loop_start()
    with collecting(plant) as process:
        wait_until(lambda: process.log.count("source_up") == 2)
        for second in range(1, 21):
            message = json.dumps({"pulses": 7 * second, "uptime_s": second})
            device.publish("rack/2", message, qos=1).wait_for_publish(10)
        wait_until(lambda: rig.uptime_ms >= 3000)
        rig.pause()
        assert process.end() == 0
    device.disconnect()
    device.loop_stop()

    assert rows(plant, LAST.format("M1"))[0][:2] == (rig.counts[0], 0)
    assert rows(plant, LAST.format("M2")) == [(140, 0, 7)]
    assert rows(plant, "SELECT sum(samples) FROM minute JOIN meter ON id = meter WHERE name = 'M2'") == [(20,)]
    assert "Traceback" not in process.log


def test_killed_and_started_again(tmp_path: pathlib.Path, rig: Rig) -> None:
    """After kill -9 the database is whole, and the next run goes on at the counter's own count: no pulse is lost."""
    plant = plant_file(tmp_path)
    with collecting(plant) as process:
        wait_until(lambda: "source_up" in process.log)
        wait_until(lambda: rig.uptime_ms >= 1500)
        process.end(signal.SIGKILL)
    with collecting(plant) as again:
        wait_until(lambda: again.log.count("source_up source=serial") == 2)
        line = rig.uptime_ms
        wait_until(lambda: rig.uptime_ms >= line + 1000)
        rig.pause()
        assert again.end() == 0

    assert rows(plant, LAST.format("M1"))[0][:2] == (rig.counts[0], 0)
    assert rows(plant, "PRAGMA integrity_check") == [("ok",)]


def test_the_lean_process_imports_nothing_heavy() -> None:
    """The always-on process and its sources import neither the analysis nor any heavy package."""
    script = (
        "import sys, daemon.collecting, daemon.sources.serial_port, daemon.sources.mqtt_topic;"
        f"print([name for name in {HEAVY!r} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", script], check=True, capture_output=True, text=True)
    assert done.stdout.strip() == "[]"


def test_a_running_process_has_imported_nothing_heavy(tmp_path: pathlib.Path, rig: Rig, broker: Mosquitto) -> None:
    """All that a collecting process imports, from its start over reading and writing to its end, as Python tells it."""
    plant = plant_file(tmp_path, broker=broker.port)
    with collecting(plant, environment={"PYTHONPROFILEIMPORTTIME": "1"}) as process:
        wait_until(lambda: process.log.count("source_up") == 2)
        wait_until(lambda: rig.uptime_ms >= 1500)
        assert process.end() == 0
    checking, running = process.log.split("import time: self [us]")[1:]  # one heading a program: exec starts the second
    imported = {line.rpartition("|")[2].strip().partition(".")[0] for line in running.splitlines() if "|" in line}

    assert rows(plant, "SELECT count(*) > 0 FROM minute") == [(1,)]
    assert "pydantic" in checking
    assert {"serial", "paho", "sqlite3"} <= imported
    assert imported.isdisjoint(HEAVY)


def test_nothing_read_in_the_time(tmp_path: pathlib.Path) -> None:
    """A run of limited time that reads nothing ends with 69 and says of each source why."""
    plant = plant_file(tmp_path, broker=free_port())
    done = subprocess.run(
        [sys.executable, "-m", "daemon", "collect", str(plant), "--seconds", "2"],
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode == 69
    assert "nothing was read in 2 s. serial:bench: no such port" in done.stderr
    assert "mqtt:shed: " in done.stderr


def test_no_meter_has_a_source(tmp_path: pathlib.Path) -> None:
    """A plant that is fed from log files only is told what a source looks like."""
    plant = tmp_path / "cove.toml"
    plant.write_text(
        RUNS + '[[meter]]\nname = "M1"\npulses_per_litre = 450\n[[meter]]\nname = "M2"\npulses_per_litre = 450\n'
    )
    with pytest.raises(PlantFileError, match="no meter or gauge has a source"):
        make_plan(load_plant(plant), tmp_path / "cove.db")


def test_the_plan_survives_the_handover(tmp_path: pathlib.Path) -> None:
    """What the process is told is what was made of the plant file; files are found from its folder."""
    plan = make_plan(load_plant(plant_file(tmp_path)), tmp_path / "cove.db", seconds=5)

    assert from_json(to_json(plan)) == plan
    assert plan.brokers[0].password_file == str(tmp_path / "secret")
    assert plan.ports[0].channels == ((1, "M1"),)


def test_the_plan_names_what_tells_of_the_clock(tmp_path: pathlib.Path) -> None:
    """The plant file's own file, for a time service that is not systemd's."""
    path = plant_file(tmp_path)
    usual = make_plan(load_plant(path), tmp_path / "cove.db").clock_set_file
    path.write_text(path.read_text() + '\n[store]\nclock_set_file = "/run/chimes/set"\n')

    assert usual == "/run/systemd/timesync/synchronized"
    assert make_plan(load_plant(path), tmp_path / "cove.db").clock_set_file == "/run/chimes/set"


def test_the_broker_knows_us_again(tmp_path: pathlib.Path) -> None:
    """The client's name is the same from start to start, and another for a plant elsewhere."""
    other = tmp_path / "other"
    other.mkdir()
    names = [
        make_plan(load_plant(plant_file(folder)), folder / "cove.db").brokers[0].client_id
        for folder in (tmp_path, tmp_path, other)
    ]

    assert names[0] == names[1] != names[2]


def test_jobs_go_through_the_plan(tmp_path: pathlib.Path) -> None:
    """What is done beside the collecting reaches the lean process as it was planned, by the plant's clock and day."""
    path = plant_file(tmp_path)
    path.write_text(
        path.read_text().replace('name = "Slate cove"', 'name = "Slate cove"\ntimezone = "Atlantic/Azores"')
    )
    path.write_text(path.read_text() + '[report]\nweekly_on = "sat"\n')
    plant = load_plant(path)
    jobs = make_jobs_plan(plant, now_s=clock.now_s())
    plan = dataclasses.replace(make_plan(plant, tmp_path / "cove.db"), jobs=jobs)

    assert from_json(to_json(plan)) == plan
    assert (jobs.names, jobs.timezone, jobs.weekly_on) == (("nightly", "assess", "weekly"), "Atlantic/Azores", "sat")
    assert jobs.plant_file == str(path)
    assert len(jobs.times["nightly"]) > 2 * 365


def test_two_collectors_of_one_database(tmp_path: pathlib.Path, rig: Rig) -> None:
    """A second collector on the same database is refused: one file, one writer."""
    plant = plant_file(tmp_path)
    with collecting(plant) as first:
        wait_until(lambda: "started" in first.log)
        second = subprocess.run(
            [sys.executable, "-m", "daemon", "collect", str(plant)], capture_output=True, text=True, check=False
        )
        assert first.popen.poll() is None

    assert rig.port
    assert second.returncode == 74
    assert "another `clearbore collect` writes to this database" in second.stderr


def test_service_manager_is_told(tmp_path: pathlib.Path, rig: Rig) -> None:
    """The manager hears READY, then signs of life from the working loop, then STOPPING."""
    plant = plant_file(tmp_path)
    address = str(tmp_path / "notify")
    with contextlib.closing(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)) as manager:
        manager.bind(address)
        manager.settimeout(15)
        environment = {"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "3000000"}
        with collecting(plant, environment=environment) as process:
            heard = [manager.recv(4096).decode() for _ in range(3)]
            assert process.end() == 0
        manager.settimeout(1)
        with contextlib.suppress(TimeoutError):
            while True:
                heard.append(manager.recv(4096).decode())

    assert rig.port
    assert heard[0].startswith("READY=1\nSTATUS=0 of 2 sources up")
    assert all(message.startswith("WATCHDOG=1\nSTATUS=") for message in heard[1:-1])
    assert heard[-1] == "STOPPING=1"


def test_hours_and_retention_are_caught_up_before_collecting(tmp_path: pathlib.Path) -> None:
    """The lean process cannot derive hours: the start does, and drops minutes older than the plant file keeps."""
    plant = load_plant(plant_file(tmp_path))
    plant = dataclasses.replace(
        plant, settings=dataclasses.replace(plant.settings, store=StoreSettings(minutes_kept_days=1))
    )
    db = tmp_path / "cove.db"
    prepare_store(db)
    with contextlib.closing(writer.open_writer(db)) as connection:
        number = writer.meter_ids(connection, ["M1"])["M1"]
        writer.write_minutes(
            connection,
            [(20_000 * 1440 + at, number, 0, 600 * at, 0, 0, 0, None, None, 1, 0) for at in range(4 * 1440)],
        )

    catch_up(plant, db, now_s=clock.now_s())

    found = rows(tmp_path / "cove.toml", "SELECT min(hour), max(hour), count(*) FROM hour")
    assert found == [(20_000 * 24, 20_004 * 24 - 1, 4 * 24)]
    assert rows(tmp_path / "cove.toml", "SELECT min(minute), count(*) FROM minute") == [(20_002 * 1440, 2 * 1440)]
    assert rows(tmp_path / "cove.toml", "SELECT * FROM stale_day") == []
