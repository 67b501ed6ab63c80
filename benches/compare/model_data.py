"""Invented rows to fit models to: 500 clinicians, eight covariates, an outcome in dB and an ordered score.

    python model_data.py ROWS FILE.csv

The score is 1 to 5 by the proportional-odds model; the outcome has a normal intercept by clinician. Columns:
group, x1 to x8, y, score. Values have four decimals, so that every program reads the same numbers.
"""

import sys

import numpy as np
import pandas as pd

GROUPS, COVARIATES = 500, 8


def main():
    rows = int(sys.argv[1])
    rng = np.random.default_rng(7)
    group = rng.integers(GROUPS, size=rows)
    # Half of them vary between clinicians too.
    x = rng.normal(size=(rows, COVARIATES)) + 0.5 * rng.normal(size=(GROUPS, COVARIATES))[group] * (np.arange(COVARIATES) % 2)
    x[:, 2:4] = (x[:, 2:4] > 0.5).astype(float)
    effects = np.array([0.3, -0.2, 0.15, 0.1, -0.05, 0.02, 0.0, 0.25])
    intercept = rng.normal(scale=0.8, size=GROUPS)[group]
    y = 5 + x[:, :6] @ effects[:6] + intercept + rng.normal(scale=1.7, size=rows)
    latent = x @ effects + 0.3 * intercept + rng.logistic(size=rows)
    score = 1 + np.searchsorted([-2.5, -1.2, 0.0, 1.5], latent)
    columns = {"group": group, **{f"x{k + 1}": x[:, k].round(4) for k in range(COVARIATES)}, "y": y.round(4), "score": score}
    pd.DataFrame(columns).to_csv(sys.argv[2], index=False)


if __name__ == "__main__":
    main()
