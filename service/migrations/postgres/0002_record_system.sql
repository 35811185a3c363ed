-- What the record system made of each entry, as JSON: null, or its reference and its version there.
ALTER TABLE outbox ADD COLUMN placed TEXT;
-- 1 once an operator has put it back, knowing how the record system differs: it is then written over what is there.
ALTER TABLE outbox ADD COLUMN confirmed BIGINT NOT NULL DEFAULT 0 CHECK (confirmed IN (0, 1));
-- When to look whether it is there, and how often that was tried; null when there is nothing to look for.
ALTER TABLE outbox ADD COLUMN verify_after BIGINT;
ALTER TABLE outbox ADD COLUMN verify_tries BIGINT NOT NULL DEFAULT 0;
CREATE INDEX outbox_unverified ON outbox (verify_after) WHERE state = 'delivered' AND verify_after IS NOT NULL;
