"""The tables, as a list of migrations that is only ever added to.

One row per meter and minute sums up the readings that fell into that minute and depends on no other row: the volume
between two rows is worked out when hours are derived. So log files can be loaded in any order and more than once.
Raw counts and times are kept; K-factors are applied at reading.

    minute        UTC epoch minute; `part` 0, and one more for each time the count ran backward inside the minute. All
                  three are read from `id`, (minute << 16) + (meter << 6) + part, which a query for a stretch of time should
                  ask for: WHERE slot >= minute << 16
      count       cumulative count of the part's last reading, as the device sent it
      pulses      pulses from the part's first to its last reading
      at_ms       time of the last reading, ms after the start of the minute; read from `rest_ms`, from it to the end
      span_ms     ms from the part's first to its last reading, 0 for a single reading; read from `first_ms`, the time of
                  the first reading, null where that is the last
      low_mhz     lowest rate between neighbouring readings of the part, thousandths of a pulse a second, null for a
                  single reading; read from `below_mhz`, how far it is below the part's mean rate
      high_mhz    highest such rate; read from `above_mhz`
      samples     readings in the part, doubled ones counted once
      restart     1: the counter is known to have restarted since the reading before this part; 0: known not, or not told
    minute_block  the minutes of one hour and meter that hold a single reading each, from a log file, as text: 20 digits
                  a reading, ms after the start of the hour (8) and count (12); a minute is here or in `minute`
    all_minutes   both of them as rows
    hour          pulses counted in `seconds` while the pump ran; off_s: seconds in which it was recognised as stopped;
      parts       the hour in parts of ten minutes: pulses (6 float32), seconds (6 float32, left out where the pump ran
                  throughout: 600 each), and how many seconds after its end each part was known for good (6 uint16), low
                  byte first
    usual_rate    median of the rates above zero in the ten-minute parts of a UTC day, pulses a second
    stale_day     UTC epoch days whose hours are behind their minutes
    dropped_day   UTC epoch days whose minutes were dropped because of their age: their hours are never replaced by less
    journal       what the keeper did
    rejected      how many lines of a source were refused, by reason; `quarantine` keeps the latest of them
    loaded        log files that are in, by the SHA-256 of their content
    baseline      commissioned states of the plant
    source_state  what each source last said of itself
    anchor        what was believed of the clock: UTC epoch ms less the monotonic clock of a boot, from `steady_ms` on;
                  `known` 1 once the clock was set
    undated_minute  rows as in `minute`, but counted in minutes of the monotonic clock, for as long as nobody knows the
                  time; with their anchor's offset added they are rows of `minute`
    job_run       what the jobs did: `outcome` good, failed, late (over its time), idle (nothing to do yet); of runs that went
                  well with the same words one after the other, the last; while a collector runs, when its last assessment
                  like the one before was is in `source_state`
    finding       what the last assessment found, and what earlier ones had found; `ended` tells why it is over: cleared,
                  or withdrawn (the readings as they are known now do not give it)
    watch_memory  what the watch knew after some hours, so that the next assessment goes on from there
    note          what the program last noted of itself, as JSON: `integrity`, `backup`, `assessment`
    gauge_minute  mean of a gauge's values in a UTC epoch minute, in the gauge's unit, their standard deviation (null for
                  one) and how many they were; minute and gauge are read from `slot`, (minute << 10) + gauge; of two files
                  that speak of one minute the one with more values counts, with as many the higher mean
    gauge_hour    median of the means of an hour's minutes, and how many these were, of the hours up to the newest one here;
                  it stays when the minutes are dropped
    undated_gauge_minute  rows as in `gauge_minute`, but counted in minutes of the monotonic clock, as `undated_minute`
    disk_space    bytes of the database and bytes free beside it, noted once a UTC epoch day
"""

STORE = """
CREATE TABLE meter (id INTEGER PRIMARY KEY CHECK (id < 4096), name TEXT NOT NULL UNIQUE) STRICT;
CREATE TABLE minute (
    minute INTEGER NOT NULL,
    meter INTEGER NOT NULL REFERENCES meter (id),
    part INTEGER NOT NULL DEFAULT 0,
    count INTEGER NOT NULL,
    pulses INTEGER NOT NULL DEFAULT 0,
    at_ms INTEGER NOT NULL,
    span_ms INTEGER NOT NULL DEFAULT 0,
    low_mhz INTEGER,
    high_mhz INTEGER,
    samples INTEGER NOT NULL DEFAULT 1,
    restart INTEGER NOT NULL DEFAULT 0,
    PRIMARY KEY (minute, meter, part)
) STRICT, WITHOUT ROWID;
CREATE TABLE minute_block (
    id INTEGER PRIMARY KEY,
    body TEXT NOT NULL,
    hour INTEGER GENERATED ALWAYS AS (id / 4096) VIRTUAL,
    meter INTEGER GENERATED ALWAYS AS (id % 4096) VIRTUAL
) STRICT;
CREATE VIEW all_minutes AS
SELECT minute, meter, part, count, pulses, at_ms, span_ms, low_mhz, high_mhz, samples, restart FROM minute
UNION ALL
SELECT
    hour * 60 + CAST(substr(body, 20 * place + 1, 8) AS INTEGER) / 60000, meter, 0,
    CAST(substr(body, 20 * place + 9, 12) AS INTEGER), 0,
    CAST(substr(body, 20 * place + 1, 8) AS INTEGER) % 60000, 0, NULL, NULL, 1, 0
FROM minute_block JOIN (
    WITH RECURSIVE places (place) AS (SELECT 0 UNION ALL SELECT place + 1 FROM places WHERE place < 59)
    SELECT place FROM places
) ON 20 * place < length(body);
CREATE TABLE hour (
    hour INTEGER NOT NULL,
    meter INTEGER NOT NULL REFERENCES meter (id),
    pulses REAL NOT NULL,
    seconds REAL NOT NULL,
    off_s REAL NOT NULL,
    PRIMARY KEY (hour, meter)
) STRICT, WITHOUT ROWID;
CREATE TABLE usual_rate (
    day INTEGER NOT NULL,
    meter INTEGER NOT NULL REFERENCES meter (id),
    rate_hz REAL NOT NULL,
    PRIMARY KEY (day, meter)
) STRICT, WITHOUT ROWID;
CREATE TABLE stale_day (day INTEGER PRIMARY KEY) STRICT;
CREATE TABLE journal (
    id INTEGER PRIMARY KEY,
    at_ms INTEGER NOT NULL,
    kind TEXT NOT NULL,
    target TEXT NOT NULL,
    value TEXT NOT NULL,
    source TEXT NOT NULL,
    UNIQUE (at_ms, kind, target, value)
) STRICT;
CREATE TABLE quarantine (
    id INTEGER PRIMARY KEY,
    source TEXT NOT NULL,
    line_no INTEGER,
    reason TEXT NOT NULL,
    line TEXT NOT NULL,
    first_ms INTEGER NOT NULL,
    times INTEGER NOT NULL DEFAULT 1
) STRICT;
CREATE UNIQUE INDEX quarantine_once ON quarantine (source, reason, line, ifnull(line_no, 0));
CREATE TABLE rejected (
    source TEXT NOT NULL, reason TEXT NOT NULL, times INTEGER NOT NULL, PRIMARY KEY (source, reason)
) STRICT, WITHOUT ROWID;
CREATE TABLE loaded (
    digest TEXT PRIMARY KEY,
    name TEXT NOT NULL,
    lines INTEGER NOT NULL,
    accepted INTEGER NOT NULL,
    rejected INTEGER NOT NULL,
    first_ms INTEGER,
    last_ms INTEGER
) STRICT;
CREATE TABLE baseline (
    id INTEGER PRIMARY KEY,
    made_ms INTEGER NOT NULL,
    from_ms INTEGER NOT NULL,
    to_ms INTEGER NOT NULL,
    plant_digest TEXT NOT NULL,
    body TEXT NOT NULL
) STRICT;
CREATE TABLE source_state (name TEXT PRIMARY KEY, at_ms INTEGER NOT NULL, body TEXT NOT NULL) STRICT;
CREATE VIEW minute_rate AS
SELECT
    strftime('%Y-%m-%dT%H:%M:%SZ', minute * 60, 'unixepoch') AS minute_utc,
    meter.name AS meter,
    count,
    CASE WHEN restart = 0 AND count >= before THEN count - before END AS pulses_since_row_before,
    samples,
    low_mhz / 1000.0 AS lowest_hz,
    high_mhz / 1000.0 AS highest_hz
FROM (SELECT *, lag(count) OVER (PARTITION BY meter ORDER BY minute, part) AS before FROM all_minutes) AS row
JOIN meter ON meter.id = row.meter;
"""

JOBS = """
CREATE TABLE job_run (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    started_ms INTEGER NOT NULL,
    ended_ms INTEGER NOT NULL,
    outcome TEXT NOT NULL CHECK (outcome IN ('good', 'failed', 'late', 'idle')),
    words TEXT NOT NULL
) STRICT;
CREATE INDEX job_run_of ON job_run (name, id);
CREATE TABLE finding (
    id TEXT PRIMARY KEY,
    raised_ms INTEGER NOT NULL,
    over_ms INTEGER,
    ended TEXT CHECK (ended IN ('cleared', 'withdrawn')),
    status TEXT NOT NULL,
    summary TEXT NOT NULL,
    action TEXT NOT NULL,
    body TEXT NOT NULL
) STRICT;
CREATE TABLE note (name TEXT PRIMARY KEY, at_ms INTEGER NOT NULL, body TEXT NOT NULL) STRICT;
CREATE TABLE disk_space (
    day INTEGER PRIMARY KEY, database_bytes INTEGER NOT NULL, free_bytes INTEGER NOT NULL
) STRICT;
"""

CLOCK = """
CREATE TABLE anchor (
    id INTEGER PRIMARY KEY,
    boot TEXT NOT NULL,
    steady_ms INTEGER NOT NULL,
    offset_ms INTEGER NOT NULL,
    known INTEGER NOT NULL
) STRICT;
CREATE TABLE undated_minute (
    anchor INTEGER NOT NULL REFERENCES anchor (id),
    minute INTEGER NOT NULL,
    meter INTEGER NOT NULL REFERENCES meter (id),
    part INTEGER NOT NULL,
    count INTEGER NOT NULL,
    pulses INTEGER NOT NULL,
    at_ms INTEGER NOT NULL,
    span_ms INTEGER NOT NULL,
    low_mhz INTEGER,
    high_mhz INTEGER,
    samples INTEGER NOT NULL,
    restart INTEGER NOT NULL,
    PRIMARY KEY (anchor, minute, meter, part)
) STRICT, WITHOUT ROWID;
"""

MEMORY = """
CREATE TABLE watch_memory (hour INTEGER PRIMARY KEY, digest TEXT NOT NULL, body BLOB NOT NULL) STRICT;
"""

PARTS = """
ALTER TABLE hour ADD COLUMN parts BLOB;
INSERT OR IGNORE INTO stale_day SELECT DISTINCT minute / 1440 FROM minute;
INSERT OR IGNORE INTO stale_day SELECT DISTINCT hour / 24 FROM minute_block;
"""

VIEWS_OF_MINUTES = """CREATE VIEW all_minutes AS
SELECT minute, meter, part, count, pulses, at_ms, span_ms, low_mhz, high_mhz, samples, restart FROM minute
UNION ALL
SELECT
    hour * 60 + CAST(substr(body, 20 * place + 1, 8) AS INTEGER) / 60000, meter, 0,
    CAST(substr(body, 20 * place + 9, 12) AS INTEGER), 0,
    CAST(substr(body, 20 * place + 1, 8) AS INTEGER) % 60000, 0, NULL, NULL, 1, 0
FROM minute_block JOIN (
    WITH RECURSIVE places (place) AS (SELECT 0 UNION ALL SELECT place + 1 FROM places WHERE place < 59)
    SELECT place FROM places
) ON 20 * place < length(body);
CREATE VIEW minute_rate AS
SELECT
    strftime('%Y-%m-%dT%H:%M:%SZ', minute * 60, 'unixepoch') AS minute_utc,
    meter.name AS meter,
    count,
    CASE WHEN restart = 0 AND count >= before THEN count - before END AS pulses_since_row_before,
    samples,
    low_mhz / 1000.0 AS lowest_hz,
    high_mhz / 1000.0 AS highest_hz
FROM (SELECT *, lag(count) OVER (PARTITION BY meter ORDER BY minute, part) AS before FROM all_minutes) AS row
JOIN meter ON meter.id = row.meter;
"""

MINUTES_BY_NUMBER = (
    """
DROP VIEW minute_rate;
DROP VIEW all_minutes;
ALTER TABLE minute RENAME TO minute_by_columns;
CREATE TABLE minute (
    minute INTEGER GENERATED ALWAYS AS (slot >> 16) VIRTUAL,
    meter INTEGER GENERATED ALWAYS AS (slot >> 6 & 1023) VIRTUAL REFERENCES meter (id),
    part INTEGER GENERATED ALWAYS AS (slot & 63) VIRTUAL,
    count INTEGER NOT NULL,
    pulses INTEGER NOT NULL DEFAULT 0,
    at_ms INTEGER NOT NULL,
    span_ms INTEGER NOT NULL DEFAULT 0,
    low_mhz INTEGER,
    high_mhz INTEGER,
    samples INTEGER NOT NULL DEFAULT 1,
    restart INTEGER NOT NULL DEFAULT 0,
    slot INTEGER PRIMARY KEY
) STRICT;
INSERT INTO minute (slot, count, pulses, at_ms, span_ms, low_mhz, high_mhz, samples, restart)
SELECT (minute << 16) + (meter << 6) + part, count, pulses, at_ms, span_ms, low_mhz, high_mhz, samples, restart
FROM minute_by_columns WHERE part < 64 ORDER BY minute, meter, part;
DROP TABLE minute_by_columns;
"""
    + VIEWS_OF_MINUTES
)

SHORT_ROWS = (
    """
DROP VIEW minute_rate;
DROP VIEW all_minutes;
ALTER TABLE minute RENAME TO long_minute;
CREATE TABLE minute (
    minute INTEGER GENERATED ALWAYS AS (slot >> 16) VIRTUAL,
    meter INTEGER GENERATED ALWAYS AS (slot >> 6 & 1023) VIRTUAL REFERENCES meter (id),
    part INTEGER GENERATED ALWAYS AS (slot & 63) VIRTUAL,
    count INTEGER NOT NULL,
    pulses INTEGER NOT NULL DEFAULT 0,
    at_ms INTEGER GENERATED ALWAYS AS (60000 - rest_ms) VIRTUAL,
    span_ms INTEGER GENERATED ALWAYS AS (ifnull(60000 - rest_ms - first_ms, 0)) VIRTUAL,
    low_mhz INTEGER GENERATED ALWAYS AS (pulses * 1000000 / max(span_ms, 1) - below_mhz) VIRTUAL,
    high_mhz INTEGER GENERATED ALWAYS AS (pulses * 1000000 / max(span_ms, 1) + above_mhz) VIRTUAL,
    samples INTEGER NOT NULL DEFAULT 1,
    restart INTEGER NOT NULL DEFAULT 0,
    rest_ms INTEGER NOT NULL,
    first_ms INTEGER,
    below_mhz INTEGER,
    above_mhz INTEGER,
    slot INTEGER PRIMARY KEY
) STRICT;
INSERT INTO minute (slot, count, pulses, rest_ms, first_ms, below_mhz, above_mhz, samples, restart)
SELECT
    slot, count, pulses, 60000 - at_ms, nullif(at_ms - span_ms, at_ms),
    pulses * 1000000 / max(span_ms, 1) - low_mhz, high_mhz - pulses * 1000000 / max(span_ms, 1), samples, restart
FROM long_minute ORDER BY slot;
DROP TABLE long_minute;
"""
    + VIEWS_OF_MINUTES
    + """
UPDATE hour SET parts = CAST(substr(parts, 1, 24) || substr(parts, 49, 12) AS BLOB)
WHERE substr(parts, 25, 24) = x'000016440000164400001644000016440000164400001644';
"""
)

GAUGES = """
CREATE TABLE gauge (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;
CREATE TABLE gauge_minute (
    gauge INTEGER NOT NULL REFERENCES gauge (id),
    minute INTEGER NOT NULL,
    mean REAL NOT NULL,
    samples INTEGER NOT NULL,
    PRIMARY KEY (gauge, minute)
) STRICT, WITHOUT ROWID;
"""

LIVE_GAUGES = """
ALTER TABLE gauge_minute RENAME TO gauge_minute_by_columns;
CREATE TABLE gauge_minute (
    minute INTEGER GENERATED ALWAYS AS (slot >> 10) VIRTUAL,
    gauge INTEGER GENERATED ALWAYS AS (slot & 1023) VIRTUAL REFERENCES gauge (id),
    mean REAL NOT NULL,
    sd REAL,
    samples INTEGER NOT NULL,
    slot INTEGER PRIMARY KEY
) STRICT;
INSERT INTO gauge_minute (slot, mean, samples)
SELECT (minute << 10) + gauge, mean, samples FROM gauge_minute_by_columns ORDER BY minute, gauge;
DROP TABLE gauge_minute_by_columns;
CREATE TABLE gauge_hour (
    hour INTEGER GENERATED ALWAYS AS (slot >> 10) VIRTUAL,
    gauge INTEGER GENERATED ALWAYS AS (slot & 1023) VIRTUAL REFERENCES gauge (id),
    median REAL NOT NULL,
    minutes INTEGER NOT NULL,
    slot INTEGER PRIMARY KEY
) STRICT;
CREATE TABLE undated_gauge_minute (
    anchor INTEGER NOT NULL REFERENCES anchor (id),
    minute INTEGER NOT NULL,
    gauge INTEGER NOT NULL REFERENCES gauge (id),
    mean REAL NOT NULL,
    sd REAL,
    samples INTEGER NOT NULL,
    PRIMARY KEY (anchor, minute, gauge)
) STRICT, WITHOUT ROWID;
"""

DROPPED_DAYS = """
CREATE TABLE dropped_day (day INTEGER PRIMARY KEY) STRICT;
INSERT INTO dropped_day
SELECT day FROM (SELECT DISTINCT hour / 24 AS day FROM hour)
WHERE NOT EXISTS (SELECT 1 FROM minute WHERE slot >= (day * 1440) << 16 AND slot < ((day + 1) * 1440) << 16)
AND NOT EXISTS (SELECT 1 FROM minute_block WHERE id >= day * 24 * 4096 AND id < (day + 1) * 24 * 4096);
"""

MIGRATIONS: tuple[tuple[str, str], ...] = (
    ("store", STORE),
    ("jobs", JOBS),
    ("clock", CLOCK),
    ("memory", MEMORY),
    ("parts", PARTS),
    ("minutes by number", MINUTES_BY_NUMBER),
    ("short rows", SHORT_ROWS),
    ("gauges", GAUGES),
    ("live gauges", LIVE_GAUGES),
    ("dropped days", DROPPED_DAYS),
)
"""Name and SQL of each step, oldest first. Add to the end; never change one that was released."""

VERSION = len(MIGRATIONS)
"""What `PRAGMA user_version` says once all steps are in."""
