-- shares: counts behind the shares of fittings, by unit, quarter or whatever the caller groups by
-- grain: {by}
-- input: fits
-- output: for each share its denominator and numerator
SELECT {by}
  COUNT(within) AS n_within_criterion, SUM(CAST(within AS BIGINT)) AS within_criterion,
  COUNT(within_second) AS n_within_second, SUM(CAST(within_second AS BIGINT)) AS within_second,
  COUNT(*) AS n_verified, COUNT(*) FILTER (WHERE verified) AS verified,
  COUNT(*) FILTER (WHERE candidate = 1) AS n_two_ear,
  COUNT(*) FILTER (WHERE candidate = 1 AND n_fitted = 2) AS two_ear,
  COUNT(*) AS n_answered, COUNT(score) AS answered,
  COUNT(score) AS n_satisfied, COUNT(*) FILTER (WHERE score >= {satisfied_from}) AS satisfied,
  COUNT(returned) AS n_returned, COUNT(*) FILTER (WHERE returned) AS returned
FROM fits
{group_by}
{order_by}
