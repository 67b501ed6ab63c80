-- points_within: points of the headline curves inside the criterion's limit at one frequency
-- grain: quarter x quantity; run once for each frequency_hz
-- input: curves, one row a fitting x ear x stage x quantity x input level; deviation_* in hundredths of a dB
-- output: n_ears (deviations), n_fittings, n_within (limit inclusive), and sums over fittings: points_squared of the squares
--   of their points, products of points times points inside, within_squared of the squares of points inside; stage final,
--   input band average
WITH by_fitting AS (
  SELECT quarter, quantity, fitting_id,
    COUNT(*) AS points,
    COUNT(*) FILTER (WHERE deviation_{frequency} >= -{limit} AND deviation_{frequency} <= {limit}) AS inside
  FROM curves
  WHERE fitted AND stage = 'final' AND {input_band} = 'average' AND deviation_{frequency} IS NOT NULL
  GROUP BY quarter, quantity, fitting_id
)
SELECT quarter, quantity,
  SUM(CAST(points AS BIGINT)) AS n_ears,
  COUNT(*) AS n_fittings,
  SUM(CAST(inside AS BIGINT)) AS n_within,
  SUM(CAST(points AS BIGINT) * CAST(points AS BIGINT)) AS points_squared,
  SUM(CAST(points AS BIGINT) * CAST(inside AS BIGINT)) AS products,
  SUM(CAST(inside AS BIGINT) * CAST(inside AS BIGINT)) AS within_squared
FROM by_fitting
GROUP BY quarter, quantity
ORDER BY quarter NULLS LAST, quantity NULLS LAST
