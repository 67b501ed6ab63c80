-- referrals: fittings that one asymmetry rule flags, by what is recorded of a medical referral
-- grain: {by} medical_referral; run once for each rule
-- input: fittings with a fitted ear; {flag} is true, false, or null where it cannot be evaluated
-- output: n_flagged, n_not_evaluated
SELECT {by} medical_referral,
  COUNT(*) FILTER (WHERE {flag}) AS n_flagged,
  COUNT(*) FILTER (WHERE {flag} IS NULL) AS n_not_evaluated
FROM fittings
WHERE n_fitted > 0
GROUP BY {by} medical_referral
ORDER BY {by_last} medical_referral NULLS LAST
