"""What fitcohort answers, by pandas, SciPy and statsmodels.

    python by_pandas.py read       DELIVERY
    python by_pandas.py ingest     DELIVERY STORE
    python by_pandas.py tables     STORE ANSWERS
    python by_pandas.py ranks      STORE ANSWERS REPLICATES
    python by_pandas.py models     STORE ANSWERS
    python by_pandas.py study      STORE ANSWERS        the rows that by_r.R fits models to
    python by_pandas.py figures    STORE ANSWERS REPLICATES

A delivery without bad rows is taken for granted: nothing is judged. Levels become hundredths of a dB once, so that
5.0 dB is within 5.
"""

import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

FREQUENCIES = np.array([250, 500, 750, 1000, 1500, 2000, 3000, 4000, 6000, 8000])
LIMITS = np.array([500, 500, np.nan, 500, np.nan, 500, 800, 800, np.nan, np.nan])  # the criterion, hundredths of a dB
FOUR, SPEECH, HIGH = [1, 3, 5, 7], list(range(8)), [6, 7, 8]  # positions of frequencies
ROW = ["stage", "quantity", "input_band"]
COVARIATES = ["age_years", "pta4", "coupling", "experience"]


def read(delivery):
    labels = dict.fromkeys(["ear", "stage", "quantity"], "category")
    return pd.read_csv(delivery / "responses.csv", engine="pyarrow", dtype=labels)


def ingest(delivery, store):
    responses = read(delivery)
    responses["fitting_id"] = responses["fitting_id"].astype("category")
    responses.to_parquet(store / "responses.parquet", index=False)
    # A threshold beyond the limit of the audiometer is written >110, so that thresholds are text.
    text = {"outcomes": {"item": str}, "ears": {f"threshold_{frequency}": str for frequency in FREQUENCIES}}
    for table in ("fittings", "ears", "outcomes"):
        rows = pd.read_csv(delivery / f"{table}.csv", dtype=text.get(table))
        rows.to_parquet(store / f"{table}.parquet", index=False)


def hundredths(levels):
    return (levels * 100).round()


def curves_of(store):
    """One row a curve of a fitted ear with a response, deviations (hundredths of a dB) in columns by position."""
    points = pd.read_parquet(store / "responses.parquet")
    ears = pd.read_parquet(store / "ears.parquet", columns=["fitting_id", "ear", "fitted"])
    ids = points["fitting_id"].cat.categories
    fitted = np.zeros((len(ids), 2), bool)
    place = ids.get_indexer(ears["fitting_id"])
    fitted[place[place >= 0], (ears["ear"] == "right").to_numpy()[place >= 0].astype(int)] = ears["fitted"][place >= 0]
    codes = points["fitting_id"].cat.codes.to_numpy().astype(np.int64)
    right = (points["ear"] == "right").to_numpy().astype(int)
    levels, level = np.unique(points["input_level_db"].to_numpy(), return_inverse=True)
    key = codes * 2 + right
    for code in ((points["stage"] == "final").to_numpy(), (points["quantity"] == "REIG").to_numpy()):
        key = key * 2 + code
    key = key * len(levels) + level
    kept = fitted[codes, right]
    key, points = key[kept], points[kept]
    # A curve's number is its place among the keys that are there, found by counting rather than by sorting.
    there = np.zeros(len(ids) * 8 * len(levels), bool)
    there[key] = True
    keys = np.flatnonzero(there)
    number = np.cumsum(there) - 1
    wide = np.full((len(keys), len(FREQUENCIES)), np.nan)
    deviation = (hundredths(points["measured_db"]) - hundredths(points["target_db"])).to_numpy()
    wide[number[key], np.searchsorted(FREQUENCIES, points["frequency_hz"].to_numpy())] = deviation
    curves = pd.DataFrame(wide)
    db = levels[keys % len(levels)]
    keys //= len(levels)
    curves["input_band"] = pd.Categorical.from_codes(np.where(db <= 57, 0, np.where(db < 70, 1, 2)), ["soft", "average", "loud"])
    curves["quantity"] = pd.Categorical.from_codes(keys % 2, ["REAR", "REIG"])
    curves["stage"] = pd.Categorical.from_codes(keys // 2 % 2, ["first", "final"])
    curves["fitting_id"] = pd.Categorical.from_codes(keys // 8, ids)
    curves["squares"] = (wide[:, FOUR] ** 2).sum(axis=1)
    curves["rms"] = np.sqrt(curves["squares"] / 4) / 100
    compared = np.isfinite(wide[:, SPEECH])
    with np.errstate(invalid="ignore"):
        curves["signed"] = np.where(compared, wide[:, SPEECH], 0).sum(axis=1) / compared.sum(axis=1) / 100
    curves["high_frequency"] = wide[:, HIGH].sum(axis=1) / 300
    curves["slope"] = (wide[:, 7] - wide[:, 3]) / 200
    looked_at = np.flatnonzero(np.isfinite(LIMITS))
    outside = (np.abs(wide[:, looked_at]) > LIMITS[looked_at]).any(axis=1)
    known = np.isfinite(wide[:, looked_at]).all(axis=1)
    curves["within"] = np.where(outside, 0.0, np.where(known, 1.0, np.nan))
    curves["compared"] = np.isfinite(wide).any(axis=1)
    return curves


def fits_of(store, curves):
    """One row a fitting with a fitted ear."""
    ears = pd.read_parquet(store / "ears.parquet")
    four = ears[[f"threshold_{f}" for f in (500, 1000, 2000, 4000)]]
    four = four.apply(lambda column: pd.to_numeric(column.str.lstrip(">")))
    ears["sum"] = hundredths(four).sum(axis=1, skipna=False)
    fits = pd.read_parquet(store / "fittings.parquet").set_index("fitting_id")
    sums = ears.pivot(index="fitting_id", columns="ear", values="sum").reindex(columns=["left", "right"])
    fitted = ears[ears["fitted"]].fillna({"coupling": ""}).groupby("fitting_id")["coupling"]
    coupling = fitted.agg(["size", "nunique", "first"])
    fits["n_fitted"] = coupling["size"]
    fits["coupling"] = coupling["first"].where(coupling["nunique"] == 1, "mixed").replace("", None)
    fits["age_years"] = fits["age_years"].clip(upper=90)
    fits["pta4"] = sums.min(axis=1, skipna=False) / 400
    fits["candidate"] = sums.ge(8000).all(axis=1) & sums.notna().all(axis=1)
    final = curves[curves["stage"] == "final"]
    fits["verified"] = fits.index.isin(final["fitting_id"].unique())
    headline = final[(final["input_band"] == "average") & final["compared"]]
    by = headline.groupby("fitting_id", observed=True)
    found = by.agg(squares=("squares", "sum"), n=("squares", "count"), signed=("signed", "mean"),
                   high_frequency=("high_frequency", "mean"), worst=("within", "min"), ears_within=("within", "sum"))
    found.index = found.index.astype(str)
    fits = fits[fits["n_fitted"] > 0].join(found)
    fits["rms"] = np.sqrt(fits["squares"] / (4 * fits["n"].where(fits["n"] > 0))) / 100
    fits["within_criterion"] = np.where(fits["worst"] == 0, 0.0, np.where(fits["ears_within"] == fits["n_fitted"], 1.0, np.nan))
    answers = pd.read_parquet(store / "outcomes.parquet").sort_values("weeks_after", na_position="first")
    answers = answers[(answers["instrument"] == "ioi-ha") & (answers["item"] == "4")]
    fits["score"] = answers.groupby("fitting_id")["score"].last()
    fits["satisfied"] = (fits["score"] >= 4).astype(float).where(fits["score"].notna())
    fits["answered"] = fits["score"].notna().astype(float)
    fits["verified"] = fits["verified"].astype(float)
    fits["two_ear"] = (fits["n_fitted"] == 2).astype(float).where(fits["candidate"])
    fits["returned"] = fits["returned"].astype("float")
    return fits


def match_table(curves):
    parts = []
    for position, (frequency, limit) in enumerate(zip(FREQUENCIES, LIMITS)):
        known = curves[position].notna()
        if not known.any():
            continue
        points = curves.loc[known, ROW].assign(d=curves.loc[known, position])
        points["squared"], points["in5"] = points["d"] ** 2, points["d"].abs() <= 500
        points["inside"] = points["d"].abs() <= limit
        by = points.groupby(ROW, observed=True)
        part = by.agg(n_ears=("d", "count"), mean=("d", "mean"), sd=("d", "std"), rms=("squared", "mean"),
                      within_5=("in5", "mean"), within_criterion=("inside", "mean"))
        part[["mean", "sd"]] /= 100
        part["rms"] = np.sqrt(part["rms"]) / 100
        if np.isnan(limit):
            part["within_criterion"] = np.nan
        quantiles = by["d"].quantile([0.05, 0.25, 0.5, 0.75, 0.95]).unstack() / 100
        quantiles.columns = ["q05", "q25", "q50", "q75", "q95"]
        parts.append(part.join(quantiles).assign(frequency_hz=frequency).reset_index())
    return pd.concat(parts)


def curves_table(curves, fits):
    curves = curves[curves["compared"]]
    by = curves.groupby(ROW, observed=True)
    table = by.agg(n_ears=("rms", "size"), n_complete=("rms", "count"), rms_mean=("rms", "mean"), signed_mean=("signed", "mean"),
                   high_frequency_mean=("high_frequency", "mean"), slope_mean=("slope", "mean"), within_criterion=("within", "mean"))
    table[["rms_q50", "rms_q95"]] = by["rms"].quantile([0.5, 0.95]).unstack()
    whole = curves.groupby([*ROW, "fitting_id"], observed=True)["within"].agg(["min", "sum"]).reset_index()
    needed = whole["fitting_id"].map(fits["n_fitted"]).astype(float)
    whole["inside"] = (whole["min"] == 1) & (whole["sum"] == needed)
    whole = whole[(whole["min"] == 0) | whole["inside"]].groupby(ROW, observed=True)["inside"]
    return table.join(whole.agg(n_fittings="count", fittings_within="mean")).reset_index()


def tables(store, answers):
    curves = curves_of(store)
    fits = fits_of(store, curves)
    match = match_table(curves)
    match.to_csv(answers / "match.csv", index=False)
    curves_table(curves, fits).to_csv(answers / "curves.csv", index=False)
    two_ear = fits["two_ear"].dropna()
    ears = {"n_candidates": len(two_ear), "n_two_ear": int(two_ear.sum()), "two_ear": two_ear.mean()}
    pd.DataFrame([ears]).to_csv(answers / "ears.csv", index=False)
    measures = ["within_criterion", "verified", "two_ear", "answered", "satisfied", "returned", "rms", "signed", "high_frequency"]
    long = fits.melt("clinician_id", measures, "measure").groupby(["clinician_id", "measure"])["value"]
    long.agg(n="count", observed="mean").reset_index().to_csv(answers / "clinicians.csv", index=False)
    return fits, match


def study_of(fits):
    """Fittings with an exposure and an answer; of them, those with every covariate."""
    answered = fits.dropna(subset=["rms", "score"]).sort_index()
    return answered, answered.dropna(subset=COVARIATES)


def dummies(rows):
    """Groups of labels as columns, the largest left out."""
    parts = [pd.get_dummies(rows[name], prefix=name, dtype=float).drop(columns=f"{name}_{rows[name].value_counts().idxmax()}")
             for name in ("coupling", "experience")]
    return pd.concat(parts, axis=1)


def clusters(rows):
    """Clinicians, or patients where there are fewer than ten clinicians."""
    return rows["clinician_id"] if rows["clinician_id"].nunique() >= 10 else rows["patient_id"]


def ranks(answered, complete, replicates):
    """Rank correlations with a bootstrap over clusters and a permutation within clinicians."""
    from scipy import stats

    rng = np.random.default_rng(1)
    x, y = answered["rms"].to_numpy(), answered["score"].to_numpy()
    cx, cy = complete["rms"].to_numpy(), complete["score"].to_numpy()
    numbers, labels = complete[["age_years", "pta4"]].to_numpy(float), dummies(complete).to_numpy()

    def residuals(rows):
        given = np.column_stack([np.ones(len(rows)), stats.rankdata(numbers[rows], axis=0), labels[rows]])
        both = np.column_stack([stats.rankdata(cx[rows]), stats.rankdata(cy[rows])])
        fitted = given @ np.linalg.lstsq(given, both, rcond=None)[0]
        return given, fitted, both - fitted

    def three(rows, kept):
        left = residuals(kept)[2]
        return (stats.spearmanr(x[rows], y[rows]).statistic, stats.kendalltau(x[rows], y[rows]).statistic,
                np.corrcoef(left.T)[0, 1])

    estimates = three(np.arange(len(x)), np.arange(len(cx)))
    groups = [list(rows.groupby(key).indices.values()) for rows, key in
              ((answered.reset_index(), clusters(answered).to_numpy()), (complete.reset_index(), clusters(complete).to_numpy()))]
    start = time.perf_counter()
    drawn = [three(*(np.concatenate([known[k] for k in rng.integers(len(known), size=len(known))]) for known in groups))
             for _ in range(replicates)]
    at_clinicians = [list(rows.reset_index().groupby("clinician_id").indices.values()) for rows in (answered, complete)]
    given, fitted, left = residuals(np.arange(len(cx)))
    extreme = np.zeros(3)
    for _ in range(replicates):
        shuffled, moved = y.copy(), left[:, 1].copy()
        for rows in at_clinicians[0]:
            shuffled[rows] = rng.permutation(shuffled[rows])
        for rows in at_clinicians[1]:
            moved[rows] = rng.permutation(moved[rows])
        moved = moved - given @ np.linalg.lstsq(given, moved, rcond=None)[0]
        found = (stats.spearmanr(x, shuffled).statistic, stats.kendalltau(x, shuffled).statistic,
                 np.corrcoef(left[:, 0], moved)[0, 1])
        extreme += np.abs(found) >= np.abs(estimates)
    took = time.perf_counter() - start
    table = pd.DataFrame({"method": ["spearman", "kendall", "partial"], "weighted": "false",
                          "n": [len(x), len(x), len(cx)], "estimate": estimates})
    if replicates:
        # Of a bootstrap and a permutation: run.sh reckons from it what more of them would take.
        print(f"replicate {took / replicates:.6f}")
        # Random: shown, and not held against ours.
        table["resampled_lo"], table["resampled_hi"] = np.percentile(np.array(drawn), [2.5, 97.5], axis=0)
        table["resampled_p"] = (1 + extreme) / (1 + replicates)
    return table


def proportional_odds(rows, columns, of_interest):
    """Coefficients with intervals from errors robust to clusters (CR1), t on clusters less one."""
    from scipy import stats
    from statsmodels.miscmodels.ordinal_model import OrderedModel

    # Columns of unit spread help the search; estimates are given back in units of the columns.
    spread = columns.std()
    model = OrderedModel(rows["score"].astype(int), (columns - columns.mean()) / spread, distr="logit")
    groups = pd.factorize(clusters(rows))[0]
    fitted = model.fit(method="bfgs", maxiter=1000, gtol=1e-8, disp=0, cov_type="cluster",
                       cov_kwds={"groups": groups, "use_correction": False})
    n_clusters = groups.max() + 1
    factor = np.sqrt(n_clusters / (n_clusters - 1)) * stats.t.ppf(0.975, n_clusters - 1)
    found = []
    for method, name in of_interest.items():
        estimate, error = fitted.params[name] / spread[name], fitted.bse[name] / spread[name] * factor
        found.append({"method": method, "weighted": "false", "n": len(rows), "estimate": estimate,
                      "lo": estimate - error, "hi": estimate + error})
    return found


def models(fits, complete):
    from statsmodels.regression.mixed_linear_model import MixedLM

    covariates = pd.concat([complete[["age_years", "pta4"]].astype(float), dummies(complete)], axis=1)
    between = complete.groupby("clinician_id")["rms"].transform("mean")
    split = covariates.assign(within=complete["rms"] - between, between=between)
    ordinal = proportional_odds(complete, covariates.assign(rms=complete["rms"]), {"ordinal": "rms"})
    of_clinicians = {"ordinal_between": "between"} if complete["clinician_id"].nunique() >= 10 else {}
    ordinal += proportional_odds(complete, split, {"ordinal_within": "within", **of_clinicians})
    variances = []
    for measure in ("rms", "signed", "high_frequency", "within_criterion", "satisfied"):
        rows = fits.dropna(subset=[measure, *COVARIATES])
        given = pd.concat([rows[["age_years", "pta4"]].astype(float), dummies(rows)], axis=1)
        given = ((given - given.mean()) / given.std()).assign(constant=1.0)
        fitted = MixedLM(rows[measure], given, groups=rows["clinician_id"]).fit(reml=True, method=["bfgs", "powell"], gtol=1e-8, xtol=1e-7, ftol=1e-13)
        between, within = float(fitted.cov_re.iloc[0, 0]), fitted.scale
        for component, value in (("clinician", between), ("residual", within), ("icc", between / (between + within))):
            variances.append({"measure": measure, "component": component, "estimate": value})
    return pd.DataFrame(ordinal), pd.DataFrame(variances)


def figures(store, answers, replicates):
    """The report: every table, rank correlation and model, and the figures drawn from them."""
    import matplotlib

    matplotlib.use("svg")
    import matplotlib.pyplot as plt

    fits, match = tables(store, answers)
    answered, complete = study_of(fits)
    ranks(answered, complete, replicates).to_csv(answers / "ranks.csv", index=False)
    models(fits, complete)
    for (stage, quantity, band), rows in match.groupby(ROW):
        figure, axes = plt.subplots()
        axes.fill_between(rows["frequency_hz"], rows["q05"], rows["q95"], alpha=0.2)
        axes.fill_between(rows["frequency_hz"], rows["q25"], rows["q75"], alpha=0.3)
        axes.plot(rows["frequency_hz"], rows["q50"])
        axes.set(xscale="log", xlabel="Hz", ylabel="deviation, dB", title=f"{stage}, {quantity}, {band}")
        figure.savefig(answers / f"match-{stage}-{quantity}-{band}.svg")
        plt.close(figure)
    quarter = pd.PeriodIndex(fits["fitted_on"], freq="Q").astype(str)
    measures = ["within_criterion", "verified", "two_ear", "answered", "satisfied", "returned", "rms", "signed", "high_frequency"]
    for measure in measures:
        figure, (left, right) = plt.subplots(1, 2, figsize=(10, 4))
        fits.groupby(quarter)[measure].mean().plot(ax=left, marker="o", title=f"{measure} by quarter")
        units = fits.groupby("clinician_id")[measure].agg(["count", "mean"])
        right.scatter(units["count"], units["mean"], s=9)
        right.axhline(fits[measure].mean())
        right.set(xlabel="fittings", title=f"{measure} by clinician")
        figure.savefig(answers / f"{measure}.svg")
        plt.close(figure)
    figure, axes = plt.subplots()
    shares = answered.groupby(pd.qcut(answered["rms"], 20, duplicates="drop"), observed=True)
    axes.plot(shares["rms"].mean(), shares["satisfied"].mean(), marker="o")
    axes.set(xlabel="RMS deviation, dB", ylabel="share satisfied")
    figure.savefig(answers / "satisfied-by-rms.svg")


def main():
    step, first = sys.argv[1], Path(sys.argv[2])
    if step == "read":
        return len(read(first)) and None
    second = Path(sys.argv[3])
    if step == "ingest":
        return ingest(first, second)
    if step == "tables":
        return tables(first, second) and None
    if step == "figures":
        return figures(first, second, int(sys.argv[4]))
    fits = fits_of(first, curves_of(first))
    answered, complete = study_of(fits)
    if step == "ranks":
        ranks(answered, complete, int(sys.argv[4])).to_csv(second / "ranks.csv", index=False)
    elif step == "models":
        for name, table in zip(("ordinal", "variance"), models(fits, complete)):
            table.to_csv(second / f"{name}.csv", index=False)
    elif step == "study":
        fits.to_csv(second / "fits.csv", index_label="fitting_id")
    else:
        sys.exit(__doc__)


if __name__ == "__main__":
    main()
