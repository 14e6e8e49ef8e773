-- The tables whose content stands elsewhere now.
DROP TABLE evaluations_of_schema_2;
DROP TABLE discrepancies;
DROP TABLE revisions_of_schema_2;
DROP TABLE identity_contents;
DROP TABLE confirmations_of_schema_2;
DROP TABLE quarantine_bodies;
