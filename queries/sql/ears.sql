-- ears: two-ear uptake among people with loss in both ears
-- grain: {by}
-- input: fits
-- output: n_candidates (both ears at or above the limit), n_two_ear (of these, fitted in both)
SELECT {by} COUNT(*) FILTER (WHERE candidate = 1) AS n_candidates,
  COUNT(*) FILTER (WHERE candidate = 1 AND n_fitted = 2) AS n_two_ear
FROM fits
{group_by}
{order_by}
