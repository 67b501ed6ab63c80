-- outcomes: answers by instrument and item; the last answer of a fitting counts
-- grain: {by} instrument x item
-- input: answers of fittings with a fitted ear; scores in hundredths
-- output: n_answered, exact totals, median in hundredths
SELECT {by} instrument, item,
  COUNT(*) AS n_answered,
  SUM(CAST(score AS BIGINT)) AS total,
  SUM(CAST(score AS BIGINT) * CAST(score AS BIGINT)) AS total_of_squares,
  QUANTILE_CONT(score, 0.5) AS q50
FROM answers
WHERE latest AND fitted
GROUP BY {by} instrument, item
ORDER BY {by_last} instrument NULLS LAST, item NULLS LAST
