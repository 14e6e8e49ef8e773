-- Schema 2, confirmations of contradictions.

-- +goose Up

-- What a reviewer said of a finding, and how it ended; only ever added. The
-- reasons are free text and count as identifying: apart, so that erasure finds
-- them.
CREATE TABLE confirmations (
  case_id      INTEGER NOT NULL REFERENCES cases (id),
  case_version INTEGER NOT NULL,
  position     INTEGER NOT NULL, -- within the write of that version
  finding_id   TEXT    NOT NULL,
  rule         TEXT    NOT NULL,
  kind         TEXT    NOT NULL CHECK (kind IN ('confirmed', 'revoked', 'lapsed')),
  caller       TEXT    NOT NULL,
  time         INTEGER,
  reason       TEXT    NOT NULL,
  PRIMARY KEY (case_id, case_version, position)
) STRICT, WITHOUT ROWID;

ALTER TABLE changes ADD COLUMN finding_id TEXT NOT NULL DEFAULT '';
