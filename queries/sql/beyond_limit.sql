-- beyond_limit: ears with a headline curve outside the criterion; run once for each frequency that it names, or once
--               where it looks at the RMS deviation
-- grain: fitting x ear
-- input: curves, one row a fitting x ear x stage x quantity x input level
-- output: ids, ear, lowest and highest {value} of the curves that are {outside} (hundredths of a dB; for the RMS the sum
--         of squares, hundredths squared); stage final, input band average
SELECT fitting_id, clinic_id, clinician_id, ear,
  MIN(CAST({value} AS BIGINT)) AS lowest,
  MAX(CAST({value} AS BIGINT)) AS highest
FROM curves
WHERE fitted AND stage = 'final' AND {input_band} = 'average' AND {outside}
GROUP BY fitting_id, clinic_id, clinician_id, ear
ORDER BY fitting_id NULLS LAST, ear NULLS LAST
