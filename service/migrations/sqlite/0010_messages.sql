-- What is sent stands in a table of its own: the rows of the outbox change with each attempt, and a changed row is
-- written anew with everything in it.
CREATE TABLE messages (
    delivery INTEGER NOT NULL PRIMARY KEY REFERENCES outbox (id),
    -- Empty once it was purged.
    payload  TEXT NOT NULL
) STRICT;
INSERT INTO messages (delivery, payload) SELECT id, payload FROM outbox;
ALTER TABLE outbox DROP COLUMN payload;
