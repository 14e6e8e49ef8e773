-- Schema 15: by which formula and calibration a prediction was made, and what it was
-- before that calibration, so that figures of one kind are not summed with another's.

-- +goose Up

ALTER TABLE comparisons ADD COLUMN prediction_formula INTEGER NOT NULL DEFAULT 0;
ALTER TABLE comparisons ADD COLUMN calibration TEXT NOT NULL DEFAULT '';
ALTER TABLE comparisons ADD COLUMN uncalibrated REAL;

DROP INDEX comparison_pairs;

CREATE INDEX comparison_pairs ON comparisons
  (projection, site, kind, metric, case_id, position, place, run, stage, method, verdict, formula_number, metric_formula_number,
   prediction_formula, calibration, planned, actual, lower, upper, tolerance, uncalibrated)
  WHERE actual IS NOT NULL OR planned IS NOT NULL OR lower IS NOT NULL OR upper IS NOT NULL;
