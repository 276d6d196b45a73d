-- Times are integer milliseconds. Rows that were stamped by the daemon carry the clock epoch and the
-- monotonic time of that boot; their UTC is mono_ms + epoch.offset_ms, so that a clock which turns out
-- to have been wrong is put right for the whole boot by one UPDATE of epoch.

CREATE TABLE meta (
  key   TEXT PRIMARY KEY,
  value TEXT NOT NULL
) WITHOUT ROWID;

CREATE TABLE channel (
  id       INTEGER PRIMARY KEY,
  name     TEXT NOT NULL UNIQUE,
  quantity TEXT NOT NULL DEFAULT '',
  label    TEXT NOT NULL DEFAULT ''
);

CREATE TABLE epoch (
  id            INTEGER PRIMARY KEY,
  boot_id       TEXT NOT NULL,
  offset_ms     INTEGER NOT NULL,
  trusted       INTEGER NOT NULL,
  began_mono_ms INTEGER NOT NULL
);

-- No index on channel and time: with eight channels it makes every commit dirty eleven pages instead
-- of one, on a card that wears out by pages, and doubles the file. `block` does its work.
CREATE TABLE reading (
  seq     INTEGER PRIMARY KEY,
  channel INTEGER NOT NULL,
  epoch   INTEGER NOT NULL,
  mono_ms INTEGER NOT NULL,
  value   REAL,
  flag    INTEGER NOT NULL,
  tests   TEXT,
  raw     TEXT
);

-- A block says of a run of readings of one epoch which times and channels are in it. Readings after
-- the last block (fewer than a block holds) have none yet and are always looked through.
CREATE TABLE block (
  first_seq   INTEGER PRIMARY KEY,
  last_seq    INTEGER NOT NULL,
  epoch       INTEGER NOT NULL,
  min_mono_ms INTEGER NOT NULL,
  max_mono_ms INTEGER NOT NULL,
  channels    INTEGER NOT NULL,            -- bit (channel id % 62) is set when the channel may be in it
  rolled      INTEGER NOT NULL DEFAULT 0   -- 1 once it is counted in tenmin
);
CREATE INDEX block_by_time ON block (epoch, max_mono_ms, min_mono_ms);
CREATE INDEX block_to_roll ON block (first_seq) WHERE rolled = 0;

CREATE TABLE tenmin (
  channel  INTEGER NOT NULL,
  start_ms INTEGER NOT NULL,               -- UTC, a multiple of 600 000
  n        INTEGER NOT NULL,               -- all readings
  n_good   INTEGER NOT NULL,               -- those with a value that passed or was not evaluated
  min      REAL,
  mean     REAL,
  max      REAL,
  PRIMARY KEY (channel, start_ms)
) WITHOUT ROWID;

CREATE TABLE transition (
  seq            INTEGER PRIMARY KEY,
  alarm          TEXT NOT NULL,
  epoch          INTEGER NOT NULL,
  mono_ms        INTEGER NOT NULL,
  state_before   TEXT NOT NULL,
  state_after    TEXT NOT NULL,
  event          TEXT NOT NULL,
  priority       TEXT NOT NULL,
  active         INTEGER NOT NULL,
  what           TEXT NOT NULL,
  likely         TEXT NOT NULL,
  advice         TEXT NOT NULL,
  caution        TEXT NOT NULL,
  since_mono_ms  INTEGER NOT NULL,
  since_epoch    INTEGER,                  -- NULL: since_utc_ms alone is meant (restored after a restart)
  since_utc_ms   INTEGER NOT NULL,
  person         TEXT NOT NULL,
  shelved_for_ms INTEGER NOT NULL
);
CREATE INDEX transition_by_time ON transition (epoch, mono_ms);

CREATE TABLE alarm (
  name TEXT PRIMARY KEY,
  seq  INTEGER NOT NULL                    -- of its latest transition
) WITHOUT ROWID;

CREATE TABLE notice (
  seq      INTEGER PRIMARY KEY,
  key      TEXT NOT NULL UNIQUE,
  subject  TEXT NOT NULL,
  kind     TEXT NOT NULL,
  priority TEXT NOT NULL,
  epoch    INTEGER NOT NULL,
  mono_ms  INTEGER NOT NULL,
  title    TEXT NOT NULL,
  text     TEXT NOT NULL
);
CREATE INDEX notice_by_time ON notice (epoch, mono_ms);

CREATE TABLE estimate (
  seq     INTEGER PRIMARY KEY,
  name    TEXT NOT NULL,
  time_ms INTEGER NOT NULL,
  unit    TEXT NOT NULL,
  value   REAL,
  low     REAL,
  high    REAL,
  basis   TEXT NOT NULL
);
CREATE INDEX estimate_by_time ON estimate (time_ms);

CREATE TABLE cursor (
  sink   TEXT NOT NULL,
  stream TEXT NOT NULL,
  seq    INTEGER NOT NULL,
  PRIMARY KEY (sink, stream)
) WITHOUT ROWID;

CREATE TABLE dead_letter (
  id     INTEGER PRIMARY KEY AUTOINCREMENT,
  sink   TEXT NOT NULL,
  stream TEXT NOT NULL,
  seq    INTEGER NOT NULL,
  reason TEXT NOT NULL,
  at_ms  INTEGER NOT NULL,
  again  INTEGER NOT NULL DEFAULT 0,       -- 1: somebody asked that it be sent once more
  UNIQUE (sink, stream, seq)
);

CREATE TABLE journal (
  id         INTEGER PRIMARY KEY AUTOINCREMENT,
  key        TEXT NOT NULL UNIQUE,         -- the same entry written twice is one entry
  at_ms      INTEGER NOT NULL,             -- when it was done
  entered_ms INTEGER NOT NULL,             -- when it was written down
  kind       TEXT NOT NULL,
  value      REAL,
  unit       TEXT NOT NULL,
  text       TEXT NOT NULL,
  person     TEXT NOT NULL,
  strikes    INTEGER REFERENCES journal (id)  -- the earlier entry that this one strikes out
);
CREATE INDEX journal_by_time ON journal (at_ms);
CREATE INDEX journal_struck ON journal (strikes) WHERE strikes IS NOT NULL;

CREATE TABLE done (
  job        TEXT NOT NULL,
  local_date TEXT NOT NULL,
  PRIMARY KEY (job, local_date)
) WITHOUT ROWID;

CREATE TABLE request (
  id       INTEGER PRIMARY KEY AUTOINCREMENT,
  asked_ms INTEGER NOT NULL,
  command  TEXT NOT NULL,
  subject  TEXT NOT NULL,
  person   TEXT NOT NULL,
  seconds  REAL NOT NULL,
  text     TEXT NOT NULL,
  done     INTEGER,                        -- NULL: not answered yet
  reply    TEXT,
  alarms   TEXT                            -- JSON list of names
);
CREATE INDEX request_open ON request (id) WHERE done IS NULL;
