-- Schema 11, cases found by their number whatever their state: one may have been that
-- of several.

-- +goose Up

CREATE INDEX cases_of_number ON cases (site, external_value, external_system) WHERE external_value <> '';
