-- Schema 5, the access record: who looked, and who wrote.

-- +goose Up

-- Where the chain of lines ends. Its name is random, so that no line of another
-- store fits into it.
CREATE TABLE access_chain (
  id     INTEGER PRIMARY KEY CHECK (id = 1),
  chain  BLOB    NOT NULL CHECK (length(chain) = 16),
  number INTEGER NOT NULL, -- of the last line, 0 for none
  hash   BLOB    NOT NULL  -- of the last line; empty for none
) STRICT;

INSERT INTO access_chain (id, chain, number, hash) VALUES (1, randomblob(16), 0, x'');

-- Each line has the hash of itself and of the line before it. Retention removes the
-- oldest; nothing else is ever removed or changed.
CREATE TABLE accesses (
  number      INTEGER PRIMARY KEY,
  time        INTEGER NOT NULL,
  site        INTEGER NOT NULL REFERENCES sites (id),
  caller      TEXT    NOT NULL,
  method      TEXT    NOT NULL,
  case_uid    TEXT    NOT NULL, -- empty for none or several
  cases       INTEGER NOT NULL, -- how many an answer about several told of
  outcome     TEXT    NOT NULL,
  request_id  TEXT    NOT NULL,
  detail      TEXT    NOT NULL,
  concerns    INTEGER NOT NULL, -- number of an earlier line, 0 for none
  reason_hash BLOB,
  hash        BLOB    NOT NULL
) STRICT;

CREATE INDEX accesses_of_site ON accesses (site, number);
CREATE INDEX accesses_of_case ON accesses (site, case_uid, number) WHERE case_uid <> '';
CREATE INDEX accesses_of_caller ON accesses (site, caller, number);

-- Reasons of emergencies are free text: apart, so that erasure finds them.
CREATE TABLE access_reasons (
  number  INTEGER PRIMARY KEY,
  content TEXT    NOT NULL
) STRICT;

-- Heads as they were signed, by a key that is not in here.
CREATE TABLE access_heads (
  number    INTEGER PRIMARY KEY,
  time      INTEGER NOT NULL,
  hash      BLOB    NOT NULL,
  key       BLOB    NOT NULL,
  signature BLOB    NOT NULL
) STRICT;
