-- What the worklists filter and sort by, apart from the bodies: a row for each current assessment, recall and referral.
CREATE TABLE worklist (
    resource   BIGINT  NOT NULL PRIMARY KEY REFERENCES resources (row),
    kind       TEXT COLLATE "C" NOT NULL CHECK (kind IN ('assessment', 'recall', 'referral')),
    exam       TEXT COLLATE "C" NOT NULL REFERENCES exams (key),
    -- The id of the RiskAssessment that it is, or that it follows from.
    assessment TEXT COLLATE "C" NOT NULL,
    status     TEXT COLLATE "C",
    guideline  TEXT COLLATE "C",
    -- The highest category still possible.
    risk       TEXT COLLATE "C",
    -- 0 at once, 1 urgent, 2 the rest.
    urgency    BIGINT  NOT NULL,
    date_low   BIGINT,
    date_high  BIGINT
);
INSERT INTO worklist (resource, kind, exam, assessment, status, guideline, risk, urgency, date_low, date_high)
SELECT row, 'assessment', exam, id, status,
       (SELECT min(value) FROM search_values WHERE resource = resources.row AND name = 'method'),
       (SELECT min(value) FROM search_values WHERE resource = resources.row AND name = 'risk'), 2, date_low, date_high
FROM resources WHERE current = 1 AND type = 'RiskAssessment';
INSERT INTO worklist (resource, kind, exam, assessment, status, urgency, date_low, date_high)
SELECT row, CASE WHEN marked.system = 'https://solewire.example/fhir/identifier/recall' THEN 'recall' ELSE 'referral' END,
       exam, led.value, status,
       CASE (SELECT min(value) FROM search_values WHERE resource = resources.row AND name = 'priority')
            WHEN 'stat' THEN 0 WHEN 'urgent' THEN 1 ELSE 2 END, date_low, date_high
FROM resources
JOIN search_values AS marked ON marked.resource = resources.row AND marked.name = 'identifier'
    AND marked.system IN ('https://solewire.example/fhir/identifier/recall', 'https://solewire.example/fhir/identifier/referral')
JOIN search_values AS led ON led.resource = resources.row AND led.name = 'assessment'
WHERE current = 1 AND type = 'ServiceRequest'
ON CONFLICT DO NOTHING;
DELETE FROM search_values WHERE name IN ('method', 'risk', 'priority', 'assessment');
CREATE INDEX worklist_by_kind ON worklist (kind, status);
CREATE INDEX worklist_by_assessment ON worklist (assessment) WHERE kind = 'assessment';

-- What became of each attempt to deliver an exam, the last ones of each exam. No answer of a record system stands here
-- with a value of the exam.
CREATE TABLE attempts (
    id            BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    exam          TEXT   COLLATE "C" NOT NULL REFERENCES exams (key),
    delivery      BIGINT NOT NULL REFERENCES outbox (id),
    ended         BIGINT NOT NULL,
    -- Unknown when it crashed.
    took          BIGINT,
    verdict       TEXT   NOT NULL,
    failure       TEXT,
    remote_status BIGINT,
    detail        TEXT
);
CREATE INDEX attempts_by_exam ON attempts (exam, id);
CREATE INDEX attempts_by_delivery ON attempts (delivery, id);

-- Who is signed in at a page: by the hash of the cookie, with the hash of the token that opened it.
CREATE TABLE page_sessions (
    id         TEXT   COLLATE "C" NOT NULL PRIMARY KEY,
    credential TEXT   COLLATE "C" NOT NULL,
    opened     BIGINT NOT NULL,
    used       BIGINT NOT NULL
);
CREATE INDEX page_sessions_by_use ON page_sessions (used);
