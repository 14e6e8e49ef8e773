-- Schema 12, retention: where the access record was cut.

-- +goose Up

-- The signed mark of the last cut: the lines up to number were removed for their age.
CREATE TABLE access_cut (
  id        INTEGER PRIMARY KEY CHECK (id = 1),
  number    INTEGER NOT NULL, -- of the last line that was removed
  hash      BLOB    NOT NULL, -- of that line
  before    INTEGER NOT NULL, -- the time before which lines were removed
  time      INTEGER NOT NULL,
  site      TEXT    NOT NULL, -- where it was asked for
  caller    TEXT    NOT NULL,
  key       BLOB    NOT NULL,
  signature BLOB    NOT NULL
) STRICT;
