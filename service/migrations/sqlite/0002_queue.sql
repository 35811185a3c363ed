-- How many versions of the exam were queued for delivery: the outbox must hold as many rows, whatever became of them.
ALTER TABLE exams ADD COLUMN queued INTEGER NOT NULL DEFAULT 0;
UPDATE exams SET queued = (SELECT count(*) FROM outbox WHERE outbox.exam = exams.key);

-- What goes first: 2 an active problem, 1 a high category, 0 the rest.
ALTER TABLE outbox ADD COLUMN priority INTEGER NOT NULL DEFAULT 0;
-- Who holds it: drawn at random each time it is taken up. Only the holder may say what became of it.
ALTER TABLE outbox ADD COLUMN lease INTEGER;
-- 1 once it may have reached the record system.
ALTER TABLE outbox ADD COLUMN reached INTEGER NOT NULL DEFAULT 0;
UPDATE outbox SET reached = 1 WHERE state <> 'pending';
-- 1 when this version withdraws the exam, so that earlier versions need not be sent any more.
ALTER TABLE outbox ADD COLUMN withdrawal INTEGER NOT NULL DEFAULT 0;

DROP INDEX outbox_open;
CREATE INDEX outbox_next ON outbox (priority DESC, id) WHERE state IN ('pending', 'sending', 'unknown-outcome');
CREATE INDEX outbox_age ON outbox (created) WHERE state IN ('pending', 'sending', 'unknown-outcome');
