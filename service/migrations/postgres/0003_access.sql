-- The clinic that an exam belongs to; empty for none. It never changes, so resources and deliveries carry it as well:
-- what a caller of a clinic sees is chosen by an index.
ALTER TABLE exams ADD COLUMN clinic TEXT COLLATE "C" NOT NULL DEFAULT '';
ALTER TABLE resources ADD COLUMN clinic TEXT COLLATE "C" NOT NULL DEFAULT '';
ALTER TABLE outbox ADD COLUMN clinic TEXT COLLATE "C" NOT NULL DEFAULT '';
DROP INDEX exams_by_encounter;
CREATE INDEX exams_by_encounter ON exams (subject, encounter, clinic);
-- Two clinics may give their exams the same identifier.
DROP INDEX exams_by_panel;
CREATE UNIQUE INDEX exams_by_panel ON exams (panel_identifier, clinic) WHERE panel_identifier IS NOT NULL;
CREATE INDEX resources_by_clinic ON resources (clinic, type, updated) WHERE current = 1;
CREATE INDEX outbox_by_clinic ON outbox (clinic, id);

-- Bearer tokens that were made by `solewire token`. The token itself is known to its holder only.
CREATE TABLE tokens (
    id      TEXT   COLLATE "C" NOT NULL PRIMARY KEY,
    name    TEXT   NOT NULL,
    -- SHA-256 of the token, in hex.
    hash    TEXT   COLLATE "C" NOT NULL UNIQUE,
    -- Words separated by spaces.
    rights  TEXT   NOT NULL,
    clinic  TEXT   COLLATE "C",
    device  TEXT   COLLATE "C",
    created BIGINT NOT NULL,
    expires BIGINT,
    revoked BIGINT
);
