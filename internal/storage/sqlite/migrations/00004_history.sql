-- Schema 4, what a case was before: found by its place in the history of the case,
-- not by reading all of it.

-- +goose Up

-- The order of storing, in which revisions are listed.
CREATE INDEX revisions_stored ON revisions (case_id, case_version, position);

-- The first and the newest evaluation that read a revision of the plan, before an
-- outcome came and since.
CREATE INDEX evaluations_of_plan ON evaluations (case_id, plan_revision, outcome_seen, number);

-- The first that saw an outcome.
CREATE INDEX evaluations_outcome ON evaluations (case_id, number) WHERE outcome_seen = 1;
