-- Instants are milliseconds since 1970 (UTC).
CREATE TABLE exams (
    key              TEXT    NOT NULL PRIMARY KEY,
    subject          TEXT    NOT NULL,
    encounter        TEXT,
    panel_identifier TEXT,
    version          INTEGER NOT NULL,
    created          INTEGER NOT NULL,
    updated          INTEGER NOT NULL
) STRICT;
CREATE INDEX exams_by_encounter ON exams (subject, encounter);
CREATE UNIQUE INDEX exams_by_panel ON exams (panel_identifier) WHERE panel_identifier IS NOT NULL;

-- Every version of every resource; `current` marks the newest.
CREATE TABLE resources (
    row       INTEGER NOT NULL PRIMARY KEY,
    type      TEXT    NOT NULL,
    id        TEXT    NOT NULL,
    version   INTEGER NOT NULL,
    exam      TEXT    NOT NULL REFERENCES exams (key),
    derived   INTEGER NOT NULL,
    current   INTEGER NOT NULL,
    body      TEXT    NOT NULL,
    updated   INTEGER NOT NULL,
    status    TEXT,
    date_low  INTEGER,
    date_high INTEGER,
    UNIQUE (type, id, version)
) STRICT;
CREATE UNIQUE INDEX resources_current ON resources (type, id) WHERE current = 1;
CREATE INDEX resources_by_exam ON resources (exam) WHERE current = 1;
CREATE INDEX resources_by_date ON resources (type, date_low) WHERE current = 1;
CREATE INDEX resources_by_update ON resources (type, updated) WHERE current = 1;

-- What the current versions can be searched by.
CREATE TABLE search_values (
    resource INTEGER NOT NULL REFERENCES resources (row),
    name     TEXT    NOT NULL,
    system   TEXT    NOT NULL,
    value    TEXT    NOT NULL
) STRICT;
CREATE INDEX search_values_by_value ON search_values (name, value, system);
CREATE INDEX search_values_by_resource ON search_values (resource);

CREATE TABLE outbox (
    id            INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
    exam          TEXT    NOT NULL REFERENCES exams (key),
    exam_version  INTEGER NOT NULL,
    payload       TEXT    NOT NULL,
    state         TEXT    NOT NULL,
    attempts      INTEGER NOT NULL DEFAULT 0,
    crashes       INTEGER NOT NULL DEFAULT 0,
    due           INTEGER NOT NULL,
    lease_until   INTEGER,
    failure       TEXT,
    remote_status INTEGER,
    detail        TEXT,
    created       INTEGER NOT NULL,
    updated       INTEGER NOT NULL,
    UNIQUE (exam, exam_version)
) STRICT;
CREATE INDEX outbox_open ON outbox (due) WHERE state IN ('pending', 'sending', 'unknown-outcome');
CREATE INDEX outbox_by_state ON outbox (state, id);

-- What operators did to deliveries, and why.
CREATE TABLE operator_actions (
    id       INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
    delivery INTEGER NOT NULL REFERENCES outbox (id),
    action   TEXT    NOT NULL,
    caller   TEXT    NOT NULL,
    reason   TEXT,
    at       INTEGER NOT NULL
) STRICT;

CREATE TABLE idempotency (
    key       TEXT    NOT NULL,
    caller    TEXT    NOT NULL,
    body_hash TEXT    NOT NULL,
    answer    TEXT    NOT NULL,
    created   INTEGER NOT NULL,
    PRIMARY KEY (key, caller)
) STRICT;

-- One row, written to find out whether the store takes writes.
CREATE TABLE heartbeat (
    only INTEGER NOT NULL PRIMARY KEY CHECK (only = 1),
    at   INTEGER NOT NULL
) STRICT;
