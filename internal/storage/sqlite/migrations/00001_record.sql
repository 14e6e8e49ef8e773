-- Schema 1, the record. Its history stands in the package comment.
--
-- Times are nanoseconds since 1970 in UTC; NULL is no time. Empty text is no
-- value. Every row of a case points to cases.id, so that the site and the uid
-- stand once. A table without rowid keeps the rows of one case side by side.

-- +goose Up

-- What belongs to the file itself.
CREATE TABLE store (
  id     INTEGER PRIMARY KEY CHECK (id = 1),
  secret BLOB NOT NULL CHECK (length(secret) = 32)
) STRICT;

-- The state of each case: the one row a write compares and swaps.
CREATE TABLE cases (
  id                 INTEGER PRIMARY KEY,
  site               TEXT    NOT NULL,
  uid                TEXT    NOT NULL,
  version            INTEGER NOT NULL CHECK (version >= 1),
  state              TEXT    NOT NULL CHECK (state IN ('active', 'retracted', 'merged')),
  external_system    TEXT    NOT NULL,
  external_value     TEXT    NOT NULL,
  opened_time        INTEGER,
  changed_time       INTEGER NOT NULL,
  evaluation         INTEGER NOT NULL, -- number of the newest, 0 for none
  incision_time      INTEGER,
  plan_timing        TEXT    NOT NULL,
  merged_into        TEXT    NOT NULL,
  sections           TEXT    NOT NULL, -- JSON, the state of each section
  operated           INTEGER NOT NULL, -- of sections, to filter and count by
  retracted_sections INTEGER NOT NULL -- likewise
) STRICT;

CREATE UNIQUE INDEX cases_uid ON cases (site, uid);

-- A case number is unique among the cases that are not retracted or merged.
CREATE UNIQUE INDEX cases_external ON cases (site, external_system, external_value)
  WHERE state = 'active' AND external_value <> '';

CREATE INDEX cases_changed ON cases (site, changed_time DESC, uid);

CREATE INDEX cases_number ON cases (site, external_value, external_system, uid)
  WHERE state = 'active';

-- Identity, apart from everything clinical: erasure is a DELETE on these two.
CREATE TABLE patient_identifiers (
  case_id  INTEGER NOT NULL REFERENCES cases (id),
  position INTEGER NOT NULL, -- 0 the current one, then the former ones in order
  system   TEXT    NOT NULL,
  value    TEXT    NOT NULL,
  PRIMARY KEY (case_id, position)
) STRICT, WITHOUT ROWID;

CREATE TABLE identity_contents (
  case_id  INTEGER NOT NULL REFERENCES cases (id),
  revision INTEGER NOT NULL,
  content  BLOB    NOT NULL,
  PRIMARY KEY (case_id, revision)
) STRICT, WITHOUT ROWID;

-- Every revision of every section, only ever added.
CREATE TABLE revisions (
  case_id           INTEGER NOT NULL REFERENCES cases (id),
  section           TEXT    NOT NULL,
  revision          INTEGER NOT NULL CHECK (revision >= 1),
  case_version      INTEGER NOT NULL,
  position          INTEGER NOT NULL, -- within the write of that version
  received_time     INTEGER,
  source_time       INTEGER,
  caller            TEXT    NOT NULL,
  retraction        INTEGER NOT NULL,
  retraction_reason TEXT    NOT NULL,
  retraction_text   TEXT    NOT NULL,
  content           BLOB, -- NULL for a retraction, and where it is in identity_contents
  PRIMARY KEY (case_id, section, revision)
) STRICT, WITHOUT ROWID;

-- Every evaluation, only ever added.
CREATE TABLE evaluations (
  case_id           INTEGER NOT NULL REFERENCES cases (id),
  number            INTEGER NOT NULL CHECK (number >= 1),
  case_version      INTEGER NOT NULL,
  time              INTEGER,
  catalogue_version TEXT    NOT NULL,
  rule_set_version  TEXT    NOT NULL,
  policy_hash       TEXT    NOT NULL,
  calibration_id    TEXT    NOT NULL,
  software_version  TEXT    NOT NULL,
  plan_revision     INTEGER NOT NULL,
  outcome_seen      INTEGER NOT NULL,
  metrics           BLOB, -- before the long answer, so that a scan need not pass it
  answer            BLOB,
  PRIMARY KEY (case_id, number)
) STRICT, WITHOUT ROWID;

-- Findings and discrepancies of the newest evaluation of each case, to filter by.
CREATE TABLE findings (
  case_id  INTEGER NOT NULL REFERENCES cases (id),
  position INTEGER NOT NULL,
  id       TEXT    NOT NULL,
  rule     TEXT    NOT NULL,
  severity TEXT    NOT NULL,
  occasion TEXT    NOT NULL,
  place    TEXT    NOT NULL,
  final    INTEGER NOT NULL,
  PRIMARY KEY (case_id, position)
) STRICT, WITHOUT ROWID;

CREATE INDEX findings_contradiction ON findings (case_id) WHERE severity = 'contradiction';

CREATE TABLE discrepancies (
  case_id  INTEGER NOT NULL REFERENCES cases (id),
  position INTEGER NOT NULL,
  id       TEXT    NOT NULL,
  class    TEXT    NOT NULL,
  verdict  TEXT    NOT NULL,
  root     INTEGER NOT NULL,
  message  BLOB,
  PRIMARY KEY (case_id, position)
) STRICT, WITHOUT ROWID;

-- The order of changes of each site.
CREATE TABLE changes (
  site          TEXT    NOT NULL,
  number        INTEGER NOT NULL,
  kind          TEXT    NOT NULL,
  case_uid      TEXT    NOT NULL,
  case_version  INTEGER NOT NULL,
  section       TEXT    NOT NULL,
  revision      INTEGER NOT NULL,
  state         TEXT    NOT NULL,
  reason        TEXT    NOT NULL,
  time          INTEGER,
  quarantine_id TEXT    NOT NULL,
  PRIMARY KEY (site, number)
) STRICT, WITHOUT ROWID;

-- Requests that were answered; no body with identifiers.
CREATE TABLE requests (
  site          TEXT    NOT NULL,
  caller        TEXT    NOT NULL,
  method        TEXT    NOT NULL,
  request_id    TEXT    NOT NULL,
  content_hash  BLOB,
  case_uid      TEXT    NOT NULL,
  case_version  INTEGER NOT NULL,
  evaluation    INTEGER NOT NULL,
  quarantine_id TEXT    NOT NULL,
  time          INTEGER,
  receipt       BLOB,
  PRIMARY KEY (site, caller, method, request_id)
) STRICT, WITHOUT ROWID;

CREATE TABLE quarantine (
  id            INTEGER PRIMARY KEY,
  site          TEXT    NOT NULL,
  quarantine_id TEXT    NOT NULL,
  case_uid      TEXT    NOT NULL,
  received_time INTEGER,
  caller        TEXT    NOT NULL,
  state         TEXT    NOT NULL CHECK (state IN ('open', 'filed', 'discarded')),
  decision      TEXT    NOT NULL,
  hash          BLOB
) STRICT;

CREATE UNIQUE INDEX quarantine_key ON quarantine (site, quarantine_id);

CREATE UNIQUE INDEX quarantine_open ON quarantine (site, hash) WHERE state = 'open';

-- Bodies hold another patient's identifiers: apart, so that erasure finds them.
CREATE TABLE quarantine_bodies (
  quarantine INTEGER PRIMARY KEY REFERENCES quarantine (id),
  body       BLOB    NOT NULL
) STRICT;

CREATE TABLE policies (
  site       TEXT NOT NULL,
  hash       TEXT NOT NULL,
  version    TEXT NOT NULL,
  first_used INTEGER,
  text       TEXT NOT NULL,
  PRIMARY KEY (site, hash)
) STRICT;
