-- Where in a trace the submission stood that this follows from, in the headers of W3C Trace Context: the place, and what
-- other tracing systems noted for themselves. NULL where the caller named none and nothing is traced.
ALTER TABLE outbox ADD COLUMN traceparent TEXT COLLATE "C";
ALTER TABLE outbox ADD COLUMN tracestate TEXT COLLATE "C";
