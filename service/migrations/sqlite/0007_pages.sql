-- What the worklists filter and sort by, apart from the bodies: a row for each current assessment, recall and referral.
CREATE TABLE worklist (
    resource   INTEGER NOT NULL PRIMARY KEY REFERENCES resources (row),
    kind       TEXT    NOT NULL CHECK (kind IN ('assessment', 'recall', 'referral')),
    exam       TEXT    NOT NULL REFERENCES exams (key),
    -- The id of the RiskAssessment that it is, or that it follows from.
    assessment TEXT    NOT NULL,
    status     TEXT,
    guideline  TEXT,
    -- The highest category still possible.
    risk       TEXT,
    -- 0 at once, 1 urgent, 2 the rest.
    urgency    INTEGER NOT NULL,
    date_low   INTEGER,
    date_high  INTEGER
) STRICT;
-- The plus keeps the index by name out of it, which would look at every exam for each exam.
INSERT INTO worklist (resource, kind, exam, assessment, status, guideline, risk, urgency, date_low, date_high)
SELECT row, 'assessment', exam, id, status,
       (SELECT min(value) FROM search_values WHERE resource = resources.row AND +name = 'method'),
       (SELECT min(value) FROM search_values WHERE resource = resources.row AND +name = 'risk'), 2, date_low, date_high
FROM resources WHERE current = 1 AND type = 'RiskAssessment';
INSERT INTO worklist (resource, kind, exam, assessment, status, urgency, date_low, date_high)
SELECT row, CASE WHEN marked.system = 'https://solewire.example/fhir/identifier/recall' THEN 'recall' ELSE 'referral' END,
       exam, led.value, status,
       CASE (SELECT min(value) FROM search_values WHERE resource = resources.row AND +name = 'priority')
            WHEN 'stat' THEN 0 WHEN 'urgent' THEN 1 ELSE 2 END, date_low, date_high
FROM resources
JOIN search_values AS marked ON marked.resource = resources.row AND +marked.name = 'identifier'
    AND marked.system IN ('https://solewire.example/fhir/identifier/recall', 'https://solewire.example/fhir/identifier/referral')
JOIN search_values AS led ON led.resource = resources.row AND +led.name = 'assessment'
WHERE current = 1 AND type = 'ServiceRequest'
ON CONFLICT DO NOTHING;
DELETE FROM search_values WHERE name IN ('method', 'risk', 'priority', 'assessment');
CREATE INDEX worklist_by_kind ON worklist (kind, status);
CREATE INDEX worklist_by_assessment ON worklist (assessment) WHERE kind = 'assessment';

-- What became of each attempt to deliver an exam, the last ones of each exam. No answer of a record system stands here
-- with a value of the exam.
CREATE TABLE attempts (
    id            INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
    exam          TEXT    NOT NULL REFERENCES exams (key),
    delivery      INTEGER NOT NULL REFERENCES outbox (id),
    ended         INTEGER NOT NULL,
    -- Unknown when it crashed.
    took          INTEGER,
    verdict       TEXT    NOT NULL,
    failure       TEXT,
    remote_status INTEGER,
    detail        TEXT
) STRICT;
CREATE INDEX attempts_by_exam ON attempts (exam, id);
CREATE INDEX attempts_by_delivery ON attempts (delivery, id);

-- Who is signed in at a page: by the hash of the cookie, with the hash of the token that opened it.
CREATE TABLE page_sessions (
    id         TEXT    NOT NULL PRIMARY KEY,
    credential TEXT    NOT NULL,
    opened     INTEGER NOT NULL,
    used       INTEGER NOT NULL
) STRICT;
CREATE INDEX page_sessions_by_use ON page_sessions (used);
