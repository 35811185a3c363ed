-- What is sent stands in a table of its own: the rows of the outbox change with each attempt, and a changed row is
-- written anew with everything in it.
CREATE TABLE messages (
    delivery BIGINT NOT NULL PRIMARY KEY REFERENCES outbox (id),
    -- Empty once it was purged.
    payload  TEXT COLLATE "C" NOT NULL
);
INSERT INTO messages (delivery, payload) SELECT id, payload FROM outbox;
-- A column that is dropped stays in the rows that have it.
UPDATE outbox SET payload = '';
ALTER TABLE outbox DROP COLUMN payload;
