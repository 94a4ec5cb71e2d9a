-- The store of ouzel, version 1. This file is history: never edit it once released,
-- later versions are reached from it by the numbered steps named in migrations.py.
--
-- Times: *_ms are UTC milliseconds since 1970, *_mono_ns monotonic nanoseconds of one boot.
-- Readings carry only UTC; their monotonic time is
--     clocks.mono_ns + (readings.at_ms - clocks.at_ms) * 1000000      (see docs/store.md)

-- One row each time a writer opened the store.
CREATE TABLE runs (
    id              INTEGER PRIMARY KEY,
    boot            TEXT    NOT NULL,            -- the system's boot id; monotonic times compare within it
    version         TEXT    NOT NULL,            -- of ouzel
    started_ms      INTEGER NOT NULL,
    started_mono_ns INTEGER NOT NULL,
    ended_ms        INTEGER,                     -- NULL while running; after a crash the last time known
    clean           INTEGER NOT NULL DEFAULT 0 CHECK (clean IN (0, 1))
) STRICT;

-- How wall time and monotonic time stood to each other. A run has one row, and one more each
-- time the wall clock moved against the monotonic one.
CREATE TABLE clocks (
    id      INTEGER PRIMARY KEY,
    run     INTEGER NOT NULL REFERENCES runs (id),
    at_ms   INTEGER NOT NULL,
    mono_ns INTEGER NOT NULL
) STRICT;

-- A meter as it was described; another description of the same name is another row.
CREATE TABLE meters (
    id           INTEGER PRIMARY KEY,
    name         TEXT    NOT NULL,
    driver       TEXT    NOT NULL DEFAULT '',
    profile      TEXT    NOT NULL DEFAULT '',
    identity     TEXT    NOT NULL DEFAULT '',
    described_ms INTEGER NOT NULL,               -- last time it was described so
    UNIQUE (name, driver, profile, identity)
) STRICT;

-- One quantity of one meter, with the properties its values were read under.
CREATE TABLE series (
    id                INTEGER PRIMARY KEY,
    meter             INTEGER NOT NULL REFERENCES meters (id),
    quantity          TEXT    NOT NULL,
    unit              TEXT    NOT NULL,          -- UCUM
    resolution        REAL,                      -- NULL: not described
    accuracy          REAL    NOT NULL DEFAULT 0,
    accuracy_relative REAL    NOT NULL DEFAULT 0,
    follows           TEXT,                      -- quantity the meter computes this one from
    reference_c       REAL,                      -- °C the meter has compensated to; NULL: it has not
    coefficient       REAL,                      -- fraction per °C it used
    described_ms      INTEGER NOT NULL
) STRICT;
CREATE INDEX series_by_meter ON series (meter, quantity);

-- What the meters said. Clustered in the order of arrival: a commit touches the last pages only.
CREATE TABLE readings (
    at_ms  INTEGER NOT NULL,
    series INTEGER NOT NULL REFERENCES series (id),
    value  REAL CHECK (abs(value) < 9e999),      -- finite, or NULL: no number (flag says why)
    flag   INTEGER NOT NULL DEFAULT 0,           -- 0 none, 1 over range, 2 error, 3 implausible
    clock  INTEGER NOT NULL REFERENCES clocks (id),
    PRIMARY KEY (at_ms, series),
    CHECK (value IS NOT NULL OR flag <> 0)
) STRICT, WITHOUT ROWID;

-- One immersion that came to rest, or did not. The last state stands here, all of them below.
CREATE TABLE captures (
    key             INTEGER PRIMARY KEY,
    id              TEXT    NOT NULL UNIQUE,
    run             INTEGER NOT NULL REFERENCES runs (id),
    meter           INTEGER NOT NULL REFERENCES meters (id),
    started_ms      INTEGER NOT NULL,
    started_mono_ns INTEGER NOT NULL,
    taken_ms        INTEGER NOT NULL,            -- when it first came to rest
    taken_mono_ns   INTEGER NOT NULL,
    latest          INTEGER NOT NULL,            -- number of the state that holds now
    state           TEXT    NOT NULL CHECK (state IN ('provisional', 'final', 'withdrawn', 'unsettled')),
    water           TEXT    NOT NULL,
    role            TEXT,
    reason          TEXT    NOT NULL
) STRICT;
CREATE INDEX captures_by_time ON captures (taken_ms, key);
CREATE INDEX captures_by_water ON captures (water, taken_ms);

-- Every state a capture was kept in; rows are only ever added.
CREATE TABLE capture_states (
    capture       INTEGER NOT NULL REFERENCES captures (key),
    number        INTEGER NOT NULL,              -- 1, 2, ...
    state         TEXT    NOT NULL,
    taken_ms      INTEGER NOT NULL,
    taken_mono_ns INTEGER NOT NULL,
    water         TEXT    NOT NULL,
    role          TEXT,
    reason        TEXT    NOT NULL,
    PRIMARY KEY (capture, number)
) STRICT, WITHOUT ROWID;

-- The values of each state. NULL in a number: not known.
CREATE TABLE capture_values (
    capture         INTEGER NOT NULL,
    number          INTEGER NOT NULL,
    quantity        TEXT    NOT NULL,
    position        INTEGER NOT NULL,            -- order in which the capture lists them
    unit            TEXT    NOT NULL,
    value           REAL CHECK (abs(value) < 9e999),
    expanded_u      REAL CHECK (abs(expanded_u) < 9e999),  -- 95 %
    phase           TEXT    NOT NULL,
    drift_per_min   REAL CHECK (abs(drift_per_min) < 9e999),
    settled_after_s REAL CHECK (abs(settled_after_s) < 9e999),
    source          TEXT    NOT NULL,            -- meter, derived
    method          TEXT    NOT NULL,
    reason          TEXT    NOT NULL,
    budget          TEXT    NOT NULL,            -- JSON object: term to standard uncertainty
    PRIMARY KEY (capture, number, quantity),
    FOREIGN KEY (capture, number) REFERENCES capture_states (capture, number)
) STRICT, WITHOUT ROWID;

-- What happened: a meter lost, a gap, a clock step.
CREATE TABLE events (
    id      INTEGER PRIMARY KEY,
    run     INTEGER NOT NULL REFERENCES runs (id),
    at_ms   INTEGER NOT NULL,
    mono_ns INTEGER NOT NULL,
    kind    TEXT    NOT NULL,
    meter   TEXT    NOT NULL,                    -- name, or empty
    text    TEXT    NOT NULL,
    data    TEXT    NOT NULL                     -- JSON object
) STRICT;
CREATE INDEX events_by_time ON events (at_ms, id);

-- For people with the sqlite3 shell.
CREATE VIEW readings_in_words AS
SELECT strftime('%Y-%m-%dT%H:%M:%fZ', readings.at_ms / 1000.0, 'unixepoch') AS time,
       meters.name AS meter, series.quantity, readings.value, series.unit,
       CASE readings.flag WHEN 0 THEN '' WHEN 1 THEN 'over_range' WHEN 2 THEN 'error'
                          WHEN 3 THEN 'implausible' ELSE 'unknown' END AS flag
FROM readings
JOIN series ON series.id = readings.series
JOIN meters ON meters.id = series.meter;

CREATE VIEW captures_in_words AS
SELECT strftime('%Y-%m-%dT%H:%M:%fZ', captures.taken_ms / 1000.0, 'unixepoch') AS taken,
       captures.id, meters.name AS meter, captures.water, captures.role, captures.state,
       capture_values.quantity, capture_values.value, capture_values.expanded_u,
       capture_values.unit, capture_values.phase, capture_values.source, capture_values.method
FROM captures
JOIN meters ON meters.id = captures.meter
JOIN capture_values ON capture_values.capture = captures.key
                   AND capture_values.number = captures.latest
ORDER BY captures.taken_ms, captures.key, capture_values.position;
