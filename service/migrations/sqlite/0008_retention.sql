-- When the payload was purged after its delivery, in milliseconds since 1970; the payload is empty then.
ALTER TABLE outbox ADD COLUMN purged INTEGER;
-- What a later version of the exam still needs of a purged payload: a SHA-256 for each entry, in order, as JSON.
ALTER TABLE outbox ADD COLUMN outline TEXT;
-- When a superseded version was purged; its body is empty then. Never set where `current` is 1.
ALTER TABLE resources ADD COLUMN purged INTEGER;
CREATE INDEX outbox_kept ON outbox (updated) WHERE purged IS NULL AND state IN ('delivered', 'verified', 'withdrawn');
CREATE INDEX resources_superseded ON resources (exam) WHERE current = 0 AND purged IS NULL;
CREATE INDEX idempotency_by_age ON idempotency (created);
