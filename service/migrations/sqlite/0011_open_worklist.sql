-- A row says by itself where it stands in a list, so that a page is read from an index in the order in which it is
-- shown, however long the list is.
CREATE TABLE listed (
    resource   INTEGER NOT NULL PRIMARY KEY REFERENCES resources (row),
    kind       TEXT    NOT NULL CHECK (kind IN ('assessment', 'recall', 'referral')),
    exam       TEXT    NOT NULL REFERENCES exams (key),
    subject    TEXT    NOT NULL,
    clinic     TEXT    NOT NULL,
    -- The id of the RiskAssessment that it is, or that it follows from.
    assessment TEXT    NOT NULL,
    status     TEXT,
    -- That of an assessment; empty for what follows from one.
    guideline  TEXT    NOT NULL,
    -- 0 at once, 1 urgent, 2 the rest.
    urgency    INTEGER NOT NULL,
    -- The highest category that the assessment leaves possible; empty when it names none.
    risk       TEXT    NOT NULL,
    -- When the exam of the assessment was made.
    examined   INTEGER,
    -- Its time, or the least and the greatest number.
    date_low   INTEGER NOT NULL,
    date_high  INTEGER NOT NULL,
    -- Whether it still asks for something: it is not done, and the person was not examined later in the same clinic.
    open       INTEGER NOT NULL CHECK (open IN (0, 1))
) STRICT;
INSERT INTO listed
SELECT about.resource, about.kind, about.exam, subject, clinic, about.assessment, about.status,
       coalesce(about.guideline, ''), about.urgency, coalesce(assessed.risk, ''), assessed.date_low,
       coalesce(about.date_low, -9223372036854775808), coalesce(about.date_high, 9223372036854775807), 0
FROM worklist AS about JOIN exams ON key = about.exam
LEFT JOIN worklist AS assessed ON assessed.kind = 'assessment' AND assessed.assessment = about.assessment;
DROP TABLE worklist;
ALTER TABLE listed RENAME TO worklist;
CREATE INDEX worklist_by_assessment ON worklist (assessment) WHERE kind = 'assessment';
CREATE INDEX worklist_by_subject ON worklist (subject, clinic);
UPDATE worklist SET open = 1
WHERE status IN ('active', 'preliminary') AND examined >= (
    SELECT max(examined) FROM worklist AS other
    WHERE other.subject = worklist.subject AND other.clinic = worklist.clinic AND other.kind = 'assessment'
      AND other.status <> 'entered-in-error');
-- All that a page needs to find its entries.
CREATE INDEX worklist_open ON worklist (kind, guideline, urgency, risk, date_high, resource, date_low, open)
    WHERE open = 1;
CREATE INDEX worklist_open_in_clinic
    ON worklist (clinic, kind, guideline, urgency, risk, date_high, resource, date_low, open)
    WHERE open = 1 AND clinic <> '';
-- The latest first, by date; with all that a comparison of dates looks at.
CREATE INDEX resources_by_end ON resources (type, date_high, date_low, current) WHERE current = 1;
-- The unique index of versions finds the current one as well, among the few that a resource has.
DROP INDEX resources_current;
