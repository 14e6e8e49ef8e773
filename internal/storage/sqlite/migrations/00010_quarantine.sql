-- Schema 10, the list of submits that were set aside: what it says of each, and its
-- order.

-- +goose Up

-- Names of the sections that a submit holds, one a line, and the version that its case
-- had when it came; '' and 0: not kept.
ALTER TABLE quarantine ADD COLUMN sections TEXT NOT NULL DEFAULT '';
ALTER TABLE quarantine ADD COLUMN case_version INTEGER NOT NULL DEFAULT 0;

-- When and by whom it was filed or discarded.
ALTER TABLE quarantine ADD COLUMN decided_time INTEGER;
ALTER TABLE quarantine ADD COLUMN decided_caller TEXT NOT NULL DEFAULT '';

CREATE INDEX quarantine_list ON quarantine (site, state, received_time DESC, quarantine_id);
