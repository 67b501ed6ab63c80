"""Ingest, grouped tables and rank correlations by Polars (Python) and SciPy.

    python by_polars.py ingest DELIVERY STORE
    python by_polars.py tables STORE ANSWERS
    python by_polars.py ranks  STORE ANSWERS

The store is Parquet in the long form of the delivery, a row a point. A delivery without bad rows is taken for granted:
nothing is judged.
"""

import sys
from pathlib import Path

import polars as pl
from polars import col

LIMITS = {250: 500, 500: 500, 1000: 500, 2000: 500, 3000: 800, 4000: 800}  # the criterion, hundredths of a dB
FREQUENCIES = [250, 500, 750, 1000, 1500, 2000, 3000, 4000, 6000, 8000]
FOUR, HIGH = [500, 1000, 2000, 4000], [3000, 4000, 6000]
# A threshold beyond the limit of the audiometer is written >110, so that thresholds are text.
TEXT = {"item": pl.String} | {f"threshold_{f}": pl.String for f in FREQUENCIES}
ROW = ["stage", "quantity", "input_band"]
SHARES = ["within_criterion", "verified", "two_ear", "answered", "satisfied", "returned"]


def ingest(delivery, store):
    for table in ("fittings", "ears", "responses", "outcomes"):
        pl.scan_csv(delivery / f"{table}.csv", schema_overrides=TEXT).sink_parquet(store / f"{table}.parquet")


def points_of(store):
    """Points of fitted ears, deviations in hundredths of a dB."""
    ears = pl.scan_parquet(store / "ears.parquet").filter(col("fitted")).select("fitting_id", "ear")
    level = col("input_level_db")
    return pl.scan_parquet(store / "responses.parquet").join(ears, on=["fitting_id", "ear"]).select(
        "fitting_id", "ear", "stage", "quantity", "frequency_hz", "input_level_db",
        input_band=pl.when(level <= 57).then(pl.lit("soft")).when(level < 70).then(pl.lit("average")).otherwise(pl.lit("loud")),
        deviation=((col("measured_db") * 100).round() - (col("target_db") * 100).round()).cast(pl.Int32),
    )


def limit():
    return col("frequency_hz").replace_strict(LIMITS, default=None, return_dtype=pl.Int32)


def match_table(points):
    d = col("deviation")
    quantiles = [(d.quantile(int(q) / 100, "linear") / 100).alias(f"q{q}") for q in ("05", "25", "50", "75", "95")]
    return points.drop_nulls("deviation").group_by(*ROW, "frequency_hz").agg(
        d.len().alias("n_ears"), (d.mean() / 100).alias("mean"), (d.std() / 100).alias("sd"),
        ((d.cast(pl.Int64) ** 2).mean().sqrt() / 100).alias("rms"), *quantiles, (d.abs() <= 500).mean().alias("within_5"),
        (d.abs() <= limit()).mean().alias("within_criterion"))


def curves_of(points):
    """One row a curve with any deviation."""
    d, frequency = col("deviation"), col("frequency_hz")
    at = lambda wanted: d.filter(frequency.is_in(wanted))
    curves = points.drop_nulls("deviation").group_by("fitting_id", "ear", *ROW, "input_level_db").agg(
        squares=(at(FOUR).cast(pl.Int64) ** 2).sum(), n_four=at(FOUR).len(), signed=d.filter(frequency <= 4000).mean() / 100,
        high_frequency=at(HIGH).mean() / 100, n_high=at(HIGH).len(), slope=(at([4000]).first() - at([1000]).first()) / 200,
        outside=(d.abs() > limit()).any(), n_judged=at(list(LIMITS)).len())
    squares = pl.when(col("n_four") == 4).then("squares")
    return curves.select(
        "fitting_id", *ROW, "signed", "slope", squares=squares, rms=(squares / 4).sqrt() / 100,
        high_frequency=pl.when(col("n_high") == 3).then("high_frequency"),
        within=pl.when("outside").then(0).when(col("n_judged") == len(LIMITS)).then(1))


def fits_of(store, points, curves):
    """One row a fitting with a fitted ear."""
    four = pl.sum_horizontal([(col(f"threshold_{f}").str.strip_prefix(">").cast(pl.Float64) * 100).round()
                              for f in FOUR], ignore_nulls=False)
    labels = col("coupling").filter("fitted")
    hearing = pl.scan_parquet(store / "ears.parquet").with_columns(four=four).group_by("fitting_id").agg(
        n_fitted=col("fitted").sum(), known=col("four").count(), better=col("four").min(),
        coupling=pl.when(labels.n_unique() == 1).then(labels.first()).otherwise(pl.lit("mixed")))
    headline = curves.filter(col("stage") == "final", col("input_band") == "average").group_by("fitting_id").agg(
        col("squares").sum(), n=col("squares").count(), signed=col("signed").mean(), high_frequency=col("high_frequency").mean(),
        worst=col("within").min(), inside=col("within").sum())
    answered = pl.scan_parquet(store / "outcomes.parquet").filter(col("instrument") == "ioi-ha", col("item") == "4")
    answered = answered.group_by("fitting_id").agg(col("score").sort_by("weeks_after", nulls_last=False).last())
    responded = points.filter(col("stage") == "final").select("fitting_id").unique().with_columns(verified=pl.lit(1.0))
    fits = pl.scan_parquet(store / "fittings.parquet").join(hearing, on="fitting_id")
    for other in (headline, answered, responded):
        fits = fits.join(other, on="fitting_id", how="left")
    both = col("known") == 2
    return fits.filter(col("n_fitted") > 0).with_columns(
        rms=(pl.when(col("n") > 0).then("squares") / (4 * col("n"))).sqrt() / 100,
        age_years=col("age_years").clip(upper_bound=90), pta4=pl.when(both).then(col("better") / 400),
        within_criterion=pl.when(col("worst") == 0).then(0.0).when(col("inside") == col("n_fitted")).then(1.0),
        verified=col("verified").fill_null(0.0), answered=col("score").is_not_null().cast(pl.Float64),
        two_ear=pl.when(both & (col("better") >= 8000)).then((col("n_fitted") == 2).cast(pl.Float64)),
        satisfied=(col("score") >= 4).cast(pl.Float64), returned=col("returned").cast(pl.Float64))


def tables(store, answers):
    points = points_of(store).collect().lazy()
    curves = curves_of(points).collect().lazy()
    fits = fits_of(store, points, curves).collect()
    match_table(points).sort(pl.all()).collect().write_csv(answers / "match.csv")
    whole = curves.group_by(*ROW, "fitting_id").agg(worst=col("within").min(), inside=col("within").sum())
    whole = whole.join(fits.lazy().select("fitting_id", "n_fitted"), on="fitting_id").with_columns(
        inside=(col("worst") == 1) & (col("inside") == col("n_fitted")))
    judged = whole.filter((col("worst") == 0) | col("inside")).group_by(ROW).agg(
        n_fittings=pl.len(), fittings_within=col("inside").mean())
    by_row = curves.group_by(ROW).agg(
        n_ears=pl.len(), n_complete=col("rms").count(), rms_mean=col("rms").mean(), rms_q50=col("rms").quantile(0.5, "linear"),
        rms_q95=col("rms").quantile(0.95, "linear"), signed_mean=col("signed").mean(),
        high_frequency_mean=col("high_frequency").mean(), slope_mean=col("slope").mean(), within_criterion=col("within").mean())
    by_row.join(judged, on=ROW).sort(ROW).collect().write_csv(answers / "curves.csv")
    two_ear = fits["two_ear"].drop_nulls()
    pl.DataFrame({"n_candidates": len(two_ear), "n_two_ear": int(two_ear.sum()), "two_ear": two_ear.mean()}).write_csv(answers / "ears.csv")
    long = fits.unpivot([*SHARES, "rms", "signed", "high_frequency"], index="clinician_id", variable_name="measure")
    long.group_by("clinician_id", "measure").agg(n=col("value").count(), observed=col("value").mean()).sort("clinician_id", "measure").write_csv(
        answers / "clinicians.csv")


def ranks(store, answers):
    from scipy import stats

    points = points_of(store)
    fits = fits_of(store, points, curves_of(points)).select("rms", "score").drop_nulls().collect()
    x, y = fits["rms"].to_numpy(), fits["score"].to_numpy()
    found = {"spearman": stats.spearmanr(x, y).statistic, "kendall": stats.kendalltau(x, y).statistic}
    pl.DataFrame({"method": list(found), "weighted": "false", "n": len(x), "estimate": list(found.values())}).write_csv(answers / "ranks.csv")


if __name__ == "__main__":
    {"ingest": ingest, "tables": tables, "ranks": ranks}[sys.argv[1]](Path(sys.argv[2]), Path(sys.argv[3]))
