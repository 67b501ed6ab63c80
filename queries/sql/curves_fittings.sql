-- curves_fittings: whole fittings by the criterion
-- grain: {by} stage x quantity x input_band
-- input: curves
-- output: n_fittings (known to be within or outside) and n_within. A fitting is outside where any fitted ear is, within
--         where all fitted ears are, and otherwise unknown and left out; {ears_needed} says how many ears are all
WITH judged AS (
  SELECT {by} stage, quantity, {input_band} AS input_band, fitting_id, ear AS one_ear, n_fitted, {within} AS within
  FROM curves
  WHERE fitted AND {compared}
),
by_ear AS (
  SELECT {by} stage, quantity, input_band, fitting_id, one_ear,
    MAX(n_fitted) AS n_fitted, MIN(within) AS within
  FROM judged
  GROUP BY {by} stage, quantity, input_band, fitting_id, one_ear
),
by_fitting AS (
  SELECT {by} stage, quantity, input_band, fitting_id,
    MIN(within) AS worst, SUM(CAST(within AS BIGINT)) AS ears_within, {ears_needed} AS ears_needed
  FROM by_ear
  GROUP BY {by} stage, quantity, input_band, fitting_id
)
SELECT {by} stage, quantity, input_band,
  COUNT(*) FILTER (WHERE worst = 0 OR ears_within = ears_needed) AS n_fittings,
  COUNT(*) FILTER (WHERE worst = 1 AND ears_within = ears_needed) AS n_within
FROM by_fitting
GROUP BY {by} stage, quantity, input_band
ORDER BY {by_last} stage NULLS LAST, quantity NULLS LAST, input_band NULLS LAST
