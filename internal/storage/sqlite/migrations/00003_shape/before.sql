-- Schema 3, the shape: what the Go half of this migration (shape.go) fills.
--
-- An answer stands as a frame in a row of its own, outside any key tree. What
-- identifies stands apart from what does not. Rows that are made from the record
-- (comparisons, facts, groups, child rows, resource ids) belong to a projection,
-- of which several versions may stand side by side while one is built.
--
-- newest_first orders by incision, the newest first: the bits of the time turned
-- round, and the largest number for none.

-- A row per site: short in the keys of others, and the counter of its changes,
-- which a write takes last.
CREATE TABLE sites (
  id          INTEGER PRIMARY KEY,
  site        TEXT    NOT NULL UNIQUE,
  last_change INTEGER NOT NULL
) STRICT;

INSERT INTO sites (site, last_change)
  SELECT site, max(number) FROM (
    SELECT site, number FROM changes UNION ALL SELECT site, 0 FROM cases UNION ALL SELECT site, 0 FROM quarantine
  ) GROUP BY site ORDER BY site;

ALTER TABLE cases ADD COLUMN newest_first INTEGER NOT NULL DEFAULT 9223372036854775807;
ALTER TABLE cases ADD COLUMN id_prefix INTEGER; -- first 48 bits of its resource ids, NULL while unknown

UPDATE cases SET newest_first = min(~incision_time, 9223372036854775806) WHERE incision_time IS NOT NULL;

CREATE INDEX cases_prefix ON cases (site, id_prefix) WHERE id_prefix IS NOT NULL;

DROP INDEX cases_number; -- lists are no longer by case number

ALTER TABLE evaluations RENAME TO evaluations_of_schema_2;

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
  PRIMARY KEY (case_id, number)
) STRICT, WITHOUT ROWID;

INSERT INTO evaluations
  SELECT case_id, number, case_version, time, catalogue_version, rule_set_version, policy_hash, calibration_id,
    software_version, plan_revision, outcome_seen
  FROM evaluations_of_schema_2;

CREATE TABLE answers (
  id      INTEGER PRIMARY KEY,
  case_id INTEGER NOT NULL REFERENCES cases (id),
  number  INTEGER NOT NULL, -- of the evaluation
  codec   INTEGER NOT NULL, -- 0 as it is, 1 a zstd frame behind sample 1
  base    INTEGER NOT NULL, -- number of the answer that the frame's dictionary ends with, 0: none
  hash    BLOB    NOT NULL, -- SHA-256 of the answer itself
  frame   BLOB    NOT NULL
) STRICT;

CREATE UNIQUE INDEX answers_of_case ON answers (case_id, number);

-- The values of the newest evaluation, packed.
CREATE TABLE metrics (
  case_id    INTEGER PRIMARY KEY REFERENCES cases (id),
  evaluation INTEGER NOT NULL,
  codec      INTEGER NOT NULL,
  packed     BLOB    NOT NULL
) STRICT;

-- What identifies: erasure is a DELETE here and in patient_identifiers.
CREATE TABLE identifying_parts (
  case_id      INTEGER NOT NULL REFERENCES cases (id),
  case_version INTEGER NOT NULL,
  part         INTEGER NOT NULL, -- 1 of a revision, 2 text of a retraction, 3 reason of a confirmation, 4 of an amendment
  position     INTEGER NOT NULL, -- of what it belongs to, within the write of that version
  hash         BLOB    NOT NULL, -- SHA-256
  content      BLOB    NOT NULL,
  PRIMARY KEY (case_id, case_version, part, position)
) STRICT, WITHOUT ROWID;

ALTER TABLE revisions RENAME TO revisions_of_schema_2;

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
  -- 0 nothing in it identifies, 1 what identifies stands in identifying_parts,
  -- 2 as received: content holds both, but that of identity, which stands there
  parts             INTEGER NOT NULL,
  hash              BLOB, -- SHA-256 of the content itself, NULL for a retraction
  codec             INTEGER NOT NULL,
  content           BLOB,
  PRIMARY KEY (case_id, section, revision)
) STRICT, WITHOUT ROWID;

ALTER TABLE confirmations RENAME TO confirmations_of_schema_2;

CREATE TABLE confirmations (
  case_id      INTEGER NOT NULL REFERENCES cases (id),
  case_version INTEGER NOT NULL,
  position     INTEGER NOT NULL, -- within the write of that version
  finding_id   TEXT    NOT NULL,
  rule         TEXT    NOT NULL,
  kind         TEXT    NOT NULL CHECK (kind IN ('confirmed', 'revoked', 'lapsed')),
  caller       TEXT    NOT NULL,
  time         INTEGER,
  PRIMARY KEY (case_id, case_version, position)
) STRICT, WITHOUT ROWID;

INSERT INTO confirmations
  SELECT case_id, case_version, position, finding_id, rule, kind, caller, time FROM confirmations_of_schema_2;

-- Changes of identity that a reviewer made; only ever added.
CREATE TABLE amendments (
  case_id      INTEGER NOT NULL REFERENCES cases (id),
  case_version INTEGER NOT NULL,
  position     INTEGER NOT NULL, -- within the write of that version
  kind         TEXT    NOT NULL,
  caller       TEXT    NOT NULL,
  time         INTEGER,
  PRIMARY KEY (case_id, case_version, position)
) STRICT, WITHOUT ROWID;

-- A quarantined body, and the reason of what was decided on it.
CREATE TABLE quarantine_parts (
  quarantine INTEGER PRIMARY KEY REFERENCES quarantine (id),
  body       BLOB,
  decision   TEXT NOT NULL
) STRICT;

INSERT INTO quarantine_parts
  SELECT q.id, b.body, q.decision FROM quarantine AS q LEFT JOIN quarantine_bodies AS b ON b.quarantine = q.id
  WHERE b.body IS NOT NULL OR q.decision <> '';

ALTER TABLE quarantine DROP COLUMN decision;

-- What resources are made by, per site; the numbers only rise.
CREATE TABLE mappings (
  site       TEXT    NOT NULL,
  number     INTEGER NOT NULL CHECK (number >= 1),
  version    TEXT    NOT NULL,
  codes_hash BLOB    NOT NULL,
  first_used INTEGER,
  PRIMARY KEY (site, number)
) STRICT, WITHOUT ROWID;

-- The projections listed. Ids are never used again: rows are kept under them.
CREATE TABLE projections (
  id      INTEGER PRIMARY KEY AUTOINCREMENT,
  name    TEXT    NOT NULL,
  version INTEGER NOT NULL,
  under   TEXT    NOT NULL DEFAULT '', -- of a restating: the versions that it judges by
  state   TEXT    NOT NULL CHECK (state IN ('building', 'standing', 'leaving')),
  cursor  INTEGER NOT NULL -- cases.id up to which it was built, or its rows are gone
) STRICT;

CREATE UNIQUE INDEX projections_listed ON projections (name, version, under) WHERE state <> 'leaving';
CREATE UNIQUE INDEX projections_standing ON projections (name) WHERE state = 'standing';

-- How a case stands in the indexes of a projection, so that its entries are found
-- again when they change.
CREATE TABLE projected_cases (
  projection   INTEGER NOT NULL,
  case_id      INTEGER NOT NULL REFERENCES cases (id),
  newest_first INTEGER NOT NULL,
  entries      BLOB, -- of case_groups and comparison_words
  PRIMARY KEY (projection, case_id)
) STRICT, WITHOUT ROWID;

-- The cases in the order of lists, with what is counted of them.
CREATE TABLE case_counts (
  projection             INTEGER NOT NULL,
  site                   INTEGER NOT NULL REFERENCES sites (id),
  newest_first           INTEGER NOT NULL,
  uid                    TEXT    NOT NULL,
  case_id                INTEGER NOT NULL REFERENCES cases (id),
  state                  TEXT    NOT NULL,
  plan_timing            TEXT    NOT NULL,
  operated               INTEGER NOT NULL,
  retracted_sections     INTEGER NOT NULL,
  differing              INTEGER NOT NULL,
  roots                  INTEGER NOT NULL,
  indeterminate          INTEGER NOT NULL,
  indeterminate_roots    INTEGER NOT NULL,
  not_evaluable          INTEGER NOT NULL,
  not_evaluable_roots    INTEGER NOT NULL,
  agreeing               INTEGER NOT NULL,
  not_applicable         INTEGER NOT NULL,
  incomplete             INTEGER NOT NULL,
  -- Of these, those with a class: discrepancies.
  classed_differing           INTEGER NOT NULL,
  classed_roots               INTEGER NOT NULL,
  classed_indeterminate       INTEGER NOT NULL,
  classed_indeterminate_roots INTEGER NOT NULL,
  classed_not_evaluable       INTEGER NOT NULL,
  classed_not_evaluable_roots INTEGER NOT NULL,
  things                 INTEGER NOT NULL,
  things_as_planned      INTEGER NOT NULL,
  things_otherwise       INTEGER NOT NULL,
  things_cannot_be_told  INTEGER NOT NULL,
  things_not_evaluable   INTEGER NOT NULL,
  things_not_applicable  INTEGER NOT NULL,
  PRIMARY KEY (projection, site, newest_first, uid)
) STRICT, WITHOUT ROWID;

-- Comparisons of the newest evaluation. Numbers stand for closed words.
CREATE TABLE comparisons (
  projection            INTEGER NOT NULL,
  case_id               INTEGER NOT NULL REFERENCES cases (id),
  position              INTEGER NOT NULL,
  kind                  INTEGER NOT NULL,
  verdict               INTEGER NOT NULL,
  class                 INTEGER NOT NULL,
  metric                INTEGER NOT NULL,
  place                 TEXT    NOT NULL,
  occasion              TEXT    NOT NULL,
  thing_planned         TEXT    NOT NULL,
  run                   INTEGER NOT NULL,
  stage                 INTEGER NOT NULL,
  method                INTEGER NOT NULL,
  judged_by             INTEGER NOT NULL,
  owner                 INTEGER NOT NULL,
  reason                INTEGER NOT NULL,
  root                  INTEGER NOT NULL,
  plan_revised          INTEGER NOT NULL,
  complete              INTEGER NOT NULL,
  formula_number        INTEGER NOT NULL,
  metric_formula_number INTEGER NOT NULL,
  prediction_role       INTEGER NOT NULL,
  prediction_evaluation INTEGER,
  planned               REAL,
  planned_sd            REAL,
  actual                REAL,
  actual_sd             REAL,
  lower                 REAL,
  upper                 REAL,
  tolerance             REAL,
  margin                REAL,
  planned_steps         INTEGER,
  actual_steps          INTEGER,
  PRIMARY KEY (projection, case_id, position)
) STRICT, WITHOUT ROWID;

-- Their ids and messages, all of a case in one frame: read for the page shown. In a
-- key tree each would take a page of its own.
CREATE TABLE comparison_texts (
  id         INTEGER PRIMARY KEY,
  projection INTEGER NOT NULL,
  case_id    INTEGER NOT NULL REFERENCES cases (id),
  codec      INTEGER NOT NULL,
  frame      BLOB    NOT NULL
) STRICT;

CREATE UNIQUE INDEX comparison_texts_of_case ON comparison_texts (projection, case_id);

-- The cases that have a class with a verdict (kind 1, class times 8 and
-- verdict) or a metric (kind 2), in the order of lists. uid_key is the uid, which
-- takes 16 bytes where it is a UUID.
CREATE TABLE comparison_words (
  projection   INTEGER NOT NULL,
  site         INTEGER NOT NULL REFERENCES sites (id),
  kind         INTEGER NOT NULL,
  word         INTEGER NOT NULL,
  newest_first INTEGER NOT NULL,
  uid_key      BLOB    NOT NULL,
  case_id      INTEGER NOT NULL REFERENCES cases (id),
  PRIMARY KEY (projection, site, kind, word, newest_first, uid_key)
) STRICT, WITHOUT ROWID;

CREATE TABLE case_facts (
  projection   INTEGER NOT NULL,
  case_id      INTEGER NOT NULL REFERENCES cases (id),
  case_version INTEGER NOT NULL,
  evaluation   INTEGER NOT NULL,
  codec        INTEGER NOT NULL,
  frame        BLOB    NOT NULL,
  PRIMARY KEY (projection, case_id)
) STRICT, WITHOUT ROWID;

-- The cases of a word, in the order of lists. Kinds are numbered by the program.
CREATE TABLE case_groups (
  projection   INTEGER NOT NULL,
  site         INTEGER NOT NULL REFERENCES sites (id),
  kind         INTEGER NOT NULL,
  word         TEXT    NOT NULL,
  newest_first INTEGER NOT NULL,
  uid_key      BLOB    NOT NULL,
  case_id      INTEGER NOT NULL REFERENCES cases (id),
  PRIMARY KEY (projection, site, kind, word, newest_first, uid_key)
) STRICT, WITHOUT ROWID;

CREATE TABLE case_children (
  projection INTEGER NOT NULL,
  case_id    INTEGER NOT NULL REFERENCES cases (id),
  kind       INTEGER NOT NULL,
  section    TEXT    NOT NULL,
  position   INTEGER NOT NULL,
  message    BLOB    NOT NULL,
  PRIMARY KEY (projection, case_id, kind, section, position)
) STRICT, WITHOUT ROWID;

-- What a restating says of a case, packed against the newest answer of the case; it
-- goes with the rows made of it.
CREATE TABLE restated_answers (
  id         INTEGER PRIMARY KEY,
  projection INTEGER NOT NULL,
  case_id    INTEGER NOT NULL REFERENCES cases (id),
  codec      INTEGER NOT NULL,
  base       INTEGER NOT NULL, -- number of the answer that the frame's dictionary ends with, 0: none
  hash       BLOB    NOT NULL, -- SHA-256 of what it says
  frame      BLOB    NOT NULL
) STRICT;

CREATE UNIQUE INDEX restated_answers_of_case ON restated_answers (case_id, projection);

-- Resource ids that were handed over; a face_ table, counted apart.
CREATE TABLE face_resources (
  projection    INTEGER NOT NULL,
  case_id       INTEGER NOT NULL REFERENCES cases (id),
  type          TEXT    NOT NULL,
  id            BLOB    NOT NULL CHECK (length(id) = 16),
  mapping       INTEGER NOT NULL,
  digest        BLOB    NOT NULL,
  first_version INTEGER NOT NULL,
  last_version  INTEGER NOT NULL,
  state         INTEGER NOT NULL,
  gone          BLOB,
  PRIMARY KEY (projection, case_id, type, id)
) STRICT, WITHOUT ROWID;
