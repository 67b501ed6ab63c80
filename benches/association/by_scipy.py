"""The rank correlations of `query association` by SciPy: 20 replicates of bootstrap and permutation, as its users write it.

    python by_scipy.py COHORT [REPLICATES]

Reads the Parquet parts of the newest snapshot, makes the fit-level columns and computes Spearman's rho, Kendall's tau-b
and the partial rank correlation, with a bootstrap over clinicians and a permutation within clinicians. Needs the
versions of requirements.txt. Prints the estimates, to be compared with the query's.
"""

import json
import sys
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats


def parts(cohort, table, columns):
    """All parts of a table of the newest snapshot."""
    snapshot = cohort / "snapshots" / (cohort / "CURRENT").read_text().strip()
    manifest = json.loads((snapshot / "manifest.json").read_text())
    files = [cohort / part["path"] for part in manifest["parts"] if part["table"] == table]
    return pd.concat([pd.read_parquet(file, columns=columns) for file in files], ignore_index=True)


def study(cohort):
    """One row a fitting with an exposure, an answer and every covariate."""
    curves = parts(cohort, "curves", ["fitting_id", "fitted", "stage", "input_level", "sum_of_squares"])
    level = curves["input_level"]
    headline = curves[curves["fitted"] & (curves["stage"] == "final") & (level > 5700) & (level < 7000)]
    squares = headline.dropna(subset=["sum_of_squares"]).groupby("fitting_id")["sum_of_squares"].agg(["sum", "count"])
    rms = np.sqrt(squares["sum"] / (4 * squares["count"])) / 100
    answers = parts(cohort, "answers", ["fitting_id", "instrument", "item", "score", "latest"])
    chosen = answers[answers["latest"] & (answers["instrument"] == "ioi-ha") & (answers["item"] == "4")]
    fittings = parts(cohort, "fittings", ["fitting_id", "clinician_id", "age_years", "pure_tone_sum_left",
                                          "pure_tone_sum_right", "coupling", "experience", "n_fitted"])
    fittings = fittings[fittings["n_fitted"] > 0].set_index("fitting_id")
    both = fittings[["pure_tone_sum_left", "pure_tone_sum_right"]]
    return pd.DataFrame({
        "rms": rms,
        "score": chosen.set_index("fitting_id")["score"],
        "clinician": fittings["clinician_id"],
        "age_years": fittings["age_years"],
        "pta4": both.min(axis=1).where(both.notna().all(axis=1)) / 400,
        "coupling": fittings["coupling"],
        "experience": fittings["experience"],
    }).loc[rms.index].dropna(subset=["rms", "score", "clinician"])


def ranked(columns):
    return np.column_stack([stats.rankdata(column) for column in columns])


def partial(x, y, numeric, dummies):
    """Rank correlation of x and y given ranked numbers and groups."""
    given = np.column_stack([np.ones(len(x)), ranked(numeric), dummies])
    both = ranked([x, y])
    left = both - given @ np.linalg.lstsq(given, both, rcond=None)[0]
    return np.corrcoef(left[:, 0], left[:, 1])[0, 1]


def main():
    cohort, replicates = Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 20
    rng = np.random.default_rng(1)
    every = study(cohort)
    complete = every.dropna()
    x, y = every["rms"].to_numpy(), every["score"].to_numpy()
    cx, cy = complete["rms"].to_numpy(), complete["score"].to_numpy()
    numeric = [complete["age_years"].to_numpy(float), complete["pta4"].to_numpy()]
    dummies = pd.get_dummies(complete[["coupling", "experience"]].astype(str), drop_first=True).to_numpy(float)

    def three(rows, kept):
        return (stats.spearmanr(x[rows], y[rows]).statistic, stats.kendalltau(x[rows], y[rows]).statistic,
                partial(cx[kept], cy[kept], [column[kept] for column in numeric], dummies[kept]))

    estimates = three(np.arange(len(x)), np.arange(len(cx)))
    everyone = [np.asarray(rows) for rows in every.reset_index().groupby("clinician", observed=True).indices.values()]
    known = complete.reset_index().groupby("clinician", observed=True).indices
    known = [np.asarray(rows) for rows in known.values()]
    drawn = []
    for _ in range(replicates):
        which = rng.integers(len(everyone), size=len(everyone))
        also = rng.integers(len(known), size=len(known))
        drawn.append(three(np.concatenate([everyone[k] for k in which]), np.concatenate([known[k] for k in also])))
    shuffled = np.zeros(3)
    given = np.column_stack([np.ones(len(cx)), ranked(numeric), dummies])
    both = ranked([cx, cy])
    fitted = given @ np.linalg.lstsq(given, both, rcond=None)[0]
    left = both - fitted
    for _ in range(replicates):
        moved, residual = y.copy(), left[:, 1].copy()
        for rows in everyone:
            moved[rows] = rng.permutation(moved[rows])
        for rows in known:
            residual[rows] = rng.permutation(residual[rows])
        again = residual - given @ np.linalg.lstsq(given, residual, rcond=None)[0]
        found = (stats.spearmanr(x, moved).statistic, stats.kendalltau(x, moved).statistic,
                 np.corrcoef(left[:, 0], again)[0, 1])
        shuffled += np.abs(found) >= np.abs(estimates)
    spread = np.percentile(np.array(drawn), [2.5, 97.5], axis=0)
    for method, n, at in zip(("spearman", "kendall", "partial"), (len(x), len(x), len(cx)), range(3)):
        print(f"{method} n={n} estimate={estimates[at]:.15g} "
              f"percentile={spread[0][at]:.4f}..{spread[1][at]:.4f} p={(1 + shuffled[at]) / (1 + replicates):.4f}")


if __name__ == "__main__":
    main()
