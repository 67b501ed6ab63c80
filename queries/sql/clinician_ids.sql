-- clinician_ids: every clinician with a fitting
-- grain: clinician_id
-- input: fittings
-- output: clinician_id, n_fittings (with or without a fitted ear)
SELECT clinician_id, COUNT(*) AS n_fittings
FROM fittings
GROUP BY clinician_id
ORDER BY clinician_id NULLS LAST
