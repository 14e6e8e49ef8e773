-- +goose Up
CREATE TABLE store (
  key   TEXT PRIMARY KEY,
  value BLOB NOT NULL
) STRICT;

CREATE TABLE cases (
  site            TEXT NOT NULL,
  uid             TEXT NOT NULL,
  version         INTEGER NOT NULL,
  state           TEXT NOT NULL,
  external_system TEXT NOT NULL,
  external_value  TEXT NOT NULL,
  opened          INTEGER,
  changed         INTEGER,
  evaluation      INTEGER NOT NULL,
  incision        INTEGER,
  plan_timing     TEXT NOT NULL,
  merged_into     TEXT NOT NULL,
  outcome_seen    INTEGER NOT NULL,
  PRIMARY KEY (site, uid)
) STRICT;
CREATE UNIQUE INDEX cases_external ON cases (site, external_system, external_value)
  WHERE state = 'active' AND external_value <> '';
CREATE INDEX cases_changed ON cases (site, state, changed DESC, uid);

CREATE TABLE identities (
  site   TEXT NOT NULL,
  uid    TEXT NOT NULL,
  place  INTEGER NOT NULL,
  system TEXT NOT NULL,
  value  TEXT NOT NULL,
  PRIMARY KEY (site, uid, place),
  FOREIGN KEY (site, uid) REFERENCES cases (site, uid)
) STRICT;

CREATE TABLE sections (
  site    TEXT NOT NULL,
  uid     TEXT NOT NULL,
  section TEXT NOT NULL,
  head    INTEGER NOT NULL,
  state   TEXT NOT NULL,
  place   INTEGER NOT NULL,
  PRIMARY KEY (site, uid, section),
  FOREIGN KEY (site, uid) REFERENCES cases (site, uid)
) STRICT;

CREATE TABLE revisions (
  number            INTEGER PRIMARY KEY,
  site              TEXT NOT NULL,
  uid               TEXT NOT NULL,
  section           TEXT NOT NULL,
  revision          INTEGER NOT NULL,
  content           BLOB,
  received          INTEGER,
  source            INTEGER,
  caller            TEXT NOT NULL,
  retraction        INTEGER NOT NULL,
  retraction_reason TEXT NOT NULL,
  retraction_text   TEXT NOT NULL,
  case_version      INTEGER NOT NULL,
  UNIQUE (site, uid, section, revision),
  FOREIGN KEY (site, uid) REFERENCES cases (site, uid)
) STRICT;

CREATE TABLE evaluations (
  site              TEXT NOT NULL,
  uid               TEXT NOT NULL,
  number            INTEGER NOT NULL,
  case_version      INTEGER NOT NULL,
  time              INTEGER,
  catalogue_version TEXT NOT NULL,
  rule_set_version  TEXT NOT NULL,
  policy_hash       TEXT NOT NULL,
  calibration_id    TEXT NOT NULL,
  software_version  TEXT NOT NULL,
  plan_revision     INTEGER NOT NULL,
  outcome_seen      INTEGER NOT NULL,
  answer            BLOB NOT NULL,
  metrics           BLOB NOT NULL,
  PRIMARY KEY (site, uid, number),
  FOREIGN KEY (site, uid) REFERENCES cases (site, uid)
) STRICT;

CREATE TABLE findings (
  site     TEXT NOT NULL,
  uid      TEXT NOT NULL,
  place_no INTEGER NOT NULL,
  id       TEXT NOT NULL,
  rule     TEXT NOT NULL,
  severity TEXT NOT NULL,
  occasion TEXT NOT NULL,
  place    TEXT NOT NULL,
  final    INTEGER NOT NULL,
  PRIMARY KEY (site, uid, place_no),
  FOREIGN KEY (site, uid) REFERENCES cases (site, uid)
) STRICT;

CREATE TABLE discrepancies (
  site     TEXT NOT NULL,
  uid      TEXT NOT NULL,
  place_no INTEGER NOT NULL,
  id       TEXT NOT NULL,
  class    TEXT NOT NULL,
  verdict  TEXT NOT NULL,
  root     INTEGER NOT NULL,
  body     BLOB NOT NULL,
  PRIMARY KEY (site, uid, place_no),
  FOREIGN KEY (site, uid) REFERENCES cases (site, uid)
) STRICT;
CREATE INDEX discrepancies_class ON discrepancies (site, class, verdict);

CREATE TABLE changes (
  site          TEXT NOT NULL,
  number        INTEGER NOT NULL,
  kind          TEXT NOT NULL,
  uid           TEXT NOT NULL,
  case_version  INTEGER NOT NULL,
  section       TEXT NOT NULL,
  revision      INTEGER NOT NULL,
  state         TEXT NOT NULL,
  reason        TEXT NOT NULL,
  time          INTEGER,
  quarantine_id TEXT NOT NULL,
  PRIMARY KEY (site, number)
) STRICT;

CREATE TABLE requests (
  caller        TEXT NOT NULL,
  site          TEXT NOT NULL,
  method        TEXT NOT NULL,
  request_id    TEXT NOT NULL,
  content_hash  BLOB NOT NULL,
  uid           TEXT NOT NULL,
  case_version  INTEGER NOT NULL,
  evaluation    INTEGER NOT NULL,
  quarantine_id TEXT NOT NULL,
  receipt       BLOB NOT NULL,
  time          INTEGER,
  PRIMARY KEY (caller, site, method, request_id)
) STRICT;

CREATE TABLE quarantine (
  site     TEXT NOT NULL,
  id       TEXT NOT NULL,
  uid      TEXT NOT NULL,
  body     BLOB NOT NULL,
  received INTEGER,
  caller   TEXT NOT NULL,
  state    TEXT NOT NULL,
  decision TEXT NOT NULL,
  hash     BLOB NOT NULL,
  PRIMARY KEY (site, id)
) STRICT;
CREATE INDEX quarantine_hash ON quarantine (site, hash);

CREATE TABLE policies (
  site       TEXT NOT NULL,
  hash       TEXT NOT NULL,
  version    TEXT NOT NULL,
  text       TEXT NOT NULL,
  first_used INTEGER,
  PRIMARY KEY (site, hash)
) STRICT;
