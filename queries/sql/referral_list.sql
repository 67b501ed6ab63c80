-- referral_list: the fittings that one asymmetry rule flags; run once for each rule
-- grain: a fitting
-- input: fittings with a fitted ear
-- output: {by} ids, quarter and what is recorded of a medical referral
SELECT {by} fitting_id, quarter AS fitted_in, clinic_id AS clinic, clinician_id AS clinician, medical_referral
FROM fittings
WHERE n_fitted > 0 AND {flag}
ORDER BY {by_last} fitting_id NULLS LAST
