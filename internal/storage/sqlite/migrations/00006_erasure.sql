-- Schema 6, erasure: what is left of a case that was erased, and lines of the access
-- record that are about earlier ones.

-- +goose Up

-- When everything but uid, versions and changes was removed; NULL: it was not.
ALTER TABLE cases ADD COLUMN erased_time INTEGER;

CREATE INDEX cases_erased ON cases (site) WHERE erased_time IS NOT NULL;

-- Requests and quarantined submits of a case, by which an erasure finds them.
CREATE INDEX requests_of_case ON requests (site, case_uid) WHERE case_uid <> '';
CREATE INDEX quarantine_of_case ON quarantine (site, case_uid) WHERE case_uid <> '';

-- Lines of emergencies, and what signs them off.
CREATE INDEX accesses_emergency ON accesses (site, number) WHERE detail = 'emergency';
CREATE INDEX accesses_concerns ON accesses (concerns) WHERE concerns > 0;
