-- Schema 16: what figures over all cases read of each, in short rows.

-- +goose Up

-- Of the facts of a case, what is counted over cases: a row of some hundred bytes, not
-- packed, so that a department is read in one pass.
CREATE TABLE case_short (
  projection INTEGER NOT NULL,
  case_id    INTEGER NOT NULL REFERENCES cases (id),
  message    BLOB    NOT NULL,
  PRIMARY KEY (projection, case_id)
) STRICT, WITHOUT ROWID;
