"""The models over rows of model_data.py, by statsmodels.

    python by_statsmodels.py reml ROWS.csv ANSWERS
    python by_statsmodels.py proportional_odds ROWS.csv ANSWERS

Prints how long the fit itself took, without reading.
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
    fitted = MixedLM(rows["y"], given, groups=rows["group"]).fit(reml=True, method="powell", xtol=1e-9, ftol=1e-15)
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


def main():
    # The search ends where no step in double precision is a gain; it says so as if it had failed.
    warnings.simplefilter("ignore")
    step, rows, answers = sys.argv[1], pd.read_csv(sys.argv[2]), Path(sys.argv[3])
    start = time.perf_counter()
    found = {"reml": reml, "proportional_odds": proportional_odds}[step](rows)
    print(f"{time.perf_counter() - start:.3f}")
    found.to_csv(answers / f"{step}.csv", index=False)


if __name__ == "__main__":
    main()
