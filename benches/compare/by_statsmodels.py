"""The models and replicates over rows of model_data.py, by statsmodels and SciPy.

    python by_statsmodels.py reml ROWS.csv ANSWERS
    python by_statsmodels.py proportional_odds ROWS.csv ANSWERS
    python by_statsmodels.py ranks ROWS.csv ANSWERS REPLICATES

Prints how many seconds the fit itself took, without reading; `ranks` also what one replicate of both took.
"""

import sys
import time
import warnings
from pathlib import Path

import numpy as np
import pandas as pd


def reml(rows):
    from statsmodels.regression.mixed_linear_model import MixedLM

    given = rows[[f"x{k}" for k in range(1, 7)]].assign(constant=1.0)
    fitted = MixedLM(rows["y"], given, groups=rows["group"]).fit(reml=True, method=["bfgs", "powell"], gtol=1e-8, xtol=1e-7, ftol=1e-13)
    found = fitted.fe_params.to_dict() | {"between": float(fitted.cov_re.iloc[0, 0]), "within": fitted.scale}
    return pd.DataFrame({"term": list(found), "estimate": list(found.values())})


def proportional_odds(rows):
    from statsmodels.miscmodels.ordinal_model import OrderedModel

    columns = [f"x{k}" for k in range(1, 9)]
    groups = rows["group"].to_numpy()
    fitted = OrderedModel(rows["score"], rows[columns], distr="logit").fit(
        method="bfgs", maxiter=1000, gtol=1e-8, disp=0, cov_type="cluster", cov_kwds={"groups": groups, "use_correction": False})
    clusters = len(np.unique(groups))
    return pd.DataFrame({"term": columns, "estimate": fitted.params[columns].to_numpy(),
                         "se": fitted.bse[columns].to_numpy() * np.sqrt(clusters / (clusters - 1))})


def ranks(rows):
    """Rho, a bootstrap over groups and a permutation within them, of so many replicates each."""
    from scipy.stats import rankdata, spearmanr

    rng = np.random.default_rng(1)
    replicates = int(sys.argv[4])
    x, y = rows["y"].to_numpy(), rows["score"].to_numpy()
    groups = list(rows.groupby("group").indices.values())
    start = time.perf_counter()
    for _ in range(replicates):
        drawn = np.concatenate([groups[k] for k in rng.integers(len(groups), size=len(groups))])
        spearmanr(x[drawn], y[drawn])
    # Ranks do not change by shuffling: what is left is one product a replicate.
    ranks_x, ranks_y = rankdata(x), rankdata(y)
    for _ in range(replicates):
        shuffled = ranks_y.copy()
        for members in groups:
            shuffled[members] = rng.permutation(shuffled[members])
        ranks_x @ shuffled
    print(f"replicate {(time.perf_counter() - start) / replicates:.6f}")
    return pd.DataFrame({"term": ["spearman"], "estimate": [spearmanr(x, y).statistic]})


def main():
    # The search ends where no step in double precision is a gain; it says so as if it had failed.
    warnings.simplefilter("ignore")
    step, rows, answers = sys.argv[1], pd.read_csv(sys.argv[2]), Path(sys.argv[3])
    start = time.perf_counter()
    found = {"reml": reml, "proportional_odds": proportional_odds, "ranks": ranks}[step](rows)
    print(f"seconds {time.perf_counter() - start:.6f}")
    found.to_csv(answers / f"{'replicates' if step == 'ranks' else step}.csv", index=False)


if __name__ == "__main__":
    main()
