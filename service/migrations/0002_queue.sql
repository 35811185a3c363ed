-- 1 once it may have reached the record system.
ALTER TABLE outbox ADD COLUMN reached INTEGER NOT NULL DEFAULT 0;
UPDATE outbox SET reached = 1 WHERE state <> 'pending';
