-- points_within: points of the headline curves inside the criterion's limit at one frequency
-- grain: quarter x quantity; run once for each frequency_hz
-- input: curves, one row a fitting x ear x stage x quantity x input level; deviation_* in hundredths of a dB
-- output: n_ears (deviations), n_fittings, n_within (limit inclusive); stage final, input band average
SELECT quarter, quantity,
  COUNT(*) AS n_ears,
  COUNT(DISTINCT fitting_id) AS n_fittings,
  COUNT(*) FILTER (WHERE deviation_{frequency} >= -{limit} AND deviation_{frequency} <= {limit}) AS n_within
FROM curves
WHERE fitted AND stage = 'final' AND {input_band} = 'average' AND deviation_{frequency} IS NOT NULL
GROUP BY quarter, quantity
ORDER BY quarter NULLS LAST, quantity NULLS LAST
