"""Least squares, errors robust to clusters, analysis of variance, raters."""

import math

import numpy as np
import statsmodels.api as sm
from mpmath import matrix, mp, mpf
from scipy import stats

from shared import groups, numbers, table


def rows(add):
    """All values of regression.csv."""
    least_squares(add)
    through_the_origin(add)
    clusters(add)
    variance(add)
    raters(add)
    tails(add)


def clustered():
    data = numbers("clustered")
    return data[:, 0].astype(int), data[:, 1:3], data[:, 3]


def sleepstudy():
    data = numbers("sleepstudy_part")
    return data[:, 0].astype(int), data[:, 1:2], data[:, 2]


def least_squares(add):
    _, x, y = clustered()
    for case, design, call in (
        ("clustered", sm.add_constant(x), "OLS(y; [1 x1 x2]).fit()"),
        ("clustered origin", x, "OLS(y; [x1 x2]).fit()"),
        ("clustered mean", np.ones((len(y), 1)), "OLS(y; [1]).fit()"),
    ):
        fit = sm.OLS(y, design).fit()
        limits = fit.conf_int(0.05)
        for j, b in enumerate(fit.params):
            add(case, f"b{j}", b, "statsmodels", f"{call}.params")
            add(case, f"se{j}", fit.bse[j], "statsmodels", f"{call}.bse")
            add(case, f"t{j}", fit.tvalues[j], "statsmodels", f"{call}.tvalues")
            add(case, f"p{j}", fit.pvalues[j], "statsmodels", f"{call}.pvalues")
            add(case, f"interval{j} lo", limits[j][0], "statsmodels", f"{call}.conf_int(0.05)")
            add(case, f"interval{j} hi", limits[j][1], "statsmodels", f"{call}.conf_int(0.05)")
            for k in range(len(fit.params)):
                covariance = fit.normalized_cov_params[j][k]
                add(case, f"unscaled{j}{k}", covariance, "statsmodels", f"{call}.normalized_cov_params")
        add(case, "s", math.sqrt(fit.scale), "statsmodels", f"sqrt({call}.scale)")
        for i in (0, 17, len(y) - 1):
            add(case, f"residual{i}", fit.resid[i], "statsmodels", f"{call}.resid")
        if case != "clustered mean":
            add(case, "r2", fit.rsquared, "statsmodels", f"{call}.rsquared")
            add(case, "f", fit.fvalue, "statsmodels", f"{call}.fvalue")
            add(case, "f_p", fit.f_pvalue, "statsmodels", f"{call}.f_pvalue")
    centred = x - x.mean(axis=0)
    unit = centred / np.linalg.norm(centred, axis=0)
    add("clustered", "condition", np.linalg.cond(unit), "numpy", "linalg.cond(columns centred and of unit length)")
    unit = x / np.linalg.norm(x, axis=0)
    add("clustered origin", "condition", np.linalg.cond(unit), "numpy", "linalg.cond(columns of unit length)")


def through_the_origin(add):
    """The two sets of NIST without a constant, from their rules, by exact normal equations in 50 digits."""
    with mp.workdps(50):
        for case, x, y in (
            ("NoInt1", range(60, 71), range(130, 141)),
            ("NoInt2", (4, 5, 6), (3, 4, 4)),
        ):
            x, y = matrix([mpf(v) for v in x]), matrix([mpf(v) for v in y])
            n, xx, xy = len(x), (x.T * x)[0], (x.T * y)[0]
            b = xy / xx
            rest = y - x * b
            s2 = (rest.T * rest)[0] / (n - 1)
            explained = b * xy
            call = "normal equations without a constant in 50 digits"
            add(case, "b0", b, "mpmath", call)
            add(case, "se0", mp.sqrt(s2 / xx), "mpmath", call)
            add(case, "s", mp.sqrt(s2), "mpmath", call)
            add(case, "r2", explained / (y.T * y)[0], "mpmath", call)
            add(case, "f", explained / s2, "mpmath", call)


def clusters(add):
    for case, (cluster, x, y) in (("clustered", clustered()), ("sleepstudy", sleepstudy())):
        model = sm.OLS(y, sm.add_constant(x))
        count = len(set(cluster))
        for name, corrected, factor in (
            ("CR0", False, 1.0),
            ("CR1", False, count / (count - 1)),
            ("CR1 rows", True, 1.0),
        ):
            kwds = {"groups": cluster, "use_correction": corrected, "df_correction": True}
            fit = model.fit(cov_type="cluster", cov_kwds=kwds, use_t=True)
            call = f"OLS.fit(cov_type=cluster; use_correction={corrected}; use_t=True)"
            if factor != 1.0:
                call += " x G/(G-1)"
            half = stats.t.ppf(0.975, count - 1)
            for j, b in enumerate(fit.params):
                se = fit.bse[j] * math.sqrt(factor)
                add(case, f"{name} se{j}", se, "statsmodels", f"{call}: bse")
                if factor == 1.0:
                    p, (lo, hi) = fit.pvalues[j], fit.conf_int(0.05)[j]
                else:
                    p, lo, hi = 2 * stats.t.sf(abs(b) / se, count - 1), b - half * se, b + half * se
                add(case, f"{name} p{j}", p, "statsmodels", f"{call}: pvalues; t with G-1 degrees")
                add(case, f"{name} interval{j} lo", lo, "statsmodels", f"{call}: conf_int(0.05); t with G-1 degrees")
                add(case, f"{name} interval{j} hi", hi, "statsmodels", f"{call}: conf_int(0.05); t with G-1 degrees")
            covariance = fit.cov_params()[0][1] * factor
            add(case, f"{name} covariance01", covariance, "statsmodels", f"{call}: cov_params")
        for name in ("HC0", "HC1"):
            fit = model.fit(cov_type=name)
            for j, se in enumerate(fit.bse):
                add(case, f"{name} se{j}", se, "statsmodels", f"OLS.fit(cov_type={name}).bse")
    cluster, x, y = clustered()
    kwds = {"groups": cluster, "use_correction": True}
    fit = sm.OLS(y, x).fit(cov_type="cluster", cov_kwds=kwds)
    for j, se in enumerate(fit.bse):
        call = "OLS(y; [x1 x2]).fit(cov_type=cluster; use_correction=True).bse"
        add("clustered origin", f"CR1 rows se{j}", se, "statsmodels", call)


def variance(add):
    gears = list(groups("gears").values())
    uneven = [gears[4][:3], gears[5][:7], gears[6], gears[7][:1]]
    for case, data in (
        ("sirstv", groups("sirstv").values()),
        ("gears", gears),
        ("gears uneven", uneven),
        ("dyestuff", groups("dyestuff").values()),
    ):
        f, p = stats.f_oneway(*data)
        add(case, "F", f, "scipy", "stats.f_oneway(groups).statistic")
        add(case, "p", p, "scipy", "stats.f_oneway(groups).pvalue")


def intraclass(data):
    """The six forms and their limits, from mean squares of fitted linear models and quantiles of scipy."""
    n, k = data.shape
    y = data.ravel()
    target = np.repeat(np.arange(n), k)
    judge = np.tile(np.arange(k), n)
    dummies = lambda labels: (labels[:, None] == np.unique(labels)[None, :]).astype(float)
    rest = lambda *designs: sm.OLS(y, np.hstack(designs)).fit().ssr
    one = np.ones((n * k, 1))
    total, of_targets = rest(one), rest(dummies(target))
    of_judges, both = rest(dummies(judge)), rest(dummies(target), dummies(judge)[:, 1:])
    b = (total - of_targets) / (n - 1)
    w = of_targets / (n * (k - 1))
    j = (total - of_judges) / (k - 1)
    e = both / ((n - 1) * (k - 1))
    q = lambda d1, d2: stats.f.ppf(0.975, d1, d2)
    one1 = (b - w) / (b + (k - 1) * w)
    one2 = (b - e) / (b + (k - 1) * e + k * (j - e) / n)
    one3 = (b - e) / (b + (k - 1) * e)
    limits = []
    for f, d in ((b / w, n * (k - 1)), (b / e, (n - 1) * (k - 1))):
        lo, hi = f / q(n - 1, d), f * q(d, n - 1)
        limits.append(((lo - 1) / (lo + k - 1), (hi - 1) / (hi + k - 1)))
    fj = j / e
    v = (k - 1) * (n - 1) * (k * one2 * fj + n * (1 + (k - 1) * one2) - k * one2) ** 2
    v /= (n - 1) * k**2 * one2**2 * fj**2 + (n * (1 + (k - 1) * one2) - k * one2) ** 2
    up, down = q(n - 1, v), q(v, n - 1)
    lo = n * (b - up * e) / (up * (k * j + (k * n - k - n) * e) + n * b)
    hi = n * (down * b - e) / (k * j + (k * n - k - n) * e + n * down * b)
    limits.insert(1, (lo, hi))
    brown = lambda r: k * r / (1 + (k - 1) * r)
    for name, r, (lo, hi) in zip("123", (one1, one2, one3), limits):
        yield f"ICC({name};1)", r, lo, hi
        yield f"ICC({name};k)", brown(r), brown(lo), brown(hi)


def raters(add):
    shrout = np.zeros((6, 4))
    for target, judge, rating in table("shrout_fleiss"):
        shrout[int(target) - 1, int(judge) - 1] = float(rating)
    for case, data in (
        ("shrout_fleiss", shrout),
        ("shrout_fleiss two judges", shrout[:, :2]),
        ("shrout_fleiss targets as judges", shrout.T),
        # Agreement, then disagreement, by rule: a level a target, a level a judge, and a remainder.
        ("rule", np.array([[3 * i % 17 + 2 * j + (7 * i + 5 * j) % 4 for j in range(3)] for i in range(120)])),
        ("opposed", np.array([[((i + j) % 2) * 5 + i % 3 for j in range(2)] for i in range(9)])),
    ):
        for form, r, lo, hi in intraclass(data.astype(float)):
            call = "Shrout & Fleiss by OLS sums of squares and stats.f.ppf"
            add(case, f"{form}", r, "scipy", call)
            if case == "opposed" and form.startswith("ICC(2"):
                continue  # Satterthwaite's approximation leaves the range of a correlation; no interval is given
            add(case, f"{form} lo", lo, "scipy", call)
            add(case, f"{form} hi", hi, "scipy", call)


def tails(add):
    """The upper tail of F in 40 digits, where p is tiny and where degrees are large."""
    for f, above, below in TAILS:
        f, above, below = mpf(f), mpf(above), mpf(below)
        u = below / (below + above * f)
        p = mp.betainc(below / 2, above / 2, 0, u, regularized=True)
        call = "betainc(d2/2; d1/2; 0; d2/(d2+d1 f); regularized=True)"
        add("F tail", f"{mp.nstr(f, 12)} {mp.nstr(above, 12)} {mp.nstr(below, 12)}", p, "mpmath", call)
    for f, above, below in ((1.1, 3e3, 1e6), (1.005, 1e6, 1e6)):  # here the series of mpmath takes minutes
        add("F tail", f"{f} {above} {below}", stats.f.sf(f, above, below), "scipy", "stats.f.sf(f; d1; d2)")


TAILS = (
    ("0.5", 3, 7),
    ("1", 2, 2),
    ("5436385.5", 1, 34),
    ("1e12", 2, 5),
    ("21", 8, 180),
    ("1.2", 10, 100_000),
    ("2.05", 10, 1_000_000),
    ("3.9", 1, 1_000_000),
    ("1.045", 9_000, 9_500),
)
