-- Schema 9, an index of the cases that are planned and not operated yet, as far as is
-- known: they are found without reading what is over.

-- +goose Up

CREATE INDEX cases_awaiting ON cases (site, changed_time DESC, uid) WHERE plan_timing = 'no_incision_time';
