"""Ingest and grouped tables by DuckDB's SQL.

    python by_duckdb.py ingest DELIVERY STORE
    python by_duckdb.py tables STORE ANSWERS

The store is Parquet in the long form of the delivery, a row a point. A delivery without bad rows is taken for granted:
nothing is judged.
"""

import sys
from pathlib import Path

import duckdb

FREQUENCIES = [250, 500, 750, 1000, 1500, 2000, 3000, 4000, 6000, 8000]
LIMITS = {250: 500, 500: 500, 1000: 500, 2000: 500, 3000: 800, 4000: 800}  # the criterion, hundredths of a dB

POINTS = """
CREATE TEMP TABLE points AS
SELECT fitting_id, ear, stage, quantity, frequency_hz, input_level_db,
  CASE WHEN input_level_db <= 57 THEN 'soft' WHEN input_level_db < 70 THEN 'average' ELSE 'loud' END AS input_band,
  CAST(round(measured_db * 100) - round(target_db * 100) AS INTEGER) AS deviation
FROM read_parquet('{store}/responses.parquet') AS r JOIN read_parquet('{store}/ears.parquet') AS e USING (fitting_id, ear)
WHERE fitted
"""

MATCH = """
SELECT stage, quantity, input_band, frequency_hz, count(*) AS n_ears, avg(deviation) / 100 AS mean,
  stddev_samp(deviation) / 100 AS sd, sqrt(avg(deviation * deviation)) / 100 AS rms,
  quantile_cont(deviation, [0.05, 0.25, 0.5, 0.75, 0.95]) AS q, avg((abs(deviation) <= 500)::INT) AS within_5,
  CASE frequency_hz {limit_of} END AS "limit", avg((abs(deviation) <= CASE frequency_hz {limit_of} END)::INT) AS inside
FROM points WHERE deviation IS NOT NULL GROUP BY ALL
"""

MATCH_OUT = """
SELECT * EXCLUDE (q, "limit", inside), q[1] / 100 AS q05, q[2] / 100 AS q25, q[3] / 100 AS q50, q[4] / 100 AS q75,
  q[5] / 100 AS q95, inside AS within_criterion
FROM ({match}) ORDER BY ALL
"""

CURVES = """
CREATE TEMP TABLE curves AS
WITH wide AS (
  SELECT fitting_id, ear, stage, quantity, input_band, input_level_db,
    sum(deviation * deviation) FILTER (frequency_hz IN (500, 1000, 2000, 4000)) AS squares,
    count(deviation) FILTER (frequency_hz IN (500, 1000, 2000, 4000)) AS n_four,
    avg(deviation) FILTER (frequency_hz <= 4000) / 100 AS signed,
    sum(deviation) FILTER (frequency_hz IN (3000, 4000, 6000)) / 300 AS high_frequency,
    count(deviation) FILTER (frequency_hz IN (3000, 4000, 6000)) AS n_high,
    (max(deviation) FILTER (frequency_hz = 4000) - max(deviation) FILTER (frequency_hz = 1000)) / 200 AS slope,
    count(*) FILTER (abs(deviation) > CASE frequency_hz {limit_of} END) AS n_outside,
    count(deviation) FILTER (frequency_hz IN ({judged})) AS n_judged
  FROM points WHERE deviation IS NOT NULL GROUP BY ALL
)
SELECT fitting_id, ear, stage, quantity, input_band,
  CASE WHEN n_four = 4 THEN squares END AS squares, CASE WHEN n_four = 4 THEN sqrt(squares / 4) / 100 END AS rms,
  signed, CASE WHEN n_high = 3 THEN high_frequency END AS high_frequency, slope,
  CASE WHEN n_outside > 0 THEN 0 WHEN n_judged = {n_judged} THEN 1 END AS within
FROM wide
"""

FITS = """
CREATE TEMP TABLE fits AS
WITH ear AS (
  SELECT fitting_id, ear, fitted, {four} AS four FROM read_parquet('{store}/ears.parquet')
),
hearing AS (
  SELECT fitting_id, count(*) FILTER (fitted) AS n_fitted,
    count(four) = 2 AND min(four) >= 8000 AS candidate
  FROM ear GROUP BY ALL
),
headline AS (
  SELECT fitting_id, sum(squares) AS squares, count(squares) AS n, avg(signed) AS signed,
    avg(high_frequency) AS high_frequency, min(within) AS worst, sum(within) AS ears_within
  FROM curves WHERE stage = 'final' AND input_band = 'average' GROUP BY ALL
),
answered AS (
  SELECT fitting_id, arg_max(score, coalesce(weeks_after, -1)) AS score FROM read_parquet('{store}/outcomes.parquet')
  WHERE instrument = 'ioi-ha' AND item = '4' GROUP BY ALL
),
responded AS (SELECT DISTINCT fitting_id, 1 AS verified FROM points WHERE stage = 'final')
SELECT fitting_id, clinician_id, n_fitted, sqrt(squares / (4 * n)) / 100 AS rms, signed, high_frequency,
  CASE WHEN worst = 0 THEN 0 WHEN ears_within = n_fitted THEN 1 END AS within_criterion,
  coalesce(verified, 0) AS verified, CASE WHEN candidate THEN (n_fitted = 2)::INT END AS two_ear,
  (score IS NOT NULL)::INT AS answered, (score >= 4)::INT AS satisfied, returned::INT AS returned
FROM read_parquet('{store}/fittings.parquet') JOIN hearing USING (fitting_id) LEFT JOIN headline USING (fitting_id)
  LEFT JOIN answered USING (fitting_id) LEFT JOIN responded USING (fitting_id)
WHERE n_fitted > 0
"""

CURVES_OUT = """
WITH whole AS (
  SELECT stage, quantity, input_band, fitting_id, min(within) AS worst, sum(within) AS inside FROM curves GROUP BY ALL
),
judged AS (
  SELECT stage, quantity, input_band, count(*) FILTER (worst = 0 OR inside = n_fitted) AS n_fittings,
    count(*) FILTER (worst = 1 AND inside = n_fitted) AS n_inside
  FROM whole JOIN fits USING (fitting_id) GROUP BY ALL
),
ears AS (
  SELECT stage, quantity, input_band, count(*) AS n_ears, count(rms) AS n_complete, avg(rms) AS rms_mean,
    quantile_cont(rms, 0.5) AS rms_q50, quantile_cont(rms, 0.95) AS rms_q95, avg(signed) AS signed_mean,
    avg(high_frequency) AS high_frequency_mean, avg(slope) AS slope_mean, avg(within) AS within_criterion
  FROM curves GROUP BY ALL
)
SELECT * EXCLUDE n_inside, n_inside / n_fittings AS fittings_within
FROM ears JOIN judged USING (stage, quantity, input_band) ORDER BY ALL
"""

EARS_OUT = "SELECT count(two_ear) AS n_candidates, sum(two_ear) AS n_two_ear, avg(two_ear) AS two_ear FROM fits"

CLINICIANS_OUT = """
SELECT clinician_id, measure, count(value) AS n, avg(value) AS observed
FROM (SELECT clinician_id, COLUMNS(* EXCLUDE (fitting_id, clinician_id, n_fitted))::DOUBLE FROM fits)
  UNPIVOT INCLUDE NULLS (value FOR measure IN (COLUMNS(* EXCLUDE clinician_id)))
GROUP BY ALL ORDER BY ALL
"""


def ingest(delivery, store):
    text = {"outcomes": ["item"], "ears": [f"threshold_{frequency}" for frequency in FREQUENCIES]}
    for table in ("fittings", "ears", "responses", "outcomes"):
        types = {column: "VARCHAR" for column in text.get(table, [])}
        duckdb.read_csv(f"{delivery}/{table}.csv", dtype=types).write_parquet(f"{store}/{table}.parquet")


def tables(store, answers):
    places = {
        "store": store,
        "limit_of": " ".join(f"WHEN {frequency} THEN {limit}" for frequency, limit in LIMITS.items()),
        "judged": ", ".join(map(str, LIMITS)),
        "n_judged": len(LIMITS),
        # A threshold beyond the limit of the audiometer is written >110 and counts as its limit.
        "four": " + ".join(f"round(100 * ltrim(threshold_{f}, '>')::DOUBLE)" for f in (500, 1000, 2000, 4000)),
    }
    for statement in (POINTS, CURVES, FITS):
        duckdb.sql(statement.format(**places))
    outputs = {"match": MATCH_OUT.format(match=MATCH.format(**places)), "curves": CURVES_OUT, "ears": EARS_OUT,
               "clinicians": CLINICIANS_OUT}
    for name, query in outputs.items():
        duckdb.sql(query).write_csv(str(answers / f"{name}.csv"))


if __name__ == "__main__":
    {"ingest": ingest, "tables": tables}[sys.argv[1]](Path(sys.argv[2]), Path(sys.argv[3]))
