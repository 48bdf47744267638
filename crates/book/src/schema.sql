-- Schema 1 of the lab book. Times of day are UTC, RFC 3339. Widths are in ms, instants in s.

CREATE TABLE chain (
    id   INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE CHECK (length(name) > 0)
) STRICT;

-- What is known of a chain: computer, system, program, link, adapter, cable, or anything else.
CREATE TABLE chain_note (
    chain_id INTEGER NOT NULL REFERENCES chain (id) ON DELETE CASCADE,
    key      TEXT NOT NULL CHECK (length(key) > 0),
    value    TEXT NOT NULL,
    PRIMARY KEY (chain_id, key)
) STRICT, WITHOUT ROWID;

-- AUTOINCREMENT: the number of a forgotten run is not given to another.
CREATE TABLE run (
    id              INTEGER PRIMARY KEY AUTOINCREMENT,
    chain_id        INTEGER NOT NULL REFERENCES chain (id) ON DELETE RESTRICT,
    stored_at       TEXT NOT NULL,
    program         TEXT NOT NULL, -- version of pulsewright that stored it
    settings        TEXT NOT NULL, -- JSON: how the captures were read
    reading         TEXT NOT NULL, -- JSON: what was found in them: format, channels, levels, notes
    summary_version INTEGER NOT NULL,
    summary         TEXT NOT NULL, -- JSON: what was computed
    pulses          INTEGER NOT NULL
) STRICT;

CREATE INDEX run_of_chain ON run (chain_id);

-- The files that a run was read from, in order.
CREATE TABLE source (
    run_id   INTEGER NOT NULL REFERENCES run (id) ON DELETE CASCADE,
    position INTEGER NOT NULL,
    role     TEXT NOT NULL CHECK (role IN ('capture', 'requests')),
    path     TEXT NOT NULL, -- as given; '-' is standard input
    sha256   TEXT NOT NULL CHECK (length(sha256) = 64),
    bytes    INTEGER NOT NULL,
    format   TEXT,          -- of a capture
    PRIMARY KEY (run_id, position)
) STRICT, WITHOUT ROWID;

-- Delivered requests, in time.
CREATE TABLE pulse (
    run_id         INTEGER NOT NULL REFERENCES run (id) ON DELETE CASCADE,
    position       INTEGER NOT NULL,
    direction      TEXT CHECK (direction IN ('ra+', 'ra-', 'dec+', 'dec-')),
    requested_ms   REAL NOT NULL,
    width_ms       REAL NOT NULL,
    start_s        REAL,
    issued_s       REAL,
    start_delay_ms REAL,
    bridged        INTEGER NOT NULL,
    request        INTEGER, -- its place in the request log, from 0
    PRIMARY KEY (run_id, position)
) STRICT, WITHOUT ROWID;

-- Pulses that are no clean delivery: extra ones, and broken requests.
CREATE TABLE stray (
    run_id       INTEGER NOT NULL REFERENCES run (id) ON DELETE CASCADE,
    position     INTEGER NOT NULL,
    kind         TEXT NOT NULL CHECK (kind IN ('extra', 'broken')),
    direction    TEXT CHECK (direction IN ('ra+', 'ra-', 'dec+', 'dec-')),
    width_ms     REAL NOT NULL,
    start_s      REAL NOT NULL,
    requested_ms REAL,
    PRIMARY KEY (run_id, position)
) STRICT, WITHOUT ROWID;
