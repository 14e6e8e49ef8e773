-- Schema 7, rows by which the resources of a case are found; face_ tables, counted
-- apart.

-- +goose Up

-- A row per resource. Its lead is what most searches name, so that the resources
-- of one lead stand side by side in the order in which their cases were opened, and
-- of one case by the part of their ids that the case does not tell.
CREATE TABLE face_rows (
  projection INTEGER NOT NULL,
  site       INTEGER NOT NULL REFERENCES sites (id),
  lead       INTEGER NOT NULL,
  case_id    INTEGER NOT NULL REFERENCES cases (id),
  part       INTEGER NOT NULL,
  shape      INTEGER NOT NULL,
  content    BLOB    NOT NULL, -- what it does not share with those of its shape
  PRIMARY KEY (projection, site, lead, case_id, part)
) STRICT, WITHOUT ROWID;

-- What resources share: codes of closed code systems, units, which elements they
-- have. There are some thousands, however many cases.
CREATE TABLE face_shapes (
  id         INTEGER PRIMARY KEY AUTOINCREMENT, -- in the order of arrival
  projection INTEGER NOT NULL,
  shape      INTEGER NOT NULL, -- a number made of the content
  lead       INTEGER NOT NULL,
  type       TEXT    NOT NULL,
  content    BLOB    NOT NULL
) STRICT;

CREATE UNIQUE INDEX face_shapes_number ON face_shapes (projection, shape);

-- Whose cases are asked for; erasure removes its row with the identifier.
CREATE INDEX patient_identifiers_value ON patient_identifiers (value, system);
