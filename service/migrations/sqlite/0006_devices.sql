-- When an exam without a panel was closed because no more results came, in milliseconds since 1970; null while it is
-- open, and for an exam that its panel closes.
ALTER TABLE exams ADD COLUMN closed INTEGER;
CREATE INDEX exams_open ON exams (updated) WHERE panel_identifier IS NULL AND closed IS NULL;

-- How many new or changed results came from each device, by day (UTC) from 1970.
CREATE TABLE device_days (
    device  TEXT    NOT NULL,
    day     INTEGER NOT NULL,
    results INTEGER NOT NULL,
    PRIMARY KEY (device, day)
) STRICT;

-- The assessments of an exam by its time: what came before or after it is asked of one person at each submission.
CREATE INDEX resources_assessments ON resources (exam, date_low)
    WHERE current = 1 AND derived = 1 AND type = 'RiskAssessment';
