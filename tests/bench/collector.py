"""The collector at 20 meters x 1 Hz, half serial, half MQTT, beside the usual parts doing less, in one run.

    python tests/bench/collector.py [--json] [--seconds 600] [--quick] [--commissioned]

Steady: `clearbore collect` writes to a card of its own (ext4 with 4 KB blocks on a loop device; needs root) while one
process keeps the database open and reads it every ten seconds, as a page does, and one opens it anew every minute, as
a status does. On a second card, in the same minutes, the row-per-reading table that everybody builds first, one commit
a second. Bytes are sectors of the devices: the file system's journal and metadata are in. CPU is the scheduler's
account of all threads, wake-ups are voluntary context switches (/proc), memory is VmRSS at the end. Real time: the
journal's own commits do not come in compressed time. Ten minutes, begun between two assessments: one lies in
them, with all that it brings to the card.
Processes on the cards run as the service does, not as root: for root, SQLite sets the owner of the log at each opening.

With --commissioned, nothing but the steady part, of a manifold that was commissioned on a week of minutes in the same
database: then each assessment leaves what it found, and each hour its hours. An hour of it, so that all lies in it as often
as it comes; but for the watch's memory, which the first assessment keeps and later ones every two days: it is brought
from the log to the file before the hour begins, and counted by its size, for both, in two days.

Burst: CPU of the collecting process for 100,000 readings by MQTT at QoS 1, over the sum of a bare paho-mqtt client
with an empty callback on the same messages and a bare executemany of as many rows into the same table. The rate is
how fast the burst went through with nothing turned away.

Growth: two days of minutes and hours, written by the collector's own store, on a year.
"""

import argparse
import contextlib
import json
import os
import pathlib
import signal
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

sys.path.insert(0, str(pathlib.Path(__file__).parents[2]))  # run as a script, the folder above is not on the path

from analysis.detection.memory import KEEP_H
from config.plant import Meter
from daemon.batch_store import BatchStore
from daemon.jobs.timetable import ASSESS_EVERY_S, ASSESS_PAST_S
from daemon.rig import Rig
from daemon.store import writer
from daemon.store.hours import refresh_hours
from daemon.store.merging import MinuteRow
from daemon.store.prepare import prepare_store
from tests.support.cards import Card, mounted_card
from tests.support.collected_plants import write_commissioned, write_plant
from tests.support.collector_peers import BARE_CLIENT, BARE_INSERT, IMPORTS, READER, ROW_PER_READING
from tests.support.mosquitto import Mosquitto
from tests.support.mqtt_burst import publish_readings
from tests.support.usage import as_a_service, process, rss_mb, settled_cpu, usage_of
from tests.support.waiting import wait_until

CHANNELS, TOPICS = 10, 10
HOUR_S, DAY_S, YEAR_DAYS = 3600, 86_400, 365
WARM_UP_S = 45
FIRST_ASSESSED_S = 240
"""By when a collector has had the plant judged for the first time: that comes a minute after its start."""
SETTLED_S = 120
"""After a write, by when all of it has reached the card: the kernel writes what is older than half a minute."""
READ_EVERY_S, STATUS_EVERY_S = 10, 60
BROKER = {"max_queued_messages": "0", "max_packet_size": "100000"}
STEADY_HZ = 50.0


@contextlib.contextmanager
def collecting(plant: pathlib.Path, db: pathlib.Path, *, sources: int) -> Iterator[tuple[int, pathlib.Path]]:
    """`clearbore collect`, all of whose sources are up; its process id and its log."""
    log = plant.with_suffix(".log")
    with process("-m", "daemon", "collect", str(plant), "--db", str(db), log=log, before=as_a_service()) as collector:
        wait_until(lambda: log.read_text().count("source_up") == sources, timeout_s=30)
        yield collector.pid, log
        collector.send_signal(signal.SIGTERM)
        collector.wait(30)


def feed_topics(port: int, rates_hz: Sequence[float], stopping: threading.Event) -> None:
    """Each topic once a second, spread over the second as separate devices are."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", port)
    client.loop_start()
    begun_s = time.monotonic()
    for number in range(10**9):
        due_s = (number + 1) / TOPICS
        if stopping.wait(max(0.0, begun_s + due_s - time.monotonic())):
            break
        topic = number % TOPICS
        payload = json.dumps({"pulses": int(rates_hz[topic] * due_s), "uptime_s": round(due_s, 3)})
        client.publish(f"bench/{topic + 1}", payload, qos=1)
    client.disconnect()
    client.loop_stop()


@contextlib.contextmanager
def feeding(link: pathlib.Path, broker: int, rates_hz: Sequence[float]) -> Iterator[None]:
    """Ten channels on a port and ten topics, once a second each."""
    stopping = threading.Event()
    feeder = threading.Thread(target=feed_topics, args=(broker, rates_hz[CHANNELS:], stopping))
    feeder.start()
    try:
        with Rig(rates_hz[:CHANNELS], link=link):
            yield
    finally:
        stopping.set()
        feeder.join()


@contextlib.contextmanager
def cards(work: pathlib.Path) -> Iterator[tuple[Card | None, Card | None]]:
    """Ours and the peer's; none where mounting is not allowed."""
    with contextlib.ExitStack() as stack:
        try:
            ours, peer = (stack.enter_context(mounted_card(work, name)) for name in ("ours", "peer"))
        except (OSError, subprocess.CalledProcessError) as error:
            sys.stderr.write(f"no card of our own ({error}): bytes are what the process wrote, without journal\n")
            yield None, None
            return
        yield ours, peer


def written_bytes(card: Card | None, pid: int) -> int:
    """Bytes on the card; without one, what the process had written (/proc/PID/io, write_bytes)."""
    if card is not None:
        return card.written_bytes
    return int(pathlib.Path(f"/proc/{pid}/io").read_text().split("\nwrite_bytes: ")[1].split()[0])


def memory_mb_per_day(db: pathlib.Path) -> float:
    """What the watch's memory, which is now brought from the log into the file, costs a card a day: once each in KEEP_H."""
    with contextlib.closing(sqlite3.connect(db)) as connection:
        connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
        (size,) = connection.execute("SELECT max(length(body)) FROM watch_memory").fetchone()
    if size is None:
        raise AssertionError("no assessment has kept a memory yet")
    return float(2 * size / 1e6 * 24 / KEEP_H)


def until_between_assessments_s(now_s: float) -> float:
    """Until the last assessment has reached the card, and the next one is some time away."""
    since_s = (now_s - ASSESS_PAST_S) % ASSESS_EVERY_S
    calm = SETTLED_S <= since_s <= ASSESS_EVERY_S - SETTLED_S
    return 0.0 if calm else (SETTLED_S - since_s) % ASSESS_EVERY_S


def measure_steady(
    work: pathlib.Path, *, seconds: float, warm_up_s: float, commissioned: bool = False
) -> dict[str, float | str]:
    """Memory, CPU, wake-ups and bytes of the running collector, and the bytes of the peer."""
    with contextlib.ExitStack() as stack:
        ours, theirs = stack.enter_context(cards(work))
        broker_folder = work / "broker"
        broker_folder.mkdir()
        broker = stack.enter_context(Mosquitto(broker_folder))
        link = work / "counter"
        db = (work if ours is None else ours.folder) / "skerry.db"
        if commissioned:
            plant, rates_hz = write_commissioned(
                work, db, port=link, broker=broker.port, channels=CHANNELS, topics=TOPICS
            )
        else:
            plant = write_plant(work, port=link, broker=broker.port, channels=CHANNELS, topics=TOPICS)
            rates_hz = [STEADY_HZ] * (CHANNELS + TOPICS)
        stack.enter_context(feeding(link, broker.port, rates_hz))
        peer_db = (work if theirs is None else theirs.folder) / "readings.db"
        peer = stack.enter_context(process("-c", ROW_PER_READING, str(peer_db), before=as_a_service()))
        assert peer.stdout is not None
        peer.stdout.readline()
        pid, _ = stack.enter_context(collecting(plant, db, sources=2))
        reader = READER.format(read=READ_EVERY_S, status=STATUS_EVERY_S)
        stack.enter_context(process("-c", reader, str(db), before=as_a_service()))
        time.sleep(warm_up_s)
        time.sleep(until_between_assessments_s(time.time()) if seconds >= ASSESS_EVERY_S else 0.0)
        memory_mb = memory_mb_per_day(db) if commissioned and seconds >= ASSESS_EVERY_S else 0.0
        os.sync()
        before, bytes_before = usage_of(pid), (written_bytes(ours, pid), written_bytes(theirs, peer.pid))
        time.sleep(seconds)
        os.sync()  # what waits in memory was written in these seconds too
        after, bytes_after = usage_of(pid), (written_bytes(ours, pid), written_bytes(theirs, peer.pid))
        lasted_s = after.at_s - before.at_s
        mb_a_day = [
            (late - early) / lasted_s * DAY_S / 1e6 for early, late in zip(bytes_before, bytes_after, strict=True)
        ]
        return {
            "rss_mb": round(rss_mb(pid), 1),
            "cpu_percent": round(100 * (after.cpu_s - before.cpu_s) / lasted_s, 3),
            "wakeups_per_s": round((after.wakeups - before.wakeups) / lasted_s, 2),
            "mb_per_day": round(mb_a_day[0] + memory_mb, 1),
            "memory_mb_per_day": round(memory_mb, 2),
            "row_per_reading_mb_per_day": round(mb_a_day[1], 1),
            "steady_s": round(lasted_s),
            "disk": "process write_bytes" if ours is None else "loop device, ext4, 4 KB blocks, noatime",
        }


def imports_rss_mb() -> float:
    """Resident memory of a process that has imported what the collector stands on, and nothing of ours."""
    done = subprocess.run([sys.executable, "-P", "-c", IMPORTS], check=True, capture_output=True, text=True)
    return round(int(done.stdout) / 1024, 1)


def burst_of(port: int, readings: int) -> threading.Thread:
    """A burst, not yet begun."""
    topics = [f"bench/{number}" for number in range(1, CHANNELS + TOPICS + 1)]
    return threading.Thread(target=publish_readings, args=(port, topics, readings))


def measure_ours(work: pathlib.Path, broker: int, readings: int) -> tuple[float, float]:
    """CPU seconds of the collector for a burst, and readings a second.

    Raises:
        RuntimeError: a reading was turned away.
    """
    plant = write_plant(work, port=work / "none", broker=broker, channels=0, topics=CHANNELS + TOPICS)
    db = work / "burst.db"
    with collecting(plant, db, sources=1) as (pid, log):
        cpu_s, busy_s = settled_cpu(pid, burst_of(broker, readings))
    said = log.read_text()
    if f"stopped readings={readings} " not in said or "inbox_full" in said:
        raise RuntimeError(f"not all of the burst got through:\n{said}")
    return cpu_s, readings / busy_s


def measure_bare_client(broker: int, readings: int) -> float:
    """CPU seconds of a bare client for the same burst."""
    with process("-c", BARE_CLIENT, str(broker)) as client:
        assert client.stdout is not None
        client.stdout.readline()
        return settled_cpu(client.pid, burst_of(broker, readings))[0]


def measure_bare_insert(work: pathlib.Path, rows: int) -> float:
    """CPU seconds of as many rows by executemany."""
    db = work / "insert.db"
    prepare_store(db)
    done = subprocess.run(
        [sys.executable, "-c", BARE_INSERT, str(db), str(rows)], check=True, capture_output=True, text=True
    )
    return float(done.stdout)


def measure_burst(work: pathlib.Path, *, readings: int, runs: int) -> dict[str, float]:
    """Both sides in turn, medians of the runs, on 100,000 readings."""
    ours, clients, inserts, rates = [], [], [], []
    for run in range(runs):
        folder = work / f"burst {run}"
        folder.mkdir()
        with Mosquitto(folder, BROKER) as broker:  # anew, or it would keep the next burst for a collector of before
            clients.append(measure_bare_client(broker.port, readings))
            cpu_s, rate = measure_ours(folder, broker.port, readings)
        ours.append(cpu_s)
        rates.append(rate)
        inserts.append(measure_bare_insert(folder, readings))
    scale = 100_000 / readings
    our_s, client_s, insert_s = (statistics.median(side) * scale for side in (ours, clients, inserts))
    return {
        "cpu_ratio": round(our_s / (client_s + insert_s), 2),
        "cpu_s_per_100k": round(our_s, 2),
        "bare_client_cpu_s_per_100k": round(client_s, 2),
        "bare_insert_cpu_s_per_100k": round(insert_s, 2),
        "max_readings_per_s": round(statistics.median(rates)),
    }


def gb_per_year(work: pathlib.Path, *, days: int) -> float:
    """Growth of the file: minutes of all meters by the collector's store, a commit each, and their hours."""
    db = work / "growth.db"
    prepare_store(db)
    names = [f"branch {number}" for number in range(1, CHANNELS + TOPICS + 1)]
    connection = writer.open_writer(db)
    connection.execute("PRAGMA synchronous = OFF")  # what is written is the same; only the waiting is left out
    numbers = writer.meter_ids(connection, names)
    store = BatchStore(connection, kept_lines=100)
    empty = db.stat().st_size
    first, before = 29_000_000, 3000 * 1440 * YEAR_DAYS // 2  # counts of half a year: most of a year's are as long
    for minute in range(first, first + days * 1440):
        elapsed = minute - first
        store.keep_rows(
            MinuteRow(minute, number, 0, before + 3000 * elapsed, 2950, 59_000 + number, 59_000, 49_000, 51_000, 60, 0)
            for number in numbers.values()
        )
        store.commit({"collector": {"minute": minute}}, now_ms=60_000 * minute)
    refresh_hours(connection, [Meter(name=name, k_points=((0.0, 450.0),)) for name in names])
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    store.close()
    return round((db.stat().st_size - empty) / days * YEAR_DAYS / 1e9, 3)


TABLE = (
    ("resident memory, MB", "rss_mb", "<= 32", "imports_rss_mb", "bare imports"),
    ("CPU, % of a core", "cpu_percent", "<= 0.2", None, ""),
    ("wake-ups a second", "wakeups_per_s", "<= 5", None, ""),
    ("CPU of 100,000 readings, s", "cpu_s_per_100k", "", "bare_client_cpu_s_per_100k", "bare client"),
    ("", None, "", "bare_insert_cpu_s_per_100k", "bare executemany"),
    ("ratio to their sum", "cpu_ratio", "<= 2.5", None, ""),
    ("readings a second, none lost", "max_readings_per_s", "", None, ""),
    ("MB a day on the card", "mb_per_day", "<= 60", "row_per_reading_mb_per_day", "row per reading"),
    ("GB a year kept", "gb_per_year", "<= 0.4", None, ""),
)


def table_of(found: dict[str, float | str]) -> str:
    """The figures for people, as far as they were measured."""
    lines = [f"{'20 meters x 1 Hz':32}{'measured':>10}{'target':>9}   peer in the same run"]
    for words, key, target, peer, name in TABLE:
        if not {key, peer} - {None} <= found.keys():
            continue
        figure = "" if key is None else f"{found[key]}"
        beside = "" if peer is None else f"   {found[peer]} {name}"
        lines.append(f"{words:32}{figure:>10}{target:>9}{beside}")
    return "\n".join([*lines, f"steady for {found['steady_s']} s; {found['disk']}"])


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument("--seconds", type=float, help="length of the steady part (default 600; commissioned 3600)")
    parser.add_argument("--commissioned", action="store_true", help="the steady part alone, of a commissioned plant")
    parser.add_argument("--quick", action="store_true", help="only see that it runs: the figures mean little")
    options = parser.parse_args()
    readings, runs, days = (10_000, 1, 1) if options.quick else (100_000, 3, 2)
    found: dict[str, float | str] = {}
    with tempfile.TemporaryDirectory() as made:
        work = pathlib.Path(made)
        work.chmod(0o755)  # whoever is not root looks into it
        usual_s = HOUR_S if options.commissioned else ASSESS_EVERY_S
        usual_warm_up_s = FIRST_ASSESSED_S if options.commissioned else WARM_UP_S
        seconds, warm_up_s = (15, 5) if options.quick else (options.seconds or usual_s, usual_warm_up_s)
        then = "" if options.commissioned else f", then bursts of {readings} readings"
        sys.stderr.write(f"steady part: {warm_up_s + seconds:.0f} s{then}\n")
        found |= measure_steady(work, seconds=seconds, warm_up_s=warm_up_s, commissioned=options.commissioned)
        sys.stderr.write(f"steady part: {found}\n")
        found["imports_rss_mb"] = imports_rss_mb()
        if not options.commissioned:
            found["gb_per_year"] = gb_per_year(work, days=days)
            found |= measure_burst(work, readings=readings, runs=runs)
    sys.stdout.write((json.dumps(found) if options.json else table_of(found)) + "\n")


if __name__ == "__main__":
    main()
