-- curves: measures of whole curves
-- grain: {by} stage x quantity x input_band
-- input: curves; rms, signed, high_frequency, slope in billionths of a dB, null where they cannot be derived
-- output: n_ears (curves with any deviation), n_complete (with all four RMS frequencies), exact totals with their
--         counts, quantiles of rms in billionths, n_judged and n_within by the criterion
WITH judged AS (
  SELECT {by} stage, quantity, {input_band} AS input_band, rms, signed, high_frequency, slope, {within} AS within
  FROM curves
  WHERE fitted AND {compared}
)
SELECT {by} stage, quantity, input_band,
  COUNT(*) AS n_ears,
  COUNT(rms) AS n_complete,
  SUM(rms) AS rms_total,
  QUANTILE_CONT(rms, 0.5) AS rms_q50,
  QUANTILE_CONT(rms, 0.95) AS rms_q95,
  COUNT(signed) AS n_signed,
  SUM(signed) AS signed_total,
  COUNT(high_frequency) AS n_high_frequency,
  SUM(high_frequency) AS high_frequency_total,
  COUNT(slope) AS n_slope,
  SUM(slope) AS slope_total,
  COUNT(within) AS n_judged,
  SUM(CAST(within AS BIGINT)) AS n_within
FROM judged
GROUP BY {by} stage, quantity, input_band
ORDER BY {by_last} stage NULLS LAST, quantity NULLS LAST, input_band NULLS LAST
