-- match: distribution of the deviation (measured minus target) at one frequency
-- grain: {by} stage x quantity x input_band; run once for each frequency_hz
-- input: curves, one row a fitting x ear x stage x quantity x input level; deviation_* in hundredths of a dB
-- output: n_ears (deviations), n_fittings (or null where the caller does not ask), total and total_of_squares in hundredths, type-7 quantiles in hundredths,
--         n_within_5 and n_within_criterion (limits inclusive; no deviation lies within a limit below zero)
WITH banded AS (
  SELECT {by} stage, quantity, {input_band} AS input_band, fitting_id, deviation_{frequency} AS deviation
  FROM curves
  WHERE fitted AND deviation_{frequency} IS NOT NULL
)
SELECT {by} stage, quantity, input_band,
  COUNT(*) AS n_ears,
  {n_fittings} AS n_fittings,
  SUM(CAST(deviation AS BIGINT)) AS total,
  SUM(CAST(deviation AS BIGINT) * CAST(deviation AS BIGINT)) AS total_of_squares,
  QUANTILE_CONT(deviation, 0.05) AS q05,
  QUANTILE_CONT(deviation, 0.25) AS q25,
  QUANTILE_CONT(deviation, 0.5) AS q50,
  QUANTILE_CONT(deviation, 0.75) AS q75,
  QUANTILE_CONT(deviation, 0.95) AS q95,
  COUNT(*) FILTER (WHERE deviation >= -500 AND deviation <= 500) AS n_within_5,
  COUNT(*) FILTER (WHERE deviation >= -{limit} AND deviation <= {limit}) AS n_within_criterion
FROM banded
GROUP BY {by} stage, quantity, input_band
ORDER BY {by_last} stage NULLS LAST, quantity NULLS LAST, input_band NULLS LAST
