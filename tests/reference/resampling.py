"""Bootstrap intervals, weighted and partial rank correlation, exact p-values.

Weighted rank correlations are taken of copied rows by general-purpose functions, or from the definition pair by pair.
"""

import dataclasses
import itertools
import math

import numpy as np
from scipy import stats

from shared import numbers, table


def replicates():
    """Skewed numbers in 0 to 1 that the Rust test makes in the same way."""
    return np.array([(((617 * i) % 1009) / 1009) ** 2 for i in range(1, 1000)])


def bootstrap_intervals(add):
    law = numbers("law_school")

    def r(rows):
        return np.corrcoef(rows[:, 0], rows[:, 1])[0, 1]

    jackknife = np.array([r(np.delete(law, i, axis=0)) for i in range(15)])
    d = jackknife.mean() - jackknife
    a = (d**3).sum() / (6 * (d**2).sum() ** 1.5)
    add("law school", "r", r(law), "numpy", "corrcoef(LSAT; GPA)")
    for i, value in enumerate(jackknife, start=1):
        add("law school", f"r without {i}", value, "numpy", f"corrcoef without row {i}")
    add("law school", "acceleration", a, "numpy", "sum(d^3)/(6 sum(d^2)^1.5); d = mean - jackknife")
    # The shares under and at r of the full enumeration, see data/law_school_cdf.csv.
    share = 0.461365949321 + 2.98628137256e-06 / 2
    z0 = stats.norm.ppf(share)
    add("law school", "z0", z0, "scipy", "norm.ppf(P(<)+P(=)/2) of the enumeration")
    for level in (0.025, 0.05, 0.95, 0.975):
        z = stats.norm.ppf(level)
        value = stats.norm.cdf(z0 + (z0 + z) / (1 - a * (z0 + z)))
        add("law school", f"BCa level {level}", value, "scipy", "norm.cdf(z0+(z0+z)/(1-a(z0+z)))")

    values = replicates()
    x = law[:, 0] / 700
    drawn = stats.bootstrap((x - 0.5,), np.mean, n_resamples=2, rng=1, method="percentile")
    kept = dataclasses.replace(drawn, bootstrap_distribution=values)
    for method in ("percentile", "BCa"):
        got = stats.bootstrap((x - 0.5,), np.mean, n_resamples=0, bootstrap_result=kept, method=method).confidence_interval
        call = f"stats.bootstrap((LSAT/700-0.5;); mean; n_resamples=0; bootstrap_result=kept; method={method})"
        add("kept replicates", f"{method} lo", got.low, "scipy", call)
        add("kept replicates", f"{method} hi", got.high, "scipy", call)
    add("kept replicates", "standard error", values.std(ddof=1), "numpy", "std(ddof=1)")
    for g in (2, 5, 15, 60, 2000):
        z = math.sqrt(g / (g - 1)) * stats.t.ppf(0.975, g - 1)
        add(f"{g} clusters", "expanded z", z, "scipy", "sqrt(G/(G-1)) t.ppf(0.975; G-1)")
    # The interval of the mean at expanded levels, every step by its formula.
    jackknife = np.array([np.delete(x - 0.5, i).mean() for i in range(15)])
    d = jackknife.mean() - jackknife
    a = (d**3).sum() / (6 * (d**2).sum() ** 1.5)
    estimate = (x - 0.5).mean()
    z0 = stats.norm.ppf(((values < estimate).mean() + (values <= estimate).mean()) / 2)
    for sign, end in ((-1, "lo"), (1, "hi")):
        z = sign * math.sqrt(15 / 14) * stats.t.ppf(0.975, 14)
        add("kept replicates", f"expanded percentile {end}", np.quantile(values, stats.norm.cdf(z)), "numpy",
            "quantile(values; norm.cdf(z expanded))")
        level = stats.norm.cdf(z0 + (z0 + z) / (1 - a * (z0 + z)))
        add("kept replicates", f"expanded BCa {end}", np.quantile(values, level), "numpy",
            "quantile(values; norm.cdf(z0+(z0+z)/(1-a(z0+z)))); z expanded")


def indicators(labels):
    return [(labels == level).astype(float) for level in np.unique(labels)[1:]]


def left_by(columns, y, weights=None):
    """Residuals of least squares on the columns and a constant."""
    design = np.column_stack([np.ones(len(y)), *columns])
    root = np.ones(len(y)) if weights is None else np.sqrt(weights)
    return y - design @ np.linalg.lstsq(design * root[:, None], y * root, rcond=None)[0]


def partial(x, y, numeric, factors):
    """The correlation of rank residuals, and its p-value."""
    columns = [stats.rankdata(z) for z in numeric] + [c for f in factors for c in indicators(f)]
    rho = np.corrcoef(left_by(columns, stats.rankdata(x)), left_by(columns, stats.rankdata(y)))[0, 1]
    degrees = len(x) - 2 - len(columns)
    return rho, 2 * stats.t.sf(abs(rho) * math.sqrt(degrees / (1 - rho**2)), degrees)


def rank_rows(case):
    rows = np.array([[float(v) for v in row[1:]] for row in table("rank_rows") if row[0] == case])
    return rows.T


def by_definition(values, weights):
    """Weight under a value and half of the weight at it."""
    return np.array([weights[values < v].sum() + weights[values == v].sum() / 2 for v in values])


def rank_correlations(add):
    births = numbers("birthwt").T
    _, age, lwt, race, smoke, *_, bwt = births
    for name, numeric, factors in (
        ("age smoke", [age, smoke], []), ("age | smoke race", [age], [smoke, race]), ("nothing", [], []),
    ):
        rho, p = partial(lwt, bwt, numeric, factors)
        call = "corrcoef of lstsq residuals of rankdata; 2 t.sf(|t|; n-2-k)"
        add("birthwt", f"lwt bwt given {name}", rho, "scipy", call)
        add("birthwt", f"lwt bwt given {name} p", p, "scipy", call)

    _, x, y, z1, z2, c1, c2, whole, fraction = rank_rows("forty")
    rho, p = partial(x, y, [z1, z2], [c1, c2])
    add("forty", "partial rho", rho, "scipy", "corrcoef of lstsq residuals of rankdata")
    add("forty", "partial rho p", p, "scipy", "2 t.sf(|t|; n-2-k)")
    copy = np.repeat(np.arange(len(x)), whole.astype(int))
    add("forty", "rho of copies", stats.spearmanr(x[copy], y[copy]).statistic, "scipy", "spearmanr(repeat(x; w); repeat(y; w))")
    add("forty", "tau_b of copies", stats.kendalltau(x[copy], y[copy]).statistic, "scipy", "kendalltau(repeat(x; w); repeat(y; w))")
    # Concordance beyond 32 distinct values, the other way of counting: y made finer by a covariate.
    fine = y + z1 / 100 + z2 / 1000
    add("forty", "tau_b of copies fine", stats.kendalltau(x[copy], fine[copy]).statistic, "scipy",
        "kendalltau(repeat(x; w); repeat(y+z1/100+z2/1000; w))")
    rho, _ = partial(x[copy], y[copy], [z1[copy], z2[copy]], [c1[copy], c2[copy]])
    add("forty", "partial rho of copies", rho, "scipy", "corrcoef of lstsq residuals of rankdata of copied rows")
    rho, _ = partial(x[copy], y[copy], [], [c1[copy], c2[copy]])
    add("forty", "partial rho of copies given factors", rho, "scipy", "the same; factors alone")
    rho, _ = partial(x[copy], y[copy], [z1[copy], z2[copy], z1[copy] * z2[copy], z1[copy] - 9 * z2[copy],
                                        (z1[copy] * 7) % 11], [])
    add("forty", "partial rho of copies given five", rho, "scipy", "the same; z1 z2 z1*z2 z1-9*z2 (7*z1)%11")

    w = fraction
    ranks = [by_definition(values, w) for values in (x, y, z1, z2)]
    covariance = np.cov(ranks[0], ranks[1], aweights=w)
    add("forty", "weighted rho", covariance[0, 1] / math.sqrt(covariance[0, 0] * covariance[1, 1]), "numpy",
        "cov(weighted ranks; aweights=w)")
    pairs = [(w[i] * w[j], np.sign(x[i] - x[j]), np.sign(y[i] - y[j])) for i, j in itertools.combinations(range(len(x)), 2)]
    tau = sum(p * a * b for p, a, b in pairs) / math.sqrt(sum(p * a * a for p, a, _ in pairs) * sum(p * b * b for p, _, b in pairs))
    add("forty", "weighted tau_b", tau, "numpy", "sum of w_i w_j sign sign over pairs; scaled")
    columns = ranks[2:] + indicators(c1) + indicators(c2)
    left = [left_by(columns, r, w) for r in ranks[:2]]
    covariance = np.cov(left[0], left[1], aweights=w)
    add("forty", "weighted partial rho", covariance[0, 1] / math.sqrt(covariance[0, 0] * covariance[1, 1]), "numpy",
        "cov of weighted lstsq residuals of weighted ranks")


def exact(add):
    rows = [row for row in table("pairs") if row[0] == "hollander_wolfe"]
    x, y = ([float(row[k]) for row in rows] for k in (2, 3))
    add("hollander_wolfe", "exact p", stats.kendalltau(x, y, method="exact").pvalue, "scipy", "kendalltau(method=exact).pvalue")
    for n, step in ((2, 1), (5, 2), (12, 5), (30, 7), (47, 13), (50, 3), (101, 44)):
        y = [(step * i) % n for i in range(n)]
        p = stats.kendalltau(range(n), y, method="exact").pvalue
        add(f"{n} step {step}", "exact p", p, "scipy", f"kendalltau(0..n; {step} i % n; method=exact).pvalue")


def freedman_lane(add):
    """All arrangements of the residuals within clusters, the new y fitted from scratch each time."""
    cluster, x, y, z1, _, c1, *_ = rank_rows("small")
    order = np.argsort(cluster, kind="stable")
    cluster, x, y, z1, c1 = (v[order] for v in (cluster, x, y, z1, c1))
    rx, ry = stats.rankdata(x), stats.rankdata(y)
    columns = [stats.rankdata(z1)] + indicators(c1) + indicators(cluster)
    residuals = left_by(columns, ry)
    fitted = ry - residuals
    dx = left_by(columns, rx)

    def statistic(response):
        return np.corrcoef(dx, left_by(columns, response))[0, 1]

    observed = statistic(ry)
    blocks = [np.flatnonzero(cluster == k) for k in np.unique(cluster)]
    count = extreme = 0
    for parts in itertools.product(*[itertools.permutations(block) for block in blocks]):
        source = np.concatenate([np.array(part) for part in parts])
        count += 1
        extreme += abs(statistic(fitted + residuals[source])) >= abs(observed) - 1e-10
    add("small", "partial rho within clusters", observed, "numpy", "corrcoef of lstsq residuals; cluster indicators")
    add("small", "freedman-lane permutation p", extreme / count, "numpy", f"all {count} arrangements of the residuals")


def rows(add):
    """All values of resampling.csv."""
    bootstrap_intervals(add)
    rank_correlations(add)
    exact(add)
    freedman_lane(add)
