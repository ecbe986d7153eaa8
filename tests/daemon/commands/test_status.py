"""`clearbore status`: readings, silence, sources, and what to look at."""

import contextlib
import json
import os
import pathlib
import subprocess
import sys
import time
from collections.abc import Mapping
from typing import Any

import pytest
from click.testing import CliRunner, Result

from daemon import clock
from daemon.commands.status import command
from daemon.plan import PortPlan
from daemon.store import undated, writer
from daemon.store.findings import StoredFinding, keep_findings
from daemon.store.prepare import prepare_store
from daemon.store.undated import Anchor
from daemon.store.writer import MinuteRow
from daemon.tally import MeterTally, SourceTally
from tests.support.collecting_process import MANIFOLD

HEAD = """
[plant]
name = "Slate cove"
flow_unit = "L/h"
timezone = "Atlantic/Azores"
"""
METERS = """
[[meter]]
name = "M1"
pulses_per_litre = 450
source = { serial = "bench", channel = 1 }
[[meter]]
name = "M2"
pulses_per_litre = 100
[[serial]]
name = "bench"
port = "/dev/counter"
"""
PLANT = HEAD + MANIFOLD + METERS


@pytest.fixture
def plant(tmp_path: pathlib.Path) -> pathlib.Path:
    """A plant file with an empty database; M1 has a source, M2 is fed from log files."""
    path = tmp_path / "cove.toml"
    path.write_text(PLANT)
    prepare_store(path.with_suffix(".db"))
    return path


def row(age_s: float, *, meter: int = 1, counted: int = 3000, pulses: int = 2950, span_ms: int = 59_000) -> MinuteRow:
    """A minute row whose last reading is so old; 50 pulses a second by default."""
    minute, at_ms = divmod(round((time.time() - age_s) * 1000), 60_000)
    rate_mhz = 50_000 if span_ms else None
    return MinuteRow(
        minute=minute,
        meter=meter,
        part=0,
        counted=counted,
        pulses=pulses,
        at_ms=at_ms,
        span_ms=span_ms,
        low_mhz=rate_mhz,
        high_mhz=rate_mhz,
        samples=60 if span_ms else 1,
        restart=0,
    )


def fill(
    plant: pathlib.Path,
    *rows: MinuteRow,
    states: Mapping[str, Mapping[str, Any]] | None = None,
    rejected: Mapping[tuple[str, str], int] | None = None,
) -> None:
    """Put rows, states and counts of rejected lines into the database."""
    connection = writer.open_writer(plant.with_suffix(".db"))
    writer.meter_ids(connection, ["M1", "M2"])
    writer.write_minutes(connection, rows)
    for name, body in (states or {}).items():
        writer.write_source_state(connection, name, round(time.time() * 1000), json.dumps(body))
    for (source, reason), times in (rejected or {}).items():
        writer.count_rejected(connection, source, reason, times)
    connection.close()


def collecting(**changes: Any) -> dict[str, dict[str, Any]]:
    """States as a running collector writes them; this test's process plays the collector."""
    port = PortPlan(name="bench", port="/dev/counter", baud=38400, channels=((1, "M1"),))
    source = SourceTally(where=port.port, up=True, words="port open", since_ms=1, good=1234)
    source.meters["M1"] = MeterTally(count=3000, uptime_ms=60_000, at_ms=1, edges=changes.pop("edges", 4))
    collector = {
        "pid": os.getpid(),
        "started_ms": 1_800_000_000_000,
        "stopped_ms": None,
        "lost": 0,
        "write_failures": 0,
    }
    return {"collector": collector | changes, "serial:bench": source.body()}


def run(plant: pathlib.Path, *options: str) -> Result:
    """Run the command."""
    return CliRunner().invoke(command, [str(plant), *options])


def as_json(plant: pathlib.Path) -> dict[str, Any]:
    """What the command says to machines."""
    decoded = json.loads(run(plant, "--json").stdout)
    assert isinstance(decoded, dict)
    return decoded


def test_rate_and_flow_of_the_last_minute(plant: pathlib.Path) -> None:
    """50 pulses a second at 450 pulses a litre are 400 L/h; all is well, exit code 0."""
    fill(plant, row(30), states=collecting())
    result = run(plant)

    assert result.exit_code == 0
    assert "M1     carbon  30 s ago" in result.stdout
    assert "50.00     400 L/h" in result.stdout
    assert "collecting since 2027-01-15 07:00" in result.stdout  # 08:00 UTC, an hour earlier on the Azores


def test_json(plant: pathlib.Path) -> None:
    """The same for machines: UTC, flows in L/h, nothing else on standard output."""
    fill(plant, row(30), states=collecting(), rejected={("serial:bench", "CRC wrong"): 7})
    status = as_json(plant)

    assert status["collector"]["running"] is True
    assert status["sources"] == [
        {
            "name": "serial:bench",
            "at": "/dev/counter",
            "up": True,
            "state": "port open",
            "since": "1970-01-01T00:00:00Z",
            "good": 1234,
            "good_at": status["sources"][0]["good_at"],
            "rejected": {"CRC wrong": 7},
        }
    ]
    meter = status["meters"][0]
    assert (meter["rate_hz"], meter["flow_l_per_h"], meter["silent"], meter["edges_thrown_away"]) == (
        50.0,
        400.0,
        False,
        4,
    )
    assert status["silent"] == []


def test_good_lines_tell_of_when_they_are(plant: pathlib.Path) -> None:
    """They are noted every ten minutes: what is older than a minute is told with its age, and with its time in JSON."""
    fill(plant, row(30), states=collecting())
    assert "  1,234  " in run(plant).stdout
    noted_ms = round((time.time() - 540) * 1000)
    connection = writer.open_writer(plant.with_suffix(".db"))
    for name, body in collecting().items():
        writer.write_source_state(connection, name, noted_ms, json.dumps(body))
    connection.close()

    assert "  1,234 (9 min ago)  " in run(plant).stdout
    assert as_json(plant)["sources"][0]["good_at"] == clock.utc_text_of_ms(noted_ms)


def test_a_silent_meter_is_an_alarm(plant: pathlib.Path) -> None:
    """More than ten minutes without a reading: exit code 1, the meter named, what to look at said."""
    fill(plant, row(700), states=collecting())
    result = run(plant)

    assert result.exit_code == 1
    assert "SILENT, 12 min ago" in result.stdout
    assert "silent for more than 10 minutes: M1" in result.stdout
    assert "silence is not zero flow" in result.stdout


@pytest.mark.parametrize(("age_s", "silent"), [(2000, False), (2200, True)])
def test_a_slow_meter_is_silent_later(plant: pathlib.Path, age_s: float, *, silent: bool) -> None:
    """A logger of fifteen minutes is given two and a half of its intervals, 35 minutes at the most, and has a rate."""
    rows = [row(age_s + 900 * back, counted=3000 * (4 - back), pulses=0, span_ms=0) for back in range(4)]
    fill(plant, *reversed(rows), states=collecting())

    meter = as_json(plant)["meters"][0]
    assert meter["silent"] is silent
    assert meter["rate_hz"] == pytest.approx(3000 / 900, rel=0.01)
    assert ("silent for more than 35 minutes: M1" in run(plant).stdout) is silent


def test_zero_flow_is_not_silence(plant: pathlib.Path) -> None:
    """A counter that goes on reporting the same count is heard: no alarm of this command."""
    fill(plant, row(30, pulses=0), states=collecting())

    assert run(plant).exit_code == 0
    assert as_json(plant)["meters"][0]["flow_l_per_h"] == 0.0


def test_never_heard(plant: pathlib.Path) -> None:
    """A meter with a source that never gave a reading is silent; one fed from log files is not."""
    assert run(plant).exit_code == 1
    assert as_json(plant)["silent"] == ["M1"]
    assert "nothing was ever collected" in run(plant).stdout


def test_not_heard_yet(plant: pathlib.Path) -> None:
    """A meter that never spoke is given ten minutes from the start of the collector."""
    fill(plant, states=collecting(started_ms=round((time.time() - 60) * 1000)))
    result = run(plant)

    assert result.exit_code == 0
    assert "none yet" in result.stdout


def test_meter_fed_from_log_files(plant: pathlib.Path) -> None:
    """A meter without a source shows when its last reading was, however old, and raises nothing."""
    fill(plant, row(30), row(5000, meter=2), states=collecting())
    result = run(plant)

    assert result.exit_code == 0
    assert "SILENT" not in result.stdout


def test_loaded_log(plant: pathlib.Path, tmp_path: pathlib.Path) -> None:
    """Readings that came from a log file, one a minute, show with their time and their rate."""
    log = tmp_path / "log.csv"
    lines = [f"2026-01-05T10:{minute:02d}:30Z,M2,{5000 + 600 * minute}" for minute in range(20)]
    log.write_text("\n".join(["time_utc,meter,pulses", *lines]) + "\n")
    loading = [sys.executable, "-m", "daemon", "load", str(plant), str(log)]
    subprocess.run(loading, check=True, capture_output=True)
    status = as_json(plant)
    meter = status["meters"][1]

    assert (meter["last_reading_at"], meter["pulses"], meter["rate_hz"]) == ("2026-01-05T10:19:30Z", 16_400, 10.0)
    assert (status["database"]["first_at"], status["database"]["last_at"]) == (
        "2026-01-05T10:00:00Z",
        "2026-01-05T10:19:00Z",
    )


def test_rate_over_single_readings(plant: pathlib.Path) -> None:
    """Meters that report once a minute get their rate from two neighbouring rows."""
    fill(plant, row(90, counted=1000, pulses=0, span_ms=0), row(30, counted=1600, pulses=0, span_ms=0))
    assert as_json(plant)["meters"][0]["rate_hz"] == pytest.approx(10.0, rel=0.001)


def test_no_rate_across_a_restart(plant: pathlib.Path) -> None:
    """After a known restart a single reading gives no rate."""
    restarted = row(30, counted=5, pulses=0, span_ms=0)._replace(restart=1)
    fill(plant, row(90, counted=1, pulses=0, span_ms=0), restarted)
    meter = as_json(plant)["meters"][0]

    assert (meter["rate_hz"], meter["restarts_in_a_day"]) == (None, 1)


def test_calibration_in_the_journal_counts(plant: pathlib.Path) -> None:
    """A journalled K-factor supersedes the plant file's: 50 pulses a second at 500 a litre are 360 L/h."""
    fill(plant, row(30), states=collecting())
    connection = writer.open_writer(plant.with_suffix(".db"))
    connection.execute(
        "INSERT INTO journal (at_ms, kind, target, value, source) VALUES (1, 'calibration', 'M1', '500', 'hand')"
    )
    connection.close()

    assert as_json(plant)["meters"][0]["flow_l_per_h"] == 360.0


def test_collector_that_was_killed(plant: pathlib.Path) -> None:
    """A collector whose process is gone without a word is not taken for running, nor are its sources for up."""
    dead = subprocess.Popen([sys.executable, "-c", ""])
    dead.wait()
    fill(plant, row(30), states=collecting(pid=dead.pid))

    assert "the collector ended without a word" in run(plant).stdout
    assert as_json(plant)["sources"][0]["up"] is False


def test_collector_that_was_stopped(plant: pathlib.Path) -> None:
    """A collector that was stopped is said to be."""
    fill(plant, row(30), states=collecting(stopped_ms=1_800_000_000_000))
    assert "not collecting; stopped 2027-01-15 07:00" in run(plant).stdout


def test_bouncing_contact_is_named(plant: pathlib.Path) -> None:
    """A counter that throws away many edges is worth a look."""
    fill(plant, row(30), states=collecting(edges=900))
    assert "M1: its counter threw away 900 edges beside 3,000 counted" in run(plant).stdout


def test_no_database(tmp_path: pathlib.Path) -> None:
    """Without a database the command says how to make one, exit code 66."""
    (tmp_path / "cove.toml").write_text(PLANT)
    done = subprocess.run(
        [sys.executable, "-m", "daemon", "status", str(tmp_path / "cove.toml")],
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode == 66
    assert "clearbore collect" in done.stderr


def test_works_without_numpy(plant: pathlib.Path) -> None:
    """The command imports nothing that the base install leaves out."""
    fill(plant, row(30), states=collecting())
    script = (
        "import sys\nfor name in ('numpy', 'pandas', 'scipy', 'matplotlib', 'jinja2'): sys.modules[name] = None\n"
        f"sys.argv = ['clearbore', 'status', {str(plant)!r}]\nfrom daemon.cli import main\nmain()"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)

    assert done.returncode == 0, done.stderr
    assert "400 L/h" in done.stdout


def test_alarms_of_the_upkeep_set_the_exit_code(plant: pathlib.Path) -> None:
    """A finding that stands is an alarm, first in the text and listed in JSON, though every meter is heard."""
    fill(plant, row(30), states=collecting(jobs={"nightly": {"next_ms": 1_800_000_000_000, "running_since_ms": None}}))
    found = StoredFinding(
        id="x", raised_ms=0, over_ms=None, ended=None, status="Maintenance required",
        summary="carbon gets 9 % less.", action="Rinse the media.", body={},
    )  # fmt: skip
    connection = writer.open_writer(plant.with_suffix(".db"))
    keep_findings(connection, [found], assessed_ms=0)
    connection.close()
    result = run(plant)

    assert result.exit_code == 1
    assert "ALARM: carbon gets 9 % less. Rinse the media." in result.stdout.splitlines()[1:3]
    assert "2027-01-15 07:00" in next(line for line in result.stdout.splitlines() if line.startswith("nightly"))
    status = as_json(plant)
    assert (status["alarms"], status["silent"]) == (["carbon gets 9 % less. Rinse the media."], [])
    assert status["jobs"][0]["next_at"] == "2027-01-15T08:00:00Z"


def test_a_finding_that_is_over_is_no_alarm(plant: pathlib.Path) -> None:
    """Exit code 0 again."""
    fill(plant, row(30), states=collecting())
    connection = writer.open_writer(plant.with_suffix(".db"))
    keep_findings(connection, [], assessed_ms=0)
    connection.close()

    assert run(plant).exit_code == 0
    assert as_json(plant)["alarms"] == []


def test_a_clock_that_is_not_set(plant: pathlib.Path) -> None:
    """Rows without a date are told of, and a meter that was just heard is not silent for want of a date."""
    fill(plant, states=collecting(clock={"known": False, "told": True}))
    connection = writer.open_writer(plant.with_suffix(".db"))
    offset_ms = round(time.time() * 1000) - 3_600_000
    anchor = Anchor(id=1, boot="b", steady_ms=0, offset_ms=offset_ms, known=False)
    undated.write_anchor(connection, anchor)
    undated.write_undated(connection, 1, [row(0)._replace(minute=59, at_ms=30_000)])
    connection.close()
    result, status = run(plant), as_json(plant)

    assert result.exit_code == 0
    assert "the clock is not set yet" in result.stdout
    assert "1 minute row waits for its date" in result.stdout
    assert (status["collector"]["clock"], status["collector"]["rows_without_date"]) == ("not set", 1)
    assert (status["meters"][0]["silent"], status["meters"][0]["rate_hz"]) == (False, 50.0)


def test_rows_that_were_left_out_are_told(plant: pathlib.Path) -> None:
    """After more than a day without a database that could be written."""
    fill(plant, row(30), states=collecting(rows_dropped=4321))

    assert "4,321 minute rows were left out" in run(plant).stdout
    assert as_json(plant)["collector"]["rows_dropped"] == 4321


@pytest.mark.parametrize(("noted_s", "row_s", "running"), [(400, 70, True), (400, 400, False), (900, 70, False)])
def test_rows_are_a_sign_of_life(plant: pathlib.Path, noted_s: float, row_s: float, *, running: bool) -> None:
    """Between two of its notes the collector writes rows alone; rows without a note for long are of a log file."""
    fill(plant, row(row_s), states=collecting())
    with contextlib.closing(writer.open_writer(plant.with_suffix(".db"))) as connection:
        connection.execute("UPDATE source_state SET at_ms = at_ms - ?", (1000 * noted_s,))
    assert as_json(plant)["collector"]["running"] is running
