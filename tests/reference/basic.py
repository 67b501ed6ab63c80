"""The plain statistics: description, proportions, ranks, spread, trend, many tests, random intercept, funnels, charts."""

import itertools
import math

import numpy as np
from mpmath import mp, mpf
from scipy import stats
from statsmodels.stats.contingency_tables import Table
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from shared import Z, groups, table


def values(name):
    return [float(row[0]) for row in table(name)]


def description(add):
    small = [1, 3, 4, 10, 15, 20, 22, 30]
    for p in (0.1, 0.25, 0.3, 0.5, 0.9):
        add("eight", f"quantile {p}", np.quantile(small, p), "numpy", f"quantile([1 3 4 10 15 20 22 30]; {p})")
    lew = values("lew")
    for p in (0.05, 0.25, 0.5, 0.75, 0.95):
        add("lew", f"quantile {p}", np.quantile(lew, p), "numpy", f"quantile(lew; {p})")
    mean, sd = np.mean(lew), np.std(lew, ddof=1)
    lo, hi = stats.t.interval(0.95, len(lew) - 1, mean, sd / math.sqrt(len(lew)))
    add("lew", "mean interval lo", lo, "scipy", "stats.t.interval(0.95; n-1; mean; sd/sqrt(n))")
    add("lew", "mean interval hi", hi, "scipy", "stats.t.interval(0.95; n-1; mean; sd/sqrt(n))")
    for n in (2, 3, 30, 1001, 1002, 100_000, 1_000_000_000):
        lo, hi = stats.t.interval(0.95, n - 1, 10, 2 / math.sqrt(n))
        add(f"mean 10 sd 2 n {n}", "mean interval hi", hi, "scipy", "stats.t.interval(0.95; n-1; 10; 2/sqrt(n))")


def proportions(add):
    for r, n in ((81, 263), (15, 148), (0, 20), (1, 29), (29, 29), (1, 2), (49_990, 100_000), (1, 100_000)):
        for method, name in (("wilson", "wilson"), ("beta", "clopper-pearson")):
            lo, hi = proportion_confint(r, n, method=method)
            # The ends are exact by definition; the library leaves rounding there.
            lo, hi = (0.0 if r == 0 else lo), (1.0 if r == n else hi)
            call = f"proportion_confint({r}; {n}; method={method})"
            add(f"{r}/{n}", f"{name} lo", lo, "statsmodels", call)
            add(f"{r}/{n}", f"{name} hi", hi, "statsmodels", call)
    for r, n in ((333_333, 1_000_000), (1, 10_000_000), (300_000_000, 1_000_000_000)):
        lo, hi = proportion_confint(r, n, method="beta")
        call = f"proportion_confint({r}; {n}; method=beta)"
        add(f"{r}/{n}", "clopper-pearson lo", lo, "statsmodels", call)
        add(f"{r}/{n}", "clopper-pearson hi", hi, "statsmodels", call)
    for a, m, b, n in (
        (56, 70, 48, 80), (9, 10, 3, 10), (6, 7, 2, 7), (0, 10, 0, 20), (0, 10, 0, 10), (10, 10, 0, 20), (10, 10, 0, 10),
    ):
        lo, hi = confint_proportions_2indep(a, m, b, n, compare="diff", method="newcomb")
        call = f"confint_proportions_2indep({a}; {m}; {b}; {n}; compare=diff; method=newcomb)"
        add(f"{a}/{m}-{b}/{n}", "newcombe lo", lo, "statsmodels", call)
        add(f"{a}/{m}-{b}/{n}", "newcombe hi", hi, "statsmodels", call)


def pairs(case):
    rows = [row for row in table("pairs") if row[0] == case]
    return tuple(np.array([float(row[k]) for row in rows]) for k in (1, 2, 3))


def concordance(x, y):
    """Concordant less discordant pairs, pair by pair."""
    return sum(np.sign(x[i] - x[j]) * np.sign(y[i] - y[j]) for i in range(len(x)) for j in range(i))


def ranks(add):
    for case in ("bonett", "kendall_gibbons", "hollander_wolfe", "seven", "clusters"):
        _, x, y = pairs(case)
        n = len(x)
        rho = stats.spearmanr(x, y)
        tau = stats.kendalltau(x, y, method="asymptotic")
        add(case, "rho", rho.statistic, "scipy", "stats.spearmanr(x; y).statistic")
        add(case, "rho p", rho.pvalue, "scipy", "stats.spearmanr(x; y).pvalue")
        add(case, "tau_b", tau.statistic, "scipy", "stats.kendalltau(x; y; method=asymptotic).statistic")
        add(case, "tau_b p", tau.pvalue, "scipy", "stats.kendalltau(x; y; method=asymptotic).pvalue")
        add(case, "S", concordance(x, y), "numpy", "sum of sign(dx) sign(dy) over all pairs")
        for name, value, se in (
            ("rho", rho.statistic, math.sqrt((1 + rho.statistic**2 / 2) / (n - 3))),
            ("tau_b", tau.statistic, math.sqrt(0.437 / (n - 4))),
        ):
            for end, sign in (("lo", -1), ("hi", 1)):
                call = "tanh(atanh(r) +- z se); se by Bonett & Wright for rho; by Fieller for tau"
                add(case, f"{name} interval {end}", np.tanh(np.arctanh(value) + sign * Z * se), "numpy", call)


def exact_permutations(add):
    """All permutations within clusters, no statistic shared with the Rust code: ranks by scipy, pairs one by one."""
    for case in ("seven", "clusters"):
        cluster, x, y = pairs(case)
        members = [np.flatnonzero(cluster == label) for label in np.unique(cluster)]
        rho_all, s_all = [], []
        for choice in itertools.product(*(itertools.permutations(rows) for rows in members)):
            shuffled = y.copy()
            for rows, order in zip(members, choice):
                shuffled[rows] = y[list(order)]
            rho_all.append(np.corrcoef(stats.rankdata(x), stats.rankdata(shuffled))[0, 1])
            s_all.append(concordance(x, shuffled))
        scale = concordance(x, y) / stats.kendalltau(x, y).statistic
        for name, replicates in (("rho", np.array(rho_all)), ("tau_b", np.array(s_all) / scale)):
            mean = replicates.mean()
            observed = stats.spearmanr(x, y).statistic if name == "rho" else stats.kendalltau(x, y).statistic
            p = np.mean(np.abs(replicates - mean) >= abs(observed - mean) - 1e-12)
            call = f"itertools.permutations within clusters: {len(replicates)} arrangements"
            add(case, f"{name} permutation mean", 0.0 if abs(mean) < 1e-12 else mean, "numpy", call)
            add(case, f"{name} permutation p", p, "numpy", call)


def spread(add):
    gears = groups("gears")
    result = stats.levene(*gears.values(), center="median")
    add("gears", "W", result.statistic, "scipy", "stats.levene(...; center=median)")
    add("gears", "p", result.pvalue, "scipy", "stats.levene(...; center=median)")
    batches = list(gears.values())
    uneven = [batches[4][:3], batches[5][:7], batches[6]]
    result = stats.levene(*uneven, center="median")
    add("gears uneven", "W", result.statistic, "scipy", "stats.levene(5th[:3]; 6th[:7]; 7th; center=median)")
    add("gears uneven", "p", result.pvalue, "scipy", "stats.levene(5th[:3]; 6th[:7]; 7th; center=median)")
    for n in (2, 10, 100, 5000):
        for end, p in (("lo", 0.975), ("hi", 0.025)):
            value = math.sqrt((n - 1) / stats.chi2.ppf(p, n - 1))
            add(f"sd 1 n {n}", f"sd interval {end}", value, "scipy", f"sqrt((n-1)/stats.chi2.ppf({p}; n-1))")


TRENDS = {
    # Agresti (2013), Categorical Data Analysis, 3rd ed.: alcohol and malformation.
    "malformation": ([48, 38, 5, 1, 1], [17114, 14502, 793, 127, 38], [0, 0.5, 1.5, 4, 7]),
    "malformation equal steps": ([48, 38, 5, 1, 1], [17114, 14502, 793, 127, 38], [1, 2, 3, 4, 5]),
    # R's help page of prop.trend.test.
    "smokers": ([83, 90, 129, 70], [86, 93, 136, 82], [1, 2, 3, 4]),
    "smokers last": ([83, 90, 129, 70], [86, 93, 136, 82], [0, 0, 0, 1]),
}


def trend(add):
    for case, (r, n, scores) in TRENDS.items():
        counts = np.array([[a, b - a] for a, b in zip(r, n)])
        result = Table(counts, shift_zeros=False).test_ordinal_association(np.array(scores), np.array([1, 0]))
        total = sum(n)
        chi = result.zscore**2 * total / (total - 1)
        call = "Table.test_ordinal_association(scores; [1 0]).zscore^2 N/(N-1)"
        add(case, "chi squared", chi, "statsmodels", call)
        add(case, "p", stats.chi2.sf(chi, 1), "scipy", "stats.chi2.sf(chi squared; 1)")
    # Two groups: the sum of scores is the count in one cell, so the reference is the hypergeometric distribution.
    r, n = (1, 6), (9, 10)
    law = stats.hypergeom(sum(n), sum(r), n[1])
    mean = law.mean()
    p = sum(law.pmf(k) for k in range(sum(r) + 1) if abs(k - mean) >= abs(r[1] - mean) - 1e-12)
    add("1/9 6/10", "trend permutation p", p, "scipy", "stats.hypergeom(19; 7; 10).pmf over |k - mean| >= observed")


def multiplicity(add):
    # Benjamini & Hochberg (1995), the 15 p-values of their example.
    p = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344,
         0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.000]
    for method, name in (("holm", "holm"), ("fdr_bh", "bh")):
        for index, value in enumerate(multipletests(p, method=method)[1]):
            add("benjamini 1995", f"{name} {index}", value, "statsmodels", f"multipletests(p; method={method})")


def restricted(data, between, within):
    """Minus twice the restricted log-likelihood from dense matrices, with the mean and its variance."""
    log_det, xx, xy, yy, count = mpf(0), mpf(0), mpf(0), mpf(0), 0
    for y in data:
        n = len(y)
        v = mp.matrix(n, n)
        for i in range(n):
            for j in range(n):
                v[i, j] = between + (within if i == j else 0)
        inverse, ones, column = mp.inverse(v), mp.ones(n, 1), mp.matrix(y)
        log_det += mp.log(mp.det(v))
        xx += (ones.T * inverse * ones)[0]
        xy += (ones.T * inverse * column)[0]
        yy += (column.T * inverse * column)[0]
        count += n
    value = (count - 1) * mp.log(2 * mp.pi) + log_det + mp.log(xx) + yy - xy * xy / xx
    return value, xy / xx, 1 / xx


def random_intercept(add):
    cut = mp.findroot(lambda q: mp.gammainc(mpf(1) / 2, 0, q / 2, regularized=True) - mpf("0.95"), 3.84)
    # Starting values are rough guesses; the roots are checked to be minima by the values in the published cases.
    starts = {"dyestuff": (1764, 2451), "rail": (615, 16), "unbalanced": (900, 2700), "dyestuff2": (0, 13.8)}
    for case, start in starts.items():
        labels = groups(case)
        data = [[mpf(value) for value in y] for y in labels.values()]
        f = lambda v, e: restricted(data, v, e)[0]
        slope_v = lambda v, e: mp.diff(f, (v, e), (1, 0))
        slope_e = lambda v, e: mp.diff(f, (v, e), (0, 1))
        if case == "dyestuff2":
            v, e = mpf(0), mp.findroot(lambda e: mp.diff(lambda t: f(mpf(0), t), e), start[1])
            assert mp.diff(lambda t: f(t, e), mpf("1e-9")) > 0
        else:
            v, e = mp.findroot(lambda v, e: [slope_v(v, e), slope_e(v, e)], start)
        value, mu, var_mu = restricted(data, v, e)
        call = "findroot of the derivatives of the dense restricted likelihood; 40 digits"
        for name, number in (
            ("mu", mu), ("se_mu", mp.sqrt(var_mu)), ("var_between", v), ("var_within", e),
            ("icc", v / (v + e)), ("-2 log likelihood", value),
        ):
            add(case, name, number, "mpmath", call)
        for label, y in zip(labels, data):
            n = len(y)
            weight = n * v / (e + n * v)
            conditional = v * e / (e + n * v)
            call = "conditional normal distribution of b given y"
            add(case, f"effect {label}", weight * (mp.fsum(y) / n - mu), "mpmath", call)
            add(case, f"conditional sd {label}", mp.sqrt(conditional), "mpmath", call)
            add(case, f"prediction sd {label}", mp.sqrt(conditional + weight**2 * var_mu), "mpmath", call)
            add(case, f"estimate sd {label}", mp.sqrt(conditional + (1 - weight) ** 2 * var_mu), "mpmath", call)
        intervals(add, case, f, slope_v, slope_e, v, e, value + cut)


def intervals(add, case, f, slope_v, slope_e, v, e, level):
    """Each limit solves two equations in both variances: the level, and the best value of the other parameter."""
    call = "findroot: dense restricted likelihood at its minimum + chi-square quantile; other parameter at its best"

    def solve(other, start):
        return mp.findroot(lambda a, b: [f(mp.exp(a), mp.exp(b)) - level, other(mp.exp(a), mp.exp(b))],
                           [mp.log(start[0]), mp.log(start[1])], maxsteps=60)

    scale = v if v > 0 else e / 10
    has_lower = f(mpf(0), mp.findroot(lambda t: slope_e(mpf(0), t), e + v) if v > 0 else e) > level
    # Along a ray of constant v/e the criterion is at its best in the common scale.
    along_ray = lambda a, b: a * slope_v(a, b) + b * slope_e(a, b)
    for end, factor in (("lo", mpf(1) / 6), ("hi", 6)):
        if end == "lo" and not has_lower:
            add(case, "between_sd lo", 0, "mpmath", "the criterion at 0 lies under the level")
            add(case, "icc lo", 0, "mpmath", "the criterion at 0 lies under the level")
            continue
        a, b = solve(slope_e, (scale * factor, e))
        assert (a > mp.log(scale)) == (end == "hi"), (case, end)
        add(case, f"between_sd {end}", mp.exp(a / 2), "mpmath", call)
        a, b = solve(along_ray, (scale * factor, e))
        assert (a - b > mp.log(scale / e)) == (end == "hi"), (case, end)
        add(case, f"icc {end}", 1 / (1 + mp.exp(b - a)), "mpmath", call)
    for end, factor in (("lo", mpf("0.6")), ("hi", mpf("1.8"))):
        if v > 0:
            a, b = solve(slope_v, (v, e * factor))
            assert (b > mp.log(e)) == (end == "hi"), (case, end)
        else:
            # The best variance between may stay at 0, or leave it when the variance within is small.
            t = mp.findroot(lambda t: f(mpf(0), t) - level, e * factor)
            if slope_v(mpf("1e-12"), t) < 0:
                a, b = solve(slope_v, (scale / 3, t))
            else:
                b = mp.log(t)
        add(case, f"within_sd {end}", mp.exp(b / 2), "mpmath", call)


def funnel(add):
    for n in (1, 20, 50, 100, 200, 500, 1000, 100_000, 1_000_000, 100_000_000):
        for p in (0.001, 0.025, 0.975, 0.999):
            r = stats.binom.ppf(p, n, 0.074)
            a = (stats.binom.cdf(r, n, 0.074) - p) / stats.binom.pmf(r, n, 0.074)
            add(f"target 0.074 n {n}", f"limit {p}", (r - a) / n, "scipy", "stats.binom.ppf; cdf; pmf: (r - a)/n")
    rows = table("surgical")
    r, n = np.array([float(row[1]) for row in rows]), np.array([float(row[2]) for row in rows])
    target = r.sum() / n.sum()
    se = np.sqrt(target * (1 - target) / n)
    z = (r / n - target) / se
    for row, value in zip(rows, z):
        add("surgical", f"z {row[0]}", value, "numpy", "(r/n - target)/sqrt(target (1 - target)/n)")
    w = 1 / se**2
    for name, scores in (("", z), (" winsorised", np.clip(z, *np.quantile(z, [0.1, 0.9])))):
        phi = np.mean(scores**2)
        tau = max(0.0, (len(z) * phi - (len(z) - 1)) / (w.sum() - (w**2).sum() / w.sum()))
        add("surgical", f"phi{name}", phi, "numpy", "mean(z^2); winsorised by clip at quantile 0.1 and 0.9")
        add("surgical", f"tau squared{name}", tau, "numpy", "(I phi - (I-1))/(sum w - sum w^2/sum w)")
    # The last tau squared is the winsorised one.
    for row, share, error in zip(rows, r / n, se):
        wide = (share - target) / math.sqrt(error**2 + tau)
        add("surgical", f"z widened {row[0]}", wide, "numpy", "(r/n - target)/sqrt(se^2 + tau^2); tau winsorised")


# NIST/SEMATECH e-Handbook 6.3.3.2 (from memory): defective chips on 30 wafers of 50.
WAFERS = [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6]
# NIST/SEMATECH e-Handbook 6.3.2.4.
EWMA = [52, 47, 53, 49.3, 50.1, 47, 51, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def charts(add):
    for n in (2, 3, 4, 5, 6, 8, 10, 25, 100, 1000, 1001, 5000, 1_000_000):
        c4 = mp.sqrt(mpf(2) / (n - 1)) * mp.gammaprod([mpf(n) / 2], [mpf(n - 1) / 2])
        half = 3 * mp.sqrt(1 - c4**2) / c4
        add(f"n {n}", "c4", c4, "mpmath", "sqrt(2/(n-1)) gamma(n/2)/gamma((n-1)/2)")
        add(f"n {n}", "A3", 3 / (c4 * mp.sqrt(n)), "mpmath", "3/(c4 sqrt(n))")
        add(f"n {n}", "B3", max(mpf(0), 1 - half), "mpmath", "1 - 3 sqrt(1 - c4^2)/c4; not under 0")
        add(f"n {n}", "B4", 1 + half, "mpmath", "1 + 3 sqrt(1 - c4^2)/c4")
    d2 = 2 / math.sqrt(math.pi)
    rows = table("surgical")
    for case, r, n in (
        ("wafers", np.array(WAFERS), np.full(30, 50)),
        ("surgical", np.array([int(row[1]) for row in rows]), np.array([int(row[2]) for row in rows])),
    ):
        centre = r.sum() / n.sum()
        z = (r / n - centre) / np.sqrt(centre * (1 - centre) / n)
        add(case, "sigma_z", np.mean(np.abs(np.diff(z))) / d2, "numpy", "mean(abs(diff(z)))/(2/sqrt(pi))")
    average = 50.0
    for t, value in enumerate(EWMA, start=1):
        average = 0.3 * value + 0.7 * average
        half = 3 * 2.0539 * math.sqrt(0.3 / 1.7 * (1 - 0.7 ** (2 * t)))
        add("ewma", f"z {t}", average, "numpy", "lambda 0.3: recursion from 50")
        add("ewma", f"upper {t}", 50 + half, "numpy", "50 + 3 s sqrt(lambda/(2-lambda)(1-(1-lambda)^(2t))); s 2.0539")


def rows(add):
    """All values of basic.csv."""
    for part in (description, proportions, ranks, exact_permutations, spread, trend, multiplicity, random_intercept,
                 funnel, charts):
        part(add)
