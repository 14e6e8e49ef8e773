-- Schema 8, the mark of a store: which kind of cases it keeps.

-- +goose Up

-- Given by the first case; empty before it.
ALTER TABLE store ADD COLUMN mark TEXT NOT NULL DEFAULT '' CHECK (mark IN ('', 'invented', 'real'));

-- A store that has cases already is one of real cases if any of them is: the first one
-- may have been sent to try it.
UPDATE store SET mark = CASE
  WHEN EXISTS (SELECT 1 FROM patient_identifiers WHERE value <> '' AND system NOT LIKE 'urn:example:%') THEN 'real'
  WHEN EXISTS (SELECT 1 FROM patient_identifiers WHERE value <> '') THEN 'invented'
  ELSE '' END;
