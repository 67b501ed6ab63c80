-- fits_band: match of a fitting in its final curves of one input band
-- grain: one row a fitting with a compared curve of a fitted ear in that band
-- input: curves
-- output: as in fits, over the curves of that band: squares and n_complete (sum of squared deviations over complete
--         curves, hundredths squared), totals and counts of signed and high_frequency (billionths of a dB), n_points
--         and n_points_within
WITH points AS (
  SELECT fitting_id, sum_of_squares, signed, high_frequency,
    {n_points} AS n_points, {n_points_within} AS n_points_within
  FROM curves
  WHERE fitted AND stage = 'final' AND {input_band} = {band} AND {compared}
)
SELECT fitting_id,
  SUM(sum_of_squares) AS squares, COUNT(sum_of_squares) AS n_complete,
  SUM(signed) AS signed_total, COUNT(signed) AS n_signed,
  SUM(high_frequency) AS high_frequency_total, COUNT(high_frequency) AS n_high_frequency,
  SUM(CAST(n_points AS BIGINT)) AS n_points, SUM(CAST(n_points_within AS BIGINT)) AS n_points_within
FROM points
GROUP BY fitting_id
ORDER BY fitting_id NULLS LAST
