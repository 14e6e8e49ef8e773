-- Schema 17: what the list of the theatres says was operated, month by month.

-- +goose Up

CREATE TABLE theatre_counts (
  site     INTEGER NOT NULL REFERENCES sites (id),
  month    TEXT    NOT NULL,
  revision INTEGER NOT NULL CHECK (revision >= 1),
  received INTEGER NOT NULL,
  caller   TEXT    NOT NULL,
  message  BLOB    NOT NULL,
  PRIMARY KEY (site, month, revision)
) STRICT, WITHOUT ROWID;
