-- What was done, by whom, to which exam. Each row holds the hash of the row before it, so that none can be changed,
-- taken out or moved without a trace. Rows are only ever added.
CREATE TABLE audit (
    seq      BIGINT NOT NULL PRIMARY KEY,
    id       TEXT   COLLATE "C" NOT NULL UNIQUE,
    at       BIGINT NOT NULL,
    clinic   TEXT   COLLATE "C" NOT NULL,
    -- The id of the exam that it is about; empty for none.
    exam     TEXT   COLLATE "C" NOT NULL,
    action   TEXT   COLLATE "C" NOT NULL,
    -- The AuditEvent, byte for byte.
    body     TEXT   NOT NULL,
    previous TEXT   COLLATE "C" NOT NULL,
    -- SHA-256 in hex.
    hash     TEXT   COLLATE "C" NOT NULL
);
CREATE INDEX audit_by_time ON audit (at);
CREATE INDEX audit_by_exam ON audit (exam) WHERE exam <> '';
CREATE INDEX audit_by_clinic ON audit (clinic, seq);

-- How many rows there are, and the hash of the last. Whoever adds rows holds it until its transaction ends.
CREATE TABLE audit_head (
    "only" BIGINT NOT NULL PRIMARY KEY CHECK ("only" = 1),
    seq    BIGINT NOT NULL,
    hash   TEXT   COLLATE "C" NOT NULL
);
INSERT INTO audit_head ("only", seq, hash) VALUES (1, 0, '');

CREATE FUNCTION audit_is_only_added_to() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'the audit is only added to';
END
$$;
CREATE TRIGGER audit_is_not_changed BEFORE UPDATE OR DELETE ON audit
    FOR EACH ROW EXECUTE FUNCTION audit_is_only_added_to();
CREATE TRIGGER audit_is_not_emptied BEFORE TRUNCATE ON audit
    FOR EACH STATEMENT EXECUTE FUNCTION audit_is_only_added_to();
