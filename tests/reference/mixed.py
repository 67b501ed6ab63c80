"""The random intercept with covariates.

Every value comes from dense covariance matrices, one a group, in 40 digits: likelihoods from determinants and inverses,
derivatives from differences, errors from the covariance of the predictor with what it predicts. Neither formula nor
optimiser is shared with the Rust code, which works on group sums.
"""

import numpy as np
from mpmath import mp, mpf
from statsmodels.regression.mixed_linear_model import MixedLM

from shared import table

# The days each subject leaves out in the unbalanced cut, by the subject's place modulo 3: groups of 7, 7 and 6.
LEFT_OUT = [(2, 5, 8), (0, 3, 6), (1, 4, 7, 9)]


def data():
    """Case, criterion and groups: label to (rows of the design with the constant first, outcomes)."""

    def grouped(rows):
        groups = {}
        for label, covariates, value in rows:
            x, y = groups.setdefault(label, ([], []))
            x.append([mpf(1)] + [mpf(v) for v in covariates])
            y.append(mpf(value))
        return groups

    plain = {name: grouped((r[0], [], r[1]) for r in table(name)) for name in ("dyestuff", "dyestuff2", "rail")}
    nights = table("sleepstudy")
    subjects = list(dict.fromkeys(r[0] for r in nights))
    cut = [r for r in nights if int(r[1]) not in LEFT_OUT[subjects.index(r[0]) % 3]]
    stools = table("ergostool")
    types = [[int(r[1] == kind) for kind in ("T2", "T3", "T4")] for r in stools]
    own = table("two_covariates")
    yield from ((f"{name} {c}", c, groups) for name, groups in plain.items() for c in ("reml", "ml"))
    for c in ("reml", "ml"):
        yield f"sleepstudy {c}", c, grouped((r[0], [r[1]], r[2]) for r in nights)
        yield f"sleepstudy unbalanced {c}", c, grouped((r[0], [r[1]], r[2]) for r in cut)
        yield f"two covariates {c}", c, grouped((r[0], r[1:3], r[3]) for r in own)
    yield "two covariates flat reml", "reml", grouped((r[0], r[1:3], r[4]) for r in own)
    yield "ergostool reml", "reml", grouped((r[0], kind, r[2]) for r, kind in zip(stools, types))


def times(matrix, vector):
    return [mp.fdot(row, vector) for row in matrix]


class Model:
    def __init__(self, criterion, groups):
        self.groups = groups
        self.restricted = criterion == "reml"
        self.n = sum(len(y) for _, y in groups.values())
        self.p = len(next(iter(groups.values()))[0][0])
        self.free = self.n - self.p if self.restricted else self.n
        self.kept = {}

    def covariance(self, n, between, within):
        return [[between + (within if i == j else 0) for j in range(n)] for i in range(n)]

    def inverse(self, n, between, within):
        """The inverse and the logarithm of the determinant of one group's covariance."""
        key = (n, between, within)
        if key not in self.kept:
            if len(self.kept) > 200:
                self.kept.clear()
            v = mp.matrix(self.covariance(n, between, within))
            self.kept[key] = (mp.inverse(v).tolist(), mp.log(mp.det(v)))
        return self.kept[key]

    def parts(self, between, within):
        """log|V|, X'V^-1X, X'V^-1y and y'V^-1y."""
        log_det = mpf(0)
        xx, xy, yy = mp.zeros(self.p, self.p), mp.zeros(self.p, 1), mpf(0)
        for x, y in self.groups.values():
            inverse, part = self.inverse(len(y), between, within)
            log_det += part
            vy = times(inverse, y)
            yy += mp.fdot(y, vy)
            for i in range(self.p):
                column = [row[i] for row in x]
                xy[i] += mp.fdot(column, vy)
                vx = times(inverse, column)
                for j in range(self.p):
                    xx[i, j] += mp.fdot(vx, [row[j] for row in x])
        return log_det, xx, xy, yy

    def at(self, between, within):
        log_det, xx, xy, yy = self.parts(between, within)
        covariance = mp.inverse(xx)
        beta = covariance * xy
        residual = yy - (xy.T * beta)[0]
        value = self.free * mp.log(2 * mp.pi) + log_det + residual
        if self.restricted:
            value += mp.log(mp.det(xx))
        return value, beta, covariance, residual

    def value(self, between, within):
        return self.at(between, within)[0]

    def best_within(self, ratio):
        """For a ratio of variances the best scale makes the residual form equal to the degrees of freedom."""
        return self.at(ratio, mpf(1))[3] / self.free

    def along(self, ratio):
        within = self.best_within(ratio)
        return self.value(ratio * within, within)

    def best(self):
        """The minimum over a coarse grid of ratios, then the root of the derivative; 0 where 0 is the best."""
        grid = [mpf(0)] + [mpf(10) ** (mpf(k) / 4) for k in range(-16, 17)]
        values = [self.along(g) for g in grid]
        k = values.index(min(values))
        if k == 0:
            assert mp.diff(self.along, mpf("1e-8"), direction=1) > 0
            return mpf(0)
        return mp.findroot(lambda g: mp.diff(self.along, g), (grid[k] * mpf("0.9"), grid[k] * mpf("1.1")))


def levels(add, case, model, between, within, beta, covariance):
    """Predictions are linear in y, so their errors follow from the dense covariance of y and of y with b."""
    labels = list(model.groups)
    reference = [mp.fsum(row[k] for x, _ in model.groups.values() for row in x) / model.n for k in range(model.p)]
    inverse = {label: model.inverse(len(y), between, within)[0] for label, (_, y) in model.groups.items()}
    # The coefficients as a linear map of y, group by group: C X'V^-1.
    to_beta = {}
    for label, (x, _) in model.groups.items():
        vx = [times(inverse[label], [row[i] for row in x]) for i in range(model.p)]
        to_beta[label] = [[mp.fdot([covariance[k, i] for i in range(model.p)], [vx[i][r] for i in range(model.p)])
                           for r in range(len(x))] for k in range(model.p)]

    def error(coefficients, on_beta, own, label, target):
        """sqrt Var(a'y - target b) for a = own rows of the group + on_beta times the coefficients' map."""
        total = target**2 * between
        for other in labels:
            n = len(coefficients[other][0])
            a = [mp.fdot(on_beta, [coefficients[other][k][r] for k in range(model.p)]) + (own[r] if other == label else 0)
                 for r in range(n)]
            total += mp.fdot(a, times(model.covariance(n, between, within), a))
            if other == label:
                total -= 2 * target * between * mp.fsum(a)
        return mp.sqrt(total)

    call = "variance of the linear predictor's error; dense covariances; 40 digits"
    for label, (x, y) in model.groups.items():
        n = len(y)
        weights = times(inverse[label], [between] * n)
        left = [v - mp.fdot(row, beta) for row, v in zip(x, y)]
        effect = mp.fdot(weights, left)
        line = mp.fdot(reference, beta)
        # The effect takes the line away by its weights; so does the adjusted mean, moved to the reference.
        moved = [-mp.fdot(weights, [row[k] for row in x]) for k in range(model.p)]
        mean_x = [mp.fsum(row[k] for row in x) / n for k in range(model.p)]
        way = [r - m for r, m in zip(reference, mean_x)]
        known = mp.sqrt(between - between * mp.fsum(weights))
        for name, number in (
            ("effect", effect),
            ("conditional sd", known),
            ("prediction sd", error(to_beta, moved, weights, label, 1)),
            ("estimate", line + effect),
            ("estimate sd", error(to_beta, [r + m for r, m in zip(reference, moved)], weights, label, 1)),
            ("adjusted", mp.fsum(y) / n + mp.fdot(way, beta)),
            ("adjusted sd", error(to_beta, way, [mpf(1) / n] * n, label, 1)),
        ):
            add(case, f"{name} {label}", number, "mpmath", call)


def intervals(add, case, model, between, within, level):
    """Each limit is where the criterion, at the best value of the other parameter, reaches the level."""
    call = "findroot: dense likelihood at its minimum + chi-square quantile; other parameter at its best"
    f = model.value
    ratio = between / within if between > 0 else mpf("0.05")
    has_lower = model.along(mpf(0)) > level

    def bracket(g, start, factor):
        """Walks from inside until above the level, then a bracketing solver."""
        inside = mp.log(start)
        while g(inside + mp.log(factor)) < 0:
            inside += mp.log(factor)
        return mp.exp(mp.findroot(g, (inside, inside + mp.log(factor)), solver="anderson", tol=mpf(10) ** -40))

    def other(at, start):
        """The value of the other parameter where the derivative of the criterion in its logarithm is 0."""
        return mp.findroot(lambda t: mp.diff(lambda u: at(mp.exp(u)), t), (start, start + mpf("0.05")))

    def over_between(log_v):
        best = other(lambda e: f(mp.exp(log_v), e), mp.log(within))
        return f(mp.exp(log_v), mp.exp(best)) - level

    def over_within(log_e):
        e = mp.exp(log_e)
        if mp.diff(lambda v: f(v, e), mpf("1e-9") * e) >= 0:
            return f(mpf(0), e) - level
        best = other(lambda v: f(v, e), mp.log(between if between > 0 else ratio * e))
        return f(mp.exp(best), e) - level

    over_ratio = lambda log_g: model.along(mp.exp(log_g)) - level
    for end, factor in (("lo", mpf("0.5")), ("hi", mpf(2))):
        if end == "lo" and not has_lower:
            for name in ("between_sd lo", "icc lo"):
                add(case, name, 0, "mpmath", "the criterion at 0 lies under the level")
        else:
            g = bracket(over_ratio, ratio, factor)
            add(case, f"icc {end}", g / (1 + g), "mpmath", call)
            v = bracket(over_between, ratio * within, factor)
            add(case, f"between_sd {end}", mp.sqrt(v), "mpmath", call)
        e = bracket(over_within, within, mp.sqrt(factor))
        add(case, f"within_sd {end}", mp.sqrt(e), "mpmath", call)


def second(add, case, groups):
    """statsmodels by its own optimiser, which is good to five digits or so."""
    x = np.array([[float(v) for v in row] for rows, _ in groups.values() for row in rows])
    y = np.array([float(v) for _, values in groups.values() for v in values])
    labels = [label for label, (_, values) in groups.items() for _ in values]
    fit = MixedLM(y, x, groups=labels).fit(reml=True, gtol=1e-10)
    call = "MixedLM(y; x; groups).fit(reml=True; gtol=1e-10)"
    for k, (value, se) in enumerate(zip(fit.fe_params, fit.bse_fe)):
        add(case, f"statsmodels coefficient {k}", value, "statsmodels", call)
        add(case, f"statsmodels se {k}", se, "statsmodels", call)
    add(case, "statsmodels var_between", fit.cov_re[0, 0], "statsmodels", call)
    add(case, "statsmodels var_within", fit.scale, "statsmodels", call)
    add(case, "statsmodels -2 log likelihood", -2 * fit.llf, "statsmodels", call)


def rows(keep):
    """All values of mixed.csv."""

    def add(case, quantity, value, tool, call):
        """What 40 digits leave of a 0 is a 0."""
        keep(case, quantity, 0 if abs(value) < mpf("1e-30") else value, tool, call)

    cut = mp.findroot(lambda q: mp.gammainc(mpf(1) / 2, 0, q / 2, regularized=True) - mpf("0.95"), 3.84)
    for case, criterion, groups in data():
        model = Model(criterion, groups)
        ratio = model.best()
        within = model.best_within(ratio)
        between = ratio * within
        value, beta, covariance, _ = model.at(between, within)
        call = "findroot of the derivative of the dense likelihood; 40 digits"
        add(case, "var_between", between, "mpmath", call)
        add(case, "var_within", within, "mpmath", call)
        add(case, "icc", between / (between + within), "mpmath", call)
        add(case, "-2 log likelihood", value, "mpmath", call)
        statistic = model.along(mpf(0)) - value
        add(case, "no groups", statistic, "mpmath", "dense criterion at 0 less that at its minimum")
        tail = mp.gammainc(mpf(1) / 2, statistic / 2, regularized=True) / 2 if ratio > 0 else 1
        add(case, "no groups p", tail, "mpmath", "gammainc(1/2; statistic/2; inf; regularized)/2")
        for k in range(model.p):
            add(case, f"coefficient {k}", beta[k], "mpmath", call)
            for j in range(k, model.p):
                add(case, f"covariance {k} {j}", covariance[k, j], "mpmath", call)
        levels(add, case, model, between, within, list(beta), covariance)
        if not case.startswith("rail"):
            intervals(add, case, model, between, within, value + cut)
        if case in ("sleepstudy unbalanced reml", "two covariates reml"):
            second(add, case, groups)


def looser(quantity):
    """statsmodels stops where its own optimiser is content, so another build may stop some digits elsewhere."""
    return 1e-5 if quantity.startswith("statsmodels ") else None
