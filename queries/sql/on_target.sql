-- on_target: ears whose every final response equals its target, to the hundredth of a dB
-- grain: fitting x ear
-- input: curves, one row a fitting x ear x stage x quantity x input level
-- output: ids, ear, n_compared (points with a target, of all quantities and input levels), at least {least}
WITH points AS (
  SELECT fitting_id, clinic_id, clinician_id, ear, {n_compared} AS n_compared, {n_equal} AS n_equal
  FROM curves
  WHERE fitted AND stage = 'final' AND {compared}
),
by_ear AS (
  SELECT fitting_id, clinic_id, clinician_id, ear,
    SUM(CAST(n_compared AS BIGINT)) AS n_compared, SUM(CAST(n_equal AS BIGINT)) AS n_equal
  FROM points
  GROUP BY fitting_id, clinic_id, clinician_id, ear
)
SELECT fitting_id, clinic_id, clinician_id, ear, n_compared
FROM by_ear
WHERE n_equal = n_compared AND n_compared >= {least}
ORDER BY fitting_id NULLS LAST, ear NULLS LAST
