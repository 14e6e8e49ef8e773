-- Schema 14, what is kept of cases that were erased, where the site's policy says so.

-- +goose Up

-- A message that says of nobody: it is made before the case goes, since nothing is left
-- to make it of. The ids are random: their order would tell which erasure left which.
CREATE TABLE erased_remains (
  id      INTEGER PRIMARY KEY,
  site    INTEGER NOT NULL REFERENCES sites (id),
  content BLOB    NOT NULL
) STRICT;

CREATE INDEX erased_remains_of_site ON erased_remains (site, id);
