"""The SQL of each version after the first. This file is history: a released step never changes."""

from __future__ import annotations

__all__ = ["CHECKS", "FRESH", "NEWS", "OUTBOX", "ROLL_UPS", "ROUNDS", "WATCH"]

CHECKS = """
-- Version 2: checks of meters, corrections, and what ouzel derives from a capture.

ALTER TABLE series ADD COLUMN reference_electrode TEXT;   -- of ORP; NULL: not known

-- What ouzel made of the values of a capture's state; they themselves stay in capture_values.
CREATE TABLE capture_derived (
    capture         INTEGER NOT NULL,
    number          INTEGER NOT NULL,
    quantity        TEXT    NOT NULL,
    position        INTEGER NOT NULL,
    unit            TEXT    NOT NULL,
    value           REAL CHECK (abs(value) < 9e999),
    expanded_u      REAL CHECK (abs(expanded_u) < 9e999),  -- 95 %, that of the method included
    phase           TEXT    NOT NULL,
    drift_per_min   REAL CHECK (abs(drift_per_min) < 9e999),
    settled_after_s REAL CHECK (abs(settled_after_s) < 9e999),
    source          TEXT    NOT NULL,
    method          TEXT    NOT NULL,
    reason          TEXT    NOT NULL,
    budget          TEXT    NOT NULL,
    PRIMARY KEY (capture, number, quantity),
    FOREIGN KEY (capture, number) REFERENCES capture_states (capture, number)
) STRICT, WITHOUT ROWID;

-- A capture of a known solution held against its value; one row a quantity.
CREATE TABLE checks (
    capture     INTEGER NOT NULL REFERENCES captures (key),
    quantity    TEXT    NOT NULL,
    at_ms       INTEGER NOT NULL,            -- when the capture came to rest
    solution    TEXT    NOT NULL,            -- name in the catalogue
    label       TEXT    NOT NULL,
    source      TEXT    NOT NULL,            -- where the solution's value comes from
    method      TEXT    NOT NULL,            -- how it was carried to temperature and meter
    temp_c      REAL    NOT NULL,
    temp_from   TEXT    NOT NULL,            -- meter, typed
    unit        TEXT    NOT NULL,            -- UCUM, of all that follow
    said        REAL    NOT NULL,            -- the meter's own value
    said_u      REAL    NOT NULL,            -- 95 %, of the settling
    expected    REAL    NOT NULL,
    expected_u  REAL    NOT NULL,            -- 95 %, solution and temperature
    allowed     REAL,                        -- NULL: nobody says
    allowed_by  TEXT    NOT NULL,
    verdict     TEXT    NOT NULL,            -- pass, fail, cannot tell
    reason      TEXT    NOT NULL,
    corrected   REAL,                        -- with the correction then in force; NULL: none was
    corrected_u REAL,
    resembles   TEXT    NOT NULL,            -- other solutions it looks like, or "a water"
    opened      TEXT    NOT NULL,            -- ISO date of the bottle
    PRIMARY KEY (capture, quantity)
) STRICT, WITHOUT ROWID;

-- A correction put in force by a person. The latest one of a meter's name and quantity that was
-- not undone holds.  corrected = (said - pivot) * gain + pivot + offset
CREATE TABLE corrections (
    id        INTEGER PRIMARY KEY,
    meter     TEXT    NOT NULL,              -- name
    quantity  TEXT    NOT NULL,
    from_ms   INTEGER NOT NULL,
    undone_ms INTEGER,
    offset    REAL    NOT NULL,
    gain      REAL    NOT NULL,
    pivot     REAL    NOT NULL
) STRICT;
CREATE INDEX corrections_by_meter ON corrections (meter, quantity, id);

-- What a correction goes through: one point for an offset, two for a line.
CREATE TABLE correction_anchors (
    correction INTEGER NOT NULL REFERENCES corrections (id),
    position   INTEGER NOT NULL,
    said       REAL    NOT NULL,
    expected   REAL    NOT NULL,
    u          REAL    NOT NULL,             -- standard uncertainty
    capture    INTEGER,                      -- the check; NULL: the zero of a conductivity cell
    quantity   TEXT    NOT NULL,
    PRIMARY KEY (correction, position),
    FOREIGN KEY (capture, quantity) REFERENCES checks (capture, quantity)
) STRICT, WITHOUT ROWID;

DROP VIEW captures_in_words;
CREATE VIEW captures_in_words AS
SELECT strftime('%Y-%m-%dT%H:%M:%fZ', captures.taken_ms / 1000.0, 'unixepoch') AS taken,
       captures.id, meters.name AS meter, captures.water, captures.role, captures.state,
       said.quantity, said.value, said.expanded_u, said.unit, said.phase, said.source, said.method
FROM captures
JOIN meters ON meters.id = captures.meter
JOIN (SELECT *, 0 AS part FROM capture_values UNION ALL SELECT *, 1 FROM capture_derived) AS said
  ON said.capture = captures.key AND said.number = captures.latest
ORDER BY captures.taken_ms, captures.key, said.part, said.position;

CREATE VIEW checks_in_words AS
SELECT strftime('%Y-%m-%dT%H:%M:%fZ', checks.at_ms / 1000.0, 'unixepoch') AS taken,
       captures.id, meters.name AS meter, checks.solution, checks.quantity, checks.said,
       checks.expected, checks.unit, checks.temp_c, checks.verdict, checks.reason
FROM checks
JOIN captures ON captures.key = checks.capture
JOIN meters ON meters.id = captures.meter
ORDER BY checks.at_ms, checks.quantity;
"""

OUTBOX = """
-- Version 3: what waits to be carried outward, in the order it happened. Rows come into `outbox` by
-- triggers, so in the transaction of the thing itself, whichever command wrote that.

-- Who carries what is kept; without a row here nothing waits.
CREATE TABLE carriers (
    name    TEXT    NOT NULL PRIMARY KEY,
    most    INTEGER NOT NULL CHECK (most > 0),   -- that may wait; see outbox_takes
    waiting INTEGER NOT NULL DEFAULT 0,
    dropped INTEGER NOT NULL DEFAULT 0           -- for want of room, ever
) STRICT, WITHOUT ROWID;

-- AUTOINCREMENT: a number is never used again, so a late acknowledgement takes no other row away.
CREATE TABLE outbox (
    id       INTEGER PRIMARY KEY AUTOINCREMENT,
    carrier  TEXT    NOT NULL REFERENCES carriers (name),
    kind     TEXT    NOT NULL CHECK (kind IN ('capture', 'check', 'event')),
    thing    INTEGER NOT NULL,                   -- captures.key or events.id
    number   INTEGER NOT NULL DEFAULT 0,         -- state of a capture
    quantity TEXT    NOT NULL DEFAULT '',        -- of a check
    refused  TEXT    NOT NULL DEFAULT ''         -- why the receiver would not have it
) STRICT;
CREATE INDEX outbox_by_carrier ON outbox (carrier, id);
CREATE INDEX outbox_by_kind ON outbox (carrier, kind, id);

-- Over `most` the oldest event goes; where there is none, the oldest row.
CREATE TRIGGER outbox_takes AFTER INSERT ON outbox BEGIN
    UPDATE carriers SET waiting = waiting + 1, dropped = dropped + (waiting >= most)
    WHERE name = NEW.carrier;
    DELETE FROM outbox WHERE (SELECT waiting > most FROM carriers WHERE name = NEW.carrier)
    AND id = coalesce(
        (SELECT min(id) FROM outbox WHERE carrier = NEW.carrier AND kind = 'event'),
        (SELECT min(id) FROM outbox WHERE carrier = NEW.carrier));
END;
CREATE TRIGGER outbox_gives AFTER DELETE ON outbox BEGIN
    UPDATE carriers SET waiting = waiting - 1 WHERE name = OLD.carrier;
END;

CREATE TRIGGER capture_goes_out AFTER INSERT ON capture_states BEGIN
    INSERT INTO outbox (carrier, kind, thing, number)
    SELECT name, 'capture', NEW.capture, NEW.number FROM carriers ORDER BY name;
END;
CREATE TRIGGER check_goes_out AFTER INSERT ON checks BEGIN
    INSERT INTO outbox (carrier, kind, thing, quantity)
    SELECT name, 'check', NEW.capture, NEW.quantity FROM carriers ORDER BY name;
END;
CREATE TRIGGER check_goes_out_anew AFTER UPDATE ON checks BEGIN
    INSERT INTO outbox (carrier, kind, thing, quantity)
    SELECT name, 'check', NEW.capture, NEW.quantity FROM carriers ORDER BY name;
END;
-- What befalls an outlet is kept, not sent: it would feed itself.
CREATE TRIGGER event_goes_out AFTER INSERT ON events WHEN substr(NEW.kind, 1, 7) <> 'outlet_' BEGIN
    INSERT INTO outbox (carrier, kind, thing)
    SELECT name, 'event', NEW.id FROM carriers ORDER BY name;
END;
"""

ROLL_UPS = """
-- Version 4: readings rolled up. A row is the unflagged values of one series in one minute, hour or
-- UTC day. See rollups.py.

-- How far each level has come: every reading before that instant is in its rows, no later one is.
CREATE TABLE rolled (
    level      TEXT    NOT NULL PRIMARY KEY,
    through_ms INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
INSERT INTO rolled VALUES ('minutes', 0), ('hours', 0), ('days', 0);

-- Clustered in the order they are made.
CREATE TABLE minutes (
    start_ms INTEGER NOT NULL,
    series   INTEGER NOT NULL REFERENCES series (id),
    n        INTEGER NOT NULL CHECK (n > 0),
    low      REAL    NOT NULL,
    high     REAL    NOT NULL,
    first_ms INTEGER NOT NULL,
    first    REAL    NOT NULL,
    last_ms  INTEGER NOT NULL,
    last     REAL    NOT NULL,
    total    REAL,                               -- sum; NULL: beyond the largest number
    squares  REAL,                               -- sum of squares
    exact    BLOB    NOT NULL,                   -- both sums unrounded: tally.py
    PRIMARY KEY (start_ms, series)
) STRICT, WITHOUT ROWID;

-- Written once an hour: clustered for whoever asks about years of one series.
CREATE TABLE hours (
    start_ms INTEGER NOT NULL,
    series   INTEGER NOT NULL REFERENCES series (id),
    n        INTEGER NOT NULL CHECK (n > 0),
    low      REAL    NOT NULL,
    high     REAL    NOT NULL,
    first_ms INTEGER NOT NULL,
    first    REAL    NOT NULL,
    last_ms  INTEGER NOT NULL,
    last     REAL    NOT NULL,
    total    REAL,                               -- sum; NULL: beyond the largest number
    squares  REAL,                               -- sum of squares
    exact    BLOB    NOT NULL,                   -- both sums unrounded: tally.py
    PRIMARY KEY (series, start_ms)
) STRICT, WITHOUT ROWID;

-- The same of whole days (UTC), made from hours.
CREATE TABLE days (
    start_ms INTEGER NOT NULL,
    series   INTEGER NOT NULL REFERENCES series (id),
    n        INTEGER NOT NULL CHECK (n > 0),
    low      REAL    NOT NULL,
    high     REAL    NOT NULL,
    first_ms INTEGER NOT NULL,
    first    REAL    NOT NULL,
    last_ms  INTEGER NOT NULL,
    last     REAL    NOT NULL,
    total    REAL,                               -- sum; NULL: beyond the largest number
    squares  REAL,                               -- sum of squares
    exact    BLOB    NOT NULL,                   -- both sums unrounded: tally.py
    PRIMARY KEY (series, start_ms)
) STRICT, WITHOUT ROWID;
"""

WATCH = """
-- Version 5: what a watch keeps. See acquire/watch/.

-- One draw-off at a point of an installation, and what came of it. NULL in a number: not known.
CREATE TABLE draws (
    watch      TEXT    NOT NULL,                 -- its name in the configuration
    started_ms INTEGER NOT NULL,
    ended_ms   INTEGER NOT NULL,
    stood_s    REAL,                             -- seconds since the draw before
    litres     REAL,
    value      REAL,                             -- settled conductivity at 25 °C, µS/cm
    u          REAL,                             -- its standard uncertainty
    temp_c     REAL,
    peak       REAL,                             -- highest of the draw
    middle     REAL,                             -- median of the whole draw
    n          INTEGER NOT NULL,                 -- readings
    flagged    INTEGER NOT NULL,                 -- of them without a number
    different  INTEGER NOT NULL,                 -- different values
    scatter    REAL    NOT NULL,
    temp_jump  REAL    NOT NULL,
    reason     TEXT    NOT NULL,                 -- why nothing settled
    feed       REAL,                             -- conductivity of the feed at 25 °C, µS/cm
    feed_u     REAL,
    feed_ms    INTEGER,                          -- when that was measured
    passage    REAL,
    passage_u  REAL,
    margin     REAL,                             -- logarithm over the limit
    PRIMARY KEY (watch, started_ms)
) STRICT, WITHOUT ROWID;

-- An alert of a watch: when it began, what it says, and when and why it ended.
CREATE TABLE alerts (
    id              TEXT    NOT NULL PRIMARY KEY,
    watch           TEXT    NOT NULL,
    kind            TEXT    NOT NULL,
    raised_ms       INTEGER NOT NULL,
    text            TEXT    NOT NULL,
    acknowledged_ms INTEGER,                     -- when a person said to have seen it
    cleared_ms      INTEGER,                     -- NULL: it holds
    cleared_text    TEXT    NOT NULL DEFAULT ''
) STRICT;
CREATE UNIQUE INDEX alerts_open ON alerts (watch, kind) WHERE cleared_ms IS NULL;

-- Cartridges, membranes: what comes after is another filter.
CREATE TABLE parts_changed (
    id    INTEGER PRIMARY KEY,
    watch TEXT    NOT NULL,
    part  TEXT    NOT NULL,
    at_ms INTEGER NOT NULL
) STRICT;
"""

ROUNDS = """
-- Version 6: rounds, what became of their stops, and particle counts.

-- One visit to a list of waters, as its plan stood when it began.
CREATE TABLE rounds (
    key       INTEGER PRIMARY KEY,
    id        TEXT    NOT NULL UNIQUE,
    plan      TEXT    NOT NULL,              -- name of the plan
    plan_text TEXT    NOT NULL,              -- its TOML as it was
    stops     TEXT    NOT NULL,              -- JSON array, as they were walked
    meter     TEXT    NOT NULL,              -- name
    began_ms  INTEGER NOT NULL,
    ended_ms  INTEGER,                       -- NULL while open
    state     TEXT    NOT NULL CHECK (state IN ('open', 'done', 'stopped')),
    note      TEXT    NOT NULL
) STRICT;
CREATE INDEX rounds_by_time ON rounds (began_ms, key);

-- Particles as they were counted; nothing computed.
CREATE TABLE counts (
    id         TEXT    NOT NULL PRIMARY KEY,
    at_ms      INTEGER NOT NULL,
    water      TEXT    NOT NULL,
    role       TEXT,
    round      TEXT    NOT NULL,             -- id of the round, or empty
    fields     TEXT    NOT NULL,             -- JSON array: objects in each field of view
    shapes     TEXT    NOT NULL,             -- JSON object: shape class to number
    bubbles    INTEGER NOT NULL,
    field_mm   REAL    NOT NULL,             -- diameter; 0: not known, here and below
    field_mm_u REAL    NOT NULL,             -- standard uncertainties
    drop_ul    REAL    NOT NULL,
    drop_ul_u  REAL    NOT NULL,
    slip_mm2   REAL    NOT NULL,
    slip_mm2_u REAL    NOT NULL,
    optics     TEXT    NOT NULL,
    note       TEXT    NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX counts_by_water ON counts (water, at_ms);

-- What became of a stop; a repeat that was done again is set aside, never deleted.
CREATE TABLE visits (
    id       INTEGER PRIMARY KEY,
    round    INTEGER NOT NULL REFERENCES rounds (key),
    position INTEGER NOT NULL,               -- of the stop, from 0
    repeat   INTEGER NOT NULL,               -- from 1
    state    TEXT    NOT NULL CHECK (state IN ('taken', 'skipped', 'set aside')),
    at_ms    INTEGER NOT NULL,
    capture  INTEGER REFERENCES captures (key),
    count    TEXT    REFERENCES counts (id),
    note     TEXT    NOT NULL,
    flags    TEXT    NOT NULL                -- JSON array of sentences
) STRICT;
CREATE INDEX visits_by_round ON visits (round, id);
CREATE INDEX visits_by_capture ON visits (capture);

CREATE VIEW rounds_in_words AS
SELECT strftime('%Y-%m-%dT%H:%M:%fZ', rounds.began_ms / 1000.0, 'unixepoch') AS began,
       rounds.id AS round, rounds.plan, rounds.meter, rounds.state, visits.position,
       visits.repeat, visits.state AS visit, captures.id AS capture, captures.water,
       captures.role, visits.count, visits.flags, visits.note
FROM rounds
LEFT JOIN visits ON visits.round = rounds.key
LEFT JOIN captures ON captures.key = visits.capture
ORDER BY rounds.began_ms, rounds.key, visits.id;
"""

NEWS = """
-- Version 7: what was said, numbered in the order it was kept, so that a listener who was away can
-- be told what was missed: see news.py. What was kept before has no number.
CREATE TABLE news (
    id     INTEGER PRIMARY KEY AUTOINCREMENT,
    kind   TEXT    NOT NULL CHECK (kind IN ('capture', 'event')),
    thing  INTEGER NOT NULL,                  -- captures.key or events.id
    number INTEGER NOT NULL DEFAULT 0         -- state of a capture
) STRICT;
CREATE TRIGGER capture_is_news AFTER INSERT ON capture_states BEGIN
    INSERT INTO news (kind, thing, number) VALUES ('capture', NEW.capture, NEW.number);
END;
CREATE TRIGGER event_is_news AFTER INSERT ON events BEGIN
    INSERT INTO news (kind, thing) VALUES ('event', NEW.id);
END;
"""

PACKS = """
-- Version 8: readings many to a row (packs.py), which writes a fraction of the bytes. `readings` is
-- a view now and gives what the table gave. What was kept before stays until it expires.
DROP VIEW readings_in_words;
ALTER TABLE readings RENAME TO single_readings;

CREATE TABLE packs (
    key    INTEGER PRIMARY KEY,               -- instant of its first reading * 1024 + 0 to 1023
    clock  INTEGER NOT NULL REFERENCES clocks (id),
    series TEXT    NOT NULL,                  -- JSON array of series.id
    scales TEXT    NOT NULL,                  -- JSON array, what to divide each column by
    rows   TEXT    NOT NULL                   -- JSON array of readings: ms after the first, then of
                                              -- each series a number, [flag, number] or [flag]
) STRICT;

CREATE VIEW readings AS
SELECT at_ms, series, value, flag, clock FROM single_readings
UNION ALL
SELECT packs.key / 1024 + json_extract(reading.value, '$[0]') AS at_ms,
       one.value AS series,
       coalesce(json_extract(reading.value, '$[' || (one.key + 1) || '][1]'),
                CASE json_type(reading.value, '$[' || (one.key + 1) || ']') WHEN 'integer'
                THEN json_extract(reading.value, '$[' || (one.key + 1) || ']') END)
           / json_extract(packs.scales, '$[' || one.key || ']') AS value,
       coalesce(json_extract(reading.value, '$[' || (one.key + 1) || '][0]'), 0) AS flag,
       packs.clock
FROM packs, json_each(packs.rows) AS reading, json_each(packs.series) AS one;

CREATE VIEW readings_in_words AS
SELECT strftime('%Y-%m-%dT%H:%M:%fZ', readings.at_ms / 1000.0, 'unixepoch') AS time,
       meters.name AS meter, series.quantity, readings.value, series.unit,
       CASE readings.flag WHEN 0 THEN '' WHEN 1 THEN 'over_range' WHEN 2 THEN 'error'
                          WHEN 3 THEN 'implausible' ELSE 'unknown' END AS flag
FROM readings
JOIN series ON series.id = readings.series
JOIN meters ON meters.id = series.meter;
"""

_GO_OUT = """
CREATE TRIGGER capture_goes_out AFTER INSERT ON capture_states BEGIN
    INSERT INTO outbox (carrier, kind, thing, number)
    SELECT name, 'capture', NEW.capture, NEW.number FROM carriers ORDER BY name;
END;
CREATE TRIGGER check_goes_out AFTER INSERT ON checks BEGIN
    INSERT INTO outbox (carrier, kind, thing, quantity)
    SELECT name, 'check', NEW.capture, NEW.quantity FROM carriers ORDER BY name;
END;
CREATE TRIGGER check_goes_out_anew AFTER UPDATE ON checks BEGIN
    INSERT INTO outbox (carrier, kind, thing, quantity)
    SELECT name, 'check', NEW.capture, NEW.quantity FROM carriers ORDER BY name;
END;
-- What befalls an outlet is kept, not sent: it would feed itself.
CREATE TRIGGER event_goes_out AFTER INSERT ON events WHEN substr(NEW.kind, 1, 7) <> 'outlet_' BEGIN
    INSERT INTO outbox (carrier, kind, thing)
    SELECT name, 'event', NEW.id FROM carriers ORDER BY name;
END;
"""

_ROLL_UPS_OUT = """
-- Version 9: roll-ups are carried out where a carrier asks for a level of them. Of one, `thing` is
-- start_ms, `number` series.id and `quantity` the level. The table is made anew for another CHECK.
ALTER TABLE carriers ADD COLUMN rollups TEXT NOT NULL DEFAULT '';
DROP TRIGGER capture_goes_out;
DROP TRIGGER check_goes_out;
DROP TRIGGER check_goes_out_anew;
DROP TRIGGER event_goes_out;
CREATE TABLE outbox_anew (
    id       INTEGER PRIMARY KEY AUTOINCREMENT,
    carrier  TEXT    NOT NULL REFERENCES carriers (name),
    kind     TEXT    NOT NULL CHECK (kind IN ('capture', 'check', 'event', 'rollup')),
    thing    INTEGER NOT NULL,
    number   INTEGER NOT NULL DEFAULT 0,
    quantity TEXT    NOT NULL DEFAULT '',
    refused  TEXT    NOT NULL DEFAULT ''
) STRICT;
INSERT INTO outbox_anew SELECT * FROM outbox;
-- Numbers that were given out and acknowledged are not given out again.
DELETE FROM sqlite_sequence WHERE name = 'outbox_anew';
INSERT INTO sqlite_sequence (name, seq)
SELECT 'outbox_anew', seq FROM sqlite_sequence WHERE name = 'outbox';
DROP TABLE outbox;
ALTER TABLE outbox_anew RENAME TO outbox;
CREATE INDEX outbox_by_carrier ON outbox (carrier, id);
CREATE INDEX outbox_by_kind ON outbox (carrier, kind, id);

-- Over `most` the oldest roll-up goes, then the oldest event, then the oldest row.
CREATE TRIGGER outbox_takes AFTER INSERT ON outbox BEGIN
    UPDATE carriers SET waiting = waiting + 1, dropped = dropped + (waiting >= most)
    WHERE name = NEW.carrier;
    DELETE FROM outbox WHERE (SELECT waiting > most FROM carriers WHERE name = NEW.carrier)
    AND id = coalesce(
        (SELECT min(id) FROM outbox WHERE carrier = NEW.carrier AND kind = 'rollup'),
        (SELECT min(id) FROM outbox WHERE carrier = NEW.carrier AND kind = 'event'),
        (SELECT min(id) FROM outbox WHERE carrier = NEW.carrier));
END;
CREATE TRIGGER outbox_gives AFTER DELETE ON outbox BEGIN
    UPDATE carriers SET waiting = waiting - 1 WHERE name = OLD.carrier;
END;
"""

_ROLLED_OUT = """
CREATE TRIGGER LEVEL_go_out AFTER INSERT ON LEVEL BEGIN
    INSERT INTO outbox (carrier, kind, thing, number, quantity)
    SELECT name, 'rollup', NEW.start_ms, NEW.series, 'LEVEL' FROM carriers
    WHERE rollups = 'LEVEL' ORDER BY name;
END;
"""

ROLL_UPS_OUT = "".join(
    (
        _ROLL_UPS_OUT,
        _GO_OUT,
        *(_ROLLED_OUT.replace("LEVEL", level) for level in ("minutes", "hours", "days")),
    )
)

_UNPACKED = """
SELECT pack.key / 1024 + json_extract(reading.value, '$[0]') AS at_ms,
       one.value AS series,
       coalesce(json_extract(reading.value, '$[' || (one.key + 1) || '][1]'),
                CASE json_type(reading.value, '$[' || (one.key + 1) || ']') WHEN 'integer'
                THEN json_extract(reading.value, '$[' || (one.key + 1) || ']') END)
           / json_extract(pack.scales, '$[' || one.key || ']') AS value,
       coalesce(json_extract(reading.value, '$[' || (one.key + 1) || '][0]'), 0) AS flag,
       pack.clock
FROM TABLE AS pack, json_each(pack.rows) AS reading, json_each(pack.series) AS one"""

_FRESH = """
-- Version 10: the packs of the last commits stand in rows that are written over again.
CREATE TABLE fresh_turn (
    turn INTEGER NOT NULL
) STRICT;
INSERT INTO fresh_turn VALUES (1);

CREATE TABLE fresh_packs (
    slot   INTEGER PRIMARY KEY,
    turn   INTEGER NOT NULL,                  -- of another than fresh_turn says: holds nothing now
    key    INTEGER NOT NULL,                  -- this and the rest as in packs
    clock  INTEGER NOT NULL REFERENCES clocks (id),
    series TEXT    NOT NULL,
    scales TEXT    NOT NULL,
    rows   TEXT    NOT NULL
) STRICT;

DROP VIEW readings;
CREATE VIEW readings AS
SELECT at_ms, series, value, flag, clock FROM single_readings
UNION ALL"""

FRESH = "".join(
    (
        _FRESH,
        _UNPACKED.replace("TABLE", "packs"),
        "\nUNION ALL",
        _UNPACKED.replace("TABLE", "fresh_packs"),
        "\nWHERE pack.turn = (SELECT turn FROM fresh_turn);\n",
    )
)

TAIL = "".join(
    (
        """
-- Version 11: the packs since the last transaction stand in a file beside the store (tail.py).
CREATE TABLE tail (
    turn INTEGER NOT NULL                      -- names the records in it that count
) STRICT;
INSERT INTO tail VALUES (2);

INSERT INTO packs SELECT key, clock, series, scales, rows FROM fresh_packs
WHERE turn = (SELECT turn FROM fresh_turn);
DROP VIEW readings;
DROP TABLE fresh_packs;
DROP TABLE fresh_turn;

CREATE VIEW readings AS
SELECT at_ms, series, value, flag, clock FROM single_readings
UNION ALL""",
        _UNPACKED.replace("TABLE", "packs"),
        ";\n",
    )
)
