"""Curves, log spreads, bounds, the split within and between, and the exact trend test."""

import itertools
import math

import numpy as np
from mpmath import mp, mpf
from scipy import optimize, special, stats
from statsmodels.nonparametric.smoothers_lowess import lowess
from statsmodels.stats.meta_analysis import combine_effects
from statsmodels.stats.proportion import proportion_confint

from shared import Z, groups, numbers

# A curve with ties, an outlier and uneven steps; the formula stands in the Rust test too.
WAVE_X = [(7 * i * i) % 83 / 4 for i in range(60)]
WAVE_Y = [math.floor(1000 * math.sin(x / 3)) / 100 + (5 * i) % 7 - (40 if i == 17 else 0)
          for i, x in enumerate(WAVE_X)]

# n and standard deviation of each group.
SPREADS = {
    "even": [(10, s) for s in (1.0, 1.1, 0.9, 1.05, 0.95)],
    "uneven": [(5, 2.1), (8, 3.9), (12, 2.4), (30, 5.2), (2, 1.3), (101, 3.3), (25, 2.9)],
    "two": [(40, 1.0), (60, 4.0)],
}


def curves(add):
    speed, distance = (numbers("cars")[:, k] for k in (0, 1))
    for case, x, y in (("cars", speed, distance), ("wave", np.array(WAVE_X), np.array(WAVE_Y))):
        for fraction, iterations, delta in ((2 / 3, 3, 0.21), (0.2, 3, 0.21), (2 / 3, 0, 0.0), (0.5, 2, 0.0), (0.35, 5, 0.0)):
            # Small steps only: where one reaches the right end, statsmodels fits one row more than R.
            name = f"lowess {round(fraction, 2)} {iterations} {delta}"
            fits = lowess(y, x, frac=fraction, it=iterations, delta=delta)
            for at in (0, 1, 11, 25, 40, len(x) - 1):
                add(case, f"{name} sorted {at}", fits[at, 1], "statsmodels",
                    f"lowess(y; x; frac={fraction:.4g}; it={iterations}; delta={delta})")
    grid = [4.0, 4.5, 10.25, 14.7, 18.0, 21.0, 24.9]
    for fraction in (2 / 3, 0.3):
        fits = lowess(distance, speed, frac=fraction, it=0, delta=0.0, xvals=np.array(grid))
        for at, fit in zip(grid, fits):
            add("cars", f"local line {round(fraction, 2)} at {at}", fit, "statsmodels",
                f"lowess(y; x; frac={fraction:.4g}; it=0; xvals={at})")


def isotonic(add):
    y = [1, 0, 4, 3, 3, 5, 4, 2, 0]
    weights = [1, 2, 1, 3, 1, 1, 2, 1, 4]
    for name, values, w, rising in (
        ("plain", y, None, True), ("weighted", y, weights, True), ("falling", y, None, False),
        ("weighted falling", y, weights, False), ("wave", WAVE_Y, None, True),
    ):
        fits = optimize.isotonic_regression(values, weights=w, increasing=rising).x
        for i, fit in enumerate(fits):
            add("isotonic", f"{name} {i}", fit, "scipy", "optimize.isotonic_regression(y; weights; increasing).x")


def log_spread(add):
    for degrees in (1, 2, 3, 4, 9, 10, 49, 999, 9_999, 10_000, 10_001, 123_456):
        half = mpf(degrees) / 2
        add("log sd of 1", f"value df {degrees}", -(mp.digamma(half) - mp.log(half)) / 2, "mpmath",
            "-(digamma(m/2) - log(m/2))/2")
        add("log sd of 1", f"variance df {degrees}", mp.polygamma(1, half) / 4, "mpmath", "polygamma(1; m/2)/4")
    for case, groups in SPREADS.items():
        half = np.array([(n - 1) / 2 for n, _ in groups])
        logs = np.log([sd for _, sd in groups]) - (special.digamma(half) - np.log(half)) / 2
        variance = special.polygamma(1, half) / 4
        fixed = combine_effects(logs, variance, method_re="dl")
        test = fixed.test_homogeneity()
        add(case, "q", test.statistic, "statsmodels", "combine_effects(logs; variances).test_homogeneity()")
        add(case, "q p", test.pvalue, "statsmodels", "combine_effects(logs; variances).test_homogeneity()")
        # No tighter: its steps end at 0 as soon as rounding takes the estimating equation below 0.
        pooled = combine_effects(logs, variance, method_re="pm", atol=1e-10)
        call = "combine_effects(logs; variances; method_re=pm; atol=1e-10)"
        tau2, mean, se = pooled.tau2, pooled.mean_effect_re, pooled.sd_eff_w_re
        add(case, "var_between", tau2, "statsmodels", call)
        add(case, "mean log", mean, "statsmodels", call)
        add(case, "se mean log", se, "statsmodels", call)
        add(case, "typical", math.exp(mean), "statsmodels", call)
        # The best linear predictor by the joint covariance of effects and logs, with the mean by least squares.
        k = len(groups)
        inverse = np.linalg.inv(np.diag(variance + tau2))
        ones = np.ones(k)
        var_mean = 1 / (ones @ inverse @ ones)
        blup = tau2 * inverse @ (logs - mean)
        # Weights of the logs in the estimate of each group; its error variance follows from them directly.
        projector = np.outer(ones, ones @ inverse) * var_mean
        weights = projector + tau2 * inverse @ (np.eye(k) - projector)
        error = (weights - np.eye(k)) @ (weights - np.eye(k)).T * tau2 + weights @ np.diag(variance) @ weights.T
        call = "numpy.linalg: weights W of the logs; error covariance (W-I)(W-I)' tau2 + W V W'"
        effect_weights = weights - projector
        # The ratio is of the group's true spread to the true mean: effects b against their prediction.
        ratio_error = ((effect_weights - np.eye(k)) @ (effect_weights - np.eye(k)).T * tau2
                       + effect_weights @ np.diag(variance) @ effect_weights.T)
        for i in range(k):
            add(case, f"log {i}", mean + blup[i], "numpy", call)
            add(case, f"log error {i}", math.sqrt(error[i, i]), "numpy", call)
            add(case, f"sd hi {i}", math.exp(mean + blup[i] + Z * math.sqrt(error[i, i])), "numpy", call)
            add(case, f"ratio {i}", math.exp(blup[i]), "numpy", call)
            add(case, f"ratio lo {i}", math.exp(blup[i] - Z * math.sqrt(ratio_error[i, i])), "numpy", call)


def critical(d):
    return optimize.brentq(lambda c: stats.norm.cdf(c + d) - stats.norm.cdf(-c) - 0.95, 1, 3, xtol=1e-15, rtol=1e-14)


def bounds(add):
    for d in (0.0, 0.01, 0.1, 0.5, 1.0, 2.0, 5.0, 40.0):
        add("imbens manski", f"critical {d}", critical(d), "scipy", "optimize.brentq(norm.cdf(c+d) - norm.cdf(-c) - 0.95)")
    for r, n, m in ((56, 70, 10), (3, 40, 60), (48, 80, 1), (0, 10, 5), (12, 12, 3), (900, 1500, 300)):
        total = n + m
        lo, hi = r / total, (r + m) / total
        se = [math.sqrt(p * (1 - p) / total) for p in (lo, hi)]
        c = critical((hi - lo) / max(se)) if max(se) > 0 else stats.norm.ppf(0.95)
        alpha = 2 * stats.norm.sf(c)
        case = f"share {r}/{n} and {m}"
        call = "proportion_confint(end; N; alpha=2 norm.sf(C); method=wilson)"
        lower = proportion_confint(r, total, alpha=alpha, method="wilson")[0]
        upper = proportion_confint(r + m, total, alpha=alpha, method="wilson")[1]
        # The ends are exact by definition; the library leaves rounding there.
        add(case, "interval lo", 0.0 if r == 0 else lower, "statsmodels", call)
        add(case, "interval hi", 1.0 if r + m == total else upper, "statsmodels", call)
        add(case, "critical", c, "scipy", "optimize.brentq(norm.cdf(c+d) - norm.cdf(-c) - 0.95)")
    filled = {}
    for case, answers, missing in (
        ("five-point", [1] * 2 + [2] * 5 + [3] * 9 + [4] * 30 + [5] * 14, 25), ("few", [2, 4, 4], 2), ("most", [5, 5, 5, 4], 40),
    ):
        ends = [np.array(answers + [fill] * missing, float) for fill in (1, 5)]
        filled[case] = ends
        se = [np.std(e, ddof=1) / math.sqrt(len(e)) for e in ends]
        c = critical((ends[1].mean() - ends[0].mean()) / max(se))
        call = "mean and std(ddof=1)/sqrt(N) of the answers with the missing filled in"
        for end, values, error in zip(("lo", "hi"), ends, se):
            add(case, f"region {end}", values.mean(), "numpy", call)
            add(case, f"se {end}", error, "numpy", call)
        add(case, "interval lo", max(1, ends[0].mean() - c * se[0]), "numpy", call)
        add(case, "interval hi", min(5, ends[1].mean() + c * se[1]), "numpy", call)
    one, two = filled["five-point"], filled["most"]
    lo, hi = one[0].mean() - two[1].mean(), one[1].mean() - two[0].mean()
    se = [math.sqrt(a.var(ddof=1) / len(a) + b.var(ddof=1) / len(b)) for a, b in ((one[0], two[1]), (one[1], two[0]))]
    c = critical((hi - lo) / max(se))
    add("five-point less most", "interval lo", lo - c * se[0], "numpy", "difference of filled means; C sqrt(sum of variances/N)")
    add("five-point less most", "interval hi", hi + c * se[1], "numpy", "difference of filled means; C sqrt(sum of variances/N)")


def exact_trends(add):
    def extreme(sums, mean, observed):
        return abs(sums - mean) >= abs(observed - mean) - 1e-9

    for case, scores, successes, trials in (
        ("three", [0, 1, 2], [0, 2, 3], [6, 7, 5]),
        ("tied", [0, 1, 1, 3], [1, 0, 2, 4], [5, 4, 6, 5]),
        ("uneven", [0, 0.5, 1.5, 4], [3, 0, 1, 2], [8, 3, 4, 3]),
    ):
        total = sum(successes)
        law = stats.multivariate_hypergeom(m=trials, n=total)
        mean = total * np.dot(scores, trials) / sum(trials)
        tables = [t for t in itertools.product(*(range(n + 1) for n in trials)) if sum(t) == total]
        p = sum(law.pmf(t) for t in tables if extreme(np.dot(scores, t), mean, np.dot(scores, successes)))
        add(case, "exact trend", p, "scipy", f"stats.multivariate_hypergeom.pmf over {len(tables)} tables as extreme")
    # Counted in whole numbers: ways to reach each (successes, doubled sum of scores), group by group.
    scores, successes, trials = [0, 1, 3, 8, 14], [48, 38, 5, 1, 1], [17114, 14502, 793, 127, 38]
    total = sum(successes)
    ways = {(0, 0): 1}
    for score, n in zip(scores, trials):
        longer = {}
        for (used, at), count in ways.items():
            for k in range(min(n, total - used) + 1):
                key = (used + k, at + score * k)
                longer[key] = longer.get(key, 0) + count * math.comb(n, k)
        ways = longer
    n = sum(trials)
    weighted = sum(s * t for s, t in zip(scores, trials))
    observed = abs(n * sum(s * k for s, k in zip(scores, successes)) - total * weighted)
    hits = sum(c for (used, at), c in ways.items() if used == total and abs(n * at - total * weighted) >= observed)
    add("malformation", "exact trend", mpf(hits) / mpf(math.comb(n, total)), "mpmath",
        "math.comb over all tables in whole numbers; one division")


def split(add):
    for label, own in groups("unbalanced").items():
        add("unbalanced", f"between {label}", np.mean(own), "numpy", "mean of the group")
        add("unbalanced", f"first within {label}", own[0] - np.mean(own), "numpy", "first value less mean of the group")


def rows(add):
    """All values of missing.csv."""
    curves(add)
    isotonic(add)
    log_spread(add)
    bounds(add)
    exact_trends(add)
    split(add)
