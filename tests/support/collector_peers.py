"""What the collector is measured beside: programs that do less, or the same in the way that comes to mind first.

Each is the text of a program, run by `python -c`.
"""

ROW_PER_READING = """
import sqlite3, sys, time
base = sqlite3.connect(sys.argv[1], isolation_level=None)
base.executescript('PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;'
    'CREATE TABLE reading (meter INTEGER, t INTEGER, count INTEGER, PRIMARY KEY (meter, t)) WITHOUT ROWID')
start = int(time.time())
base.execute('BEGIN')
base.executemany('INSERT INTO reading VALUES (?, ?, ?)', ((m, start - t, 50 * t) for m in range(20) for t in range(7200)))
base.execute('COMMIT')
print(flush=True)
while True:
    time.sleep(1 - time.time() % 1)
    now = int(time.time())
    base.execute('BEGIN IMMEDIATE')
    base.executemany('INSERT OR IGNORE INTO reading VALUES (?, ?, ?)', [(m, now, 50 * now) for m in range(20)])
    base.execute('COMMIT')
"""
READER = """
import sys, time
from daemon.store.opening import open_reader
kept = open_reader(sys.argv[1], watching=True)
for second in range(10 ** 9):
    if second % {read} == 0:
        kept.execute('SELECT * FROM minute ORDER BY slot DESC LIMIT 200').fetchall()
        kept.execute('SELECT * FROM source_state').fetchall()
    if second % {status} == 0:
        fresh = open_reader(sys.argv[1], watching=True)
        fresh.execute('SELECT max(slot) FROM minute').fetchall()
        fresh.close()
    time.sleep(1)
"""
IMPORTS = """
import sqlite3, serial, paho.mqtt.client
print(next(line for line in open('/proc/self/status') if line.startswith('VmRSS')).split()[1])
"""
BARE_CLIENT = """
import sys
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
client.on_message = lambda *_: None
client.on_subscribe = lambda *_: print(flush=True)
client.connect('127.0.0.1', int(sys.argv[1]))
client.subscribe('bench/#', qos=1)
client.loop_forever()
"""
BARE_INSERT = """
import os, sys
from daemon.store import writer
from daemon.store.keys import row_key
from daemon.store.short_rows import INTO, ROW
base = writer.open_writer(sys.argv[1])
(meter,) = writer.meter_ids(base, ['branch 1']).values()
before = sum(os.times()[:2])
for first in range(0, int(sys.argv[2]), 1000):
    base.execute('BEGIN IMMEDIATE')
    base.executemany(INTO + ROW,
        [(row_key(n, meter), 50 * n, 2950, 1000, 0, 1000, 1000, 60, 0) for n in range(first, first + 1000)])
    base.execute('COMMIT')
print(sum(os.times()[:2]) - before)
"""
