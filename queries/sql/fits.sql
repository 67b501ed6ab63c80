-- fits: the fit-level table that fittings are counted and modelled from
-- grain: one row a fitting with at least one fitted ear
-- input: fittings, curves, answers
-- output: grouping columns; age_years; pure_tone_sum_better (hundredths of a dB, sum of four, of the better ear; null
--         where one ear is not known); candidate (a pure-tone sum of both ears at or above the limit; null where one is not known);
--         from the headline curves (stage final, input band average): squares and n_complete (sum of squared deviations
--         over complete curves, hundredths squared), totals and counts of signed and high_frequency (billionths of a dB),
--         n_points and n_points_within, within and within_second (1, 0, null where unknown);
--         first_squares and n_first_complete from the same curves of stage first;
--         score (hundredths) of the outcome item
WITH headline AS (
  SELECT fitting_id, ear AS one_ear, sum_of_squares, signed, high_frequency,
    {n_points} AS n_points, {n_points_within} AS n_points_within,
    {within} AS within, {within_second} AS within_second
  FROM curves
  WHERE fitted AND stage = 'final' AND {input_band} = 'average' AND {compared}
),
by_ear AS (
  SELECT fitting_id, one_ear,
    MIN(within) AS within, MIN(within_second) AS within_second,
    SUM(sum_of_squares) AS squares, COUNT(sum_of_squares) AS n_complete,
    SUM(signed) AS signed_total, COUNT(signed) AS n_signed,
    SUM(high_frequency) AS high_frequency_total, COUNT(high_frequency) AS n_high_frequency,
    SUM(CAST(n_points AS BIGINT)) AS n_points, SUM(CAST(n_points_within AS BIGINT)) AS n_points_within
  FROM headline
  GROUP BY fitting_id, one_ear
),
matched AS (
  SELECT fitting_id AS matched_id,
    MIN(within) AS worst, SUM(CAST(within AS BIGINT)) AS ears_within,
    MIN(within_second) AS worst_second, SUM(CAST(within_second AS BIGINT)) AS ears_within_second,
    SUM(squares) AS squares, SUM(n_complete) AS n_complete,
    SUM(signed_total) AS signed_total, SUM(n_signed) AS n_signed,
    SUM(high_frequency_total) AS high_frequency_total, SUM(n_high_frequency) AS n_high_frequency,
    SUM(n_points) AS n_points, SUM(n_points_within) AS n_points_within
  FROM by_ear
  GROUP BY fitting_id
),
first_curves AS (
  SELECT fitting_id, ear AS one_ear, sum_of_squares, {within} AS within
  FROM curves
  WHERE fitted AND stage = 'first' AND {input_band} = 'average' AND {compared}
),
first_ears AS (
  SELECT fitting_id, one_ear, MIN(within) AS within,
    SUM(sum_of_squares) AS squares, COUNT(sum_of_squares) AS n_complete
  FROM first_curves
  GROUP BY fitting_id, one_ear
),
first_matched AS (
  SELECT fitting_id AS first_id, MIN(within) AS first_worst, SUM(CAST(within AS BIGINT)) AS first_ears_within,
    SUM(squares) AS first_squares, SUM(n_complete) AS n_first_complete
  FROM first_ears
  GROUP BY fitting_id
),
answered AS (
  SELECT fitting_id AS answered_id, MAX(score) AS score
  FROM answers
  WHERE latest AND instrument = {instrument} AND item = {item}
  GROUP BY fitting_id
)
SELECT fitting_id, patient_id, {columns}, n_fitted, verified, returned, age_years,
  CASE WHEN pure_tone_sum_left IS NULL OR pure_tone_sum_right IS NULL THEN NULL
       WHEN pure_tone_sum_left < pure_tone_sum_right THEN pure_tone_sum_left
       ELSE pure_tone_sum_right END AS pure_tone_sum_better,
  CASE WHEN pure_tone_sum_left IS NULL OR pure_tone_sum_right IS NULL THEN NULL
       WHEN pure_tone_sum_left >= {candidate_sum} AND pure_tone_sum_right >= {candidate_sum} THEN 1
       ELSE 0 END AS candidate,
  squares, n_complete, signed_total, n_signed, high_frequency_total, n_high_frequency, n_points, n_points_within,
  CASE WHEN worst = 0 THEN 0 WHEN ears_within = n_fitted THEN 1 ELSE NULL END AS within,
  CASE WHEN worst_second = 0 THEN 0 WHEN ears_within_second = n_fitted THEN 1 ELSE NULL END AS within_second,
  CASE WHEN first_worst = 0 THEN 0 WHEN first_ears_within = n_fitted THEN 1 ELSE NULL END AS first_within,
  first_squares, n_first_complete,
  score
FROM fittings
LEFT JOIN matched ON fittings.fitting_id = matched.matched_id
LEFT JOIN first_matched ON fittings.fitting_id = first_matched.first_id
LEFT JOIN answered ON fittings.fitting_id = answered.answered_id
WHERE n_fitted > 0
ORDER BY fitting_id NULLS LAST
