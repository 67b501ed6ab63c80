-- fitting_points: deviation (measured minus target) of headline curves at one frequency, by fitting; run once for each frequency_hz
-- grain: a fitting with a deviation there
-- input: curves, one row a fitting x ear x stage x quantity x input level; deviation_* in hundredths of a dB
-- output: n_ears (deviations) and total (hundredths of a dB)
WITH headline AS (
  SELECT fitting_id, deviation_{frequency} AS deviation
  FROM curves
  WHERE fitted AND stage = 'final' AND {input_band} = 'average' AND deviation_{frequency} IS NOT NULL
)
SELECT fitting_id, COUNT(*) AS n_ears, SUM(CAST(deviation AS BIGINT)) AS total
FROM headline
GROUP BY fitting_id
ORDER BY fitting_id NULLS LAST
