-- flow: fittings that fall out on the way to the analysis
-- grain: one row
-- input: fittings (all stored), fits (with a fitted ear)
-- output: counts
SELECT COUNT(*) AS fitted,
  COUNT(*) FILTER (WHERE verified) AS verified,
  COUNT(*) FILTER (WHERE n_complete > 0) AS eligible,
  COUNT(*) FILTER (WHERE n_complete > 0 AND score IS NOT NULL) AS analysed
FROM fits
