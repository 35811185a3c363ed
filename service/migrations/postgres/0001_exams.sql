-- The tables of the SQLite store, so that the same statements run on both: instants are milliseconds since 1970 (UTC),
-- yes and no are 1 and 0, and text is compared byte by byte.
CREATE TABLE exams (
    key              TEXT   COLLATE "C" NOT NULL PRIMARY KEY,
    subject          TEXT   COLLATE "C" NOT NULL,
    encounter        TEXT   COLLATE "C",
    panel_identifier TEXT   COLLATE "C",
    version          BIGINT NOT NULL,
    created          BIGINT NOT NULL,
    updated          BIGINT NOT NULL,
    -- How many versions were queued for delivery: the outbox must hold as many rows, whatever became of them.
    queued           BIGINT NOT NULL DEFAULT 0
);
CREATE INDEX exams_by_encounter ON exams (subject, encounter);
CREATE UNIQUE INDEX exams_by_panel ON exams (panel_identifier) WHERE panel_identifier IS NOT NULL;

-- Every version of every resource; `current` marks the newest.
CREATE TABLE resources (
    row       BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    type      TEXT   COLLATE "C" NOT NULL,
    id        TEXT   COLLATE "C" NOT NULL,
    version   BIGINT NOT NULL,
    exam      TEXT   COLLATE "C" NOT NULL REFERENCES exams (key),
    derived   BIGINT NOT NULL CHECK (derived IN (0, 1)),
    current   BIGINT NOT NULL CHECK (current IN (0, 1)),
    body      TEXT   NOT NULL,
    updated   BIGINT NOT NULL,
    status    TEXT   COLLATE "C",
    date_low  BIGINT,
    date_high BIGINT,
    UNIQUE (type, id, version)
);
CREATE UNIQUE INDEX resources_current ON resources (type, id) WHERE current = 1;
CREATE INDEX resources_by_exam ON resources (exam) WHERE current = 1;
CREATE INDEX resources_by_date ON resources (type, date_low) WHERE current = 1;
CREATE INDEX resources_by_update ON resources (type, updated) WHERE current = 1;

-- What the current versions can be searched by.
CREATE TABLE search_values (
    resource BIGINT NOT NULL REFERENCES resources (row),
    name     TEXT   COLLATE "C" NOT NULL,
    system   TEXT   COLLATE "C" NOT NULL,
    value    TEXT   COLLATE "C" NOT NULL
);
-- By its hash, because an index entry of the whole text has a limit that a long value would break.
CREATE INDEX search_values_by_value ON search_values USING hash (value);
CREATE INDEX search_values_by_resource ON search_values (resource);

CREATE TABLE outbox (
    id            BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    exam          TEXT   COLLATE "C" NOT NULL REFERENCES exams (key),
    exam_version  BIGINT NOT NULL,
    payload       TEXT   NOT NULL,
    state         TEXT   NOT NULL,
    -- What goes first: 2 an active problem, 1 a high category, 0 the rest.
    priority      BIGINT NOT NULL,
    -- 1 when this version withdraws the exam, so that earlier versions need not be sent any more.
    withdrawal    BIGINT NOT NULL CHECK (withdrawal IN (0, 1)),
    -- 1 once it may have reached the record system.
    reached       BIGINT NOT NULL DEFAULT 0 CHECK (reached IN (0, 1)),
    attempts      BIGINT NOT NULL DEFAULT 0,
    crashes       BIGINT NOT NULL DEFAULT 0,
    due           BIGINT NOT NULL,
    -- Who holds it: another number each time it is taken up. Only the holder may say what became of it.
    lease         BIGINT,
    -- It is free at `lease_until`, which its process moves on while it lives, but never beyond `lease_end`. Both are
    -- compared with the clock of the server.
    lease_until   BIGINT,
    lease_end     BIGINT,
    failure       TEXT,
    remote_status BIGINT,
    detail        TEXT,
    created       BIGINT NOT NULL,
    updated       BIGINT NOT NULL,
    UNIQUE (exam, exam_version)
);
CREATE INDEX outbox_next ON outbox (priority DESC, id) WHERE state IN ('pending', 'sending', 'unknown-outcome');
CREATE INDEX outbox_age ON outbox (created) WHERE state IN ('pending', 'sending', 'unknown-outcome');
CREATE INDEX outbox_under_way ON outbox (lease) WHERE state = 'sending';
CREATE INDEX outbox_by_state ON outbox (state, id);

-- What operators did to deliveries, and why.
CREATE TABLE operator_actions (
    id       BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    delivery BIGINT NOT NULL REFERENCES outbox (id),
    action   TEXT   NOT NULL,
    caller   TEXT   NOT NULL,
    reason   TEXT,
    at       BIGINT NOT NULL
);

CREATE TABLE idempotency (
    key       TEXT   COLLATE "C" NOT NULL,
    caller    TEXT   COLLATE "C" NOT NULL,
    body_hash TEXT   NOT NULL,
    answer    TEXT   NOT NULL,
    created   BIGINT NOT NULL,
    PRIMARY KEY (key, caller)
);

-- One row, written to find out whether the store takes writes.
CREATE TABLE heartbeat (
    "only" BIGINT NOT NULL PRIMARY KEY CHECK ("only" = 1),
    at     BIGINT NOT NULL
);
