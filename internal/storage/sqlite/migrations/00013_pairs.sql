-- Schema 13: comparisons that hold numbers, side by side over the cases of a site, for
-- whoever sums them. The index has all that is summed.

-- +goose Up

ALTER TABLE comparisons ADD COLUMN site INTEGER NOT NULL DEFAULT 0;

UPDATE comparisons SET site = (SELECT s.id FROM cases AS c JOIN sites AS s ON s.site = c.site WHERE c.id = comparisons.case_id);

CREATE INDEX comparison_pairs ON comparisons
  (projection, site, kind, metric, case_id, position, place, run, stage, method, verdict, formula_number, metric_formula_number, planned, actual, lower, upper, tolerance)
  WHERE actual IS NOT NULL OR planned IS NOT NULL OR lower IS NOT NULL OR upper IS NOT NULL;
