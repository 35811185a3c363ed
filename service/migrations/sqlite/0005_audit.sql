-- What was done, by whom, to which exam. Each row holds the hash of the row before it, so that none can be changed,
-- taken out or moved without a trace. Rows are only ever added.
CREATE TABLE audit (
    seq      INTEGER NOT NULL PRIMARY KEY,
    id       TEXT    NOT NULL UNIQUE,
    at       INTEGER NOT NULL,
    clinic   TEXT    NOT NULL,
    -- The id of the exam that it is about; empty for none.
    exam     TEXT    NOT NULL,
    action   TEXT    NOT NULL,
    -- The AuditEvent, byte for byte.
    body     TEXT    NOT NULL,
    previous TEXT    NOT NULL,
    -- SHA-256 in hex.
    hash     TEXT    NOT NULL
) STRICT;
CREATE INDEX audit_by_time ON audit (at);
CREATE INDEX audit_by_exam ON audit (exam) WHERE exam <> '';
CREATE INDEX audit_by_clinic ON audit (clinic, seq);

-- How many rows there are, and the hash of the last.
CREATE TABLE audit_head (
    "only" INTEGER NOT NULL PRIMARY KEY CHECK ("only" = 1),
    seq    INTEGER NOT NULL,
    hash   TEXT    NOT NULL
) STRICT;
INSERT INTO audit_head ("only", seq, hash) VALUES (1, 0, '');

CREATE TRIGGER audit_is_not_changed BEFORE UPDATE ON audit
BEGIN
    SELECT RAISE(ABORT, 'the audit is only added to');
END;
CREATE TRIGGER audit_is_not_deleted BEFORE DELETE ON audit
BEGIN
    SELECT RAISE(ABORT, 'the audit is only added to');
END;
