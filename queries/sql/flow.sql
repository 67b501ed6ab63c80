-- flow: fittings that fall out on the way to the analysis, as far as the plan's study has no say in it
-- grain: one row
-- input: fits (with a fitted ear)
-- output: counts
SELECT COUNT(*) AS fitted,
  COUNT(*) FILTER (WHERE verified) AS verified
FROM fits
