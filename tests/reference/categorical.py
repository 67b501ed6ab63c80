"""Logistic and proportional-odds regressions, their check, and response weights."""

import numpy as np
from mpmath import mp, mpf
from scipy import stats
from scipy.optimize import linprog
from statsmodels.discrete.discrete_model import Logit
from statsmodels.genmod.families import Binomial
from statsmodels.genmod.generalized_linear_model import GLM
from statsmodels.miscmodels.ordinal_model import OrderedModel

from shared import numbers, table


def dummies(codes, levels):
    return np.column_stack([codes == level for level in levels]).astype(float)


def housing():
    rows = numbers("housing")
    x = np.column_stack([dummies(rows[:, 1], (1, 2)), dummies(rows[:, 2], (1, 2, 3)), rows[:, 3]])
    return rows[:, 0], x, rows[:, 4]


def logit(y, x, **kwargs):
    return Logit(y, np.column_stack([np.ones(len(y)), x])).fit(method="newton", tol=1e-13, maxiter=200, disp=0, **kwargs)


def log_likelihood_rows(category, x, parameters, cuts):
    """The logarithms of F(u) - F(l), as defined, in the digits of mpmath."""
    terms = []
    for j, row in zip(category, x):
        eta = mp.fdot(row, parameters[cuts:])
        upper = 1 if j == cuts else 1 / (1 + mp.exp(eta - parameters[j]))
        lower = 0 if j == 0 else 1 / (1 + mp.exp(eta - parameters[j - 1]))
        terms.append(mp.log(upper - lower))
    return terms


def high_precision_fit(score, x, weight, cluster=None):
    """Maximum, information and row scores from the log-likelihood alone: all derivatives are central differences."""
    with mp.workdps(50):
        levels = sorted(set(score))
        category = [levels.index(value) for value in score]
        cuts, q = len(levels) - 1, len(levels) - 1 + x.shape[1]
        weight = [mpf(float(w)) for w in weight]
        x = [[mpf(float(value)) for value in row] for row in x]
        step = mpf(10) ** -12

        def rows_at(parameters):
            return log_likelihood_rows(category, x, parameters, cuts)

        def total(parameters):
            return mp.fdot(weight, rows_at(parameters))

        def moved(parameters, *moves):
            changed = list(parameters)
            for index, sign in moves:
                changed[index] += sign * step
            return changed

        start = OrderedModel(
            np.repeat(category, 1), np.array(x, dtype=float), distr="logit"
        ).fit(method="bfgs", disp=0, maxiter=500)
        first = start.model.transform_threshold_params(start.params)[1:-1]
        parameters = [mpf(float(v)) for v in (*first, *start.params[: q - cuts])]
        for _ in range(12):
            at = total(parameters)
            up = [total(moved(parameters, (k, 1))) for k in range(q)]
            down = [total(moved(parameters, (k, -1))) for k in range(q)]
            gradient = mp.matrix([(a - b) / (2 * step) for a, b in zip(up, down)])
            information = mp.matrix(q, q)
            for k in range(q):
                for m in range(k + 1):
                    if k == m:
                        second = (up[k] - 2 * at + down[k]) / step**2
                    else:
                        both = total(moved(parameters, (k, 1), (m, 1)))
                        second = (both - up[k] - up[m] + 2 * at - down[k] - down[m] + total(
                            moved(parameters, (k, -1), (m, -1)))) / (2 * step**2)
                    information[k, m] = information[m, k] = -second
            change = mp.lu_solve(information, gradient)
            parameters = [value + move for value, move in zip(parameters, change)]
            if max(abs(move) for move in change) < mpf(10) ** -20:
                break
        inverse = information**-1
        found = {
            "parameters": parameters,
            "errors": [mp.sqrt(inverse[k, k]) for k in range(q)],
            "log_likelihood": total(parameters),
        }
        if cluster is not None:
            columns = []
            for k in range(q):
                up, down = rows_at(moved(parameters, (k, 1))), rows_at(moved(parameters, (k, -1)))
                columns.append([w * (a - b) / (2 * step) for w, a, b in zip(weight, up, down)])
            labels = sorted(set(cluster))
            sums = mp.matrix(len(labels), q)
            for k in range(q):
                for row, label in enumerate(cluster):
                    sums[labels.index(label), k] += columns[k][row]
            g = len(labels)
            robust = inverse * (sums.T * sums) * inverse * g / (g - 1)
            found["robust"] = [mp.sqrt(robust[k, k]) for k in range(q)]
        return found


def add_fit(add, case, found, cuts, call):
    for k, (value, error) in enumerate(zip(found["parameters"], found["errors"])):
        name = f"threshold {k + 1}" if k < cuts else f"b {k - cuts + 1}"
        add(case, name, value, "mpmath", call)
        add(case, f"{name} se", error, "mpmath", call)
        if "robust" in found:
            add(case, f"{name} robust se", found["robust"][k], "mpmath", f"{call}; CR1 with G/(G-1)")
    add(case, "log-likelihood", found["log_likelihood"], "mpmath", call)


def ordered(add):
    score, x, count = housing()
    call = "Newton on central differences of the log-likelihood; 50 digits"
    add_fit(add, "housing", high_precision_fit(score, x, count), 2, call)

    repeated = np.repeat(np.arange(len(score)), count.astype(int))
    fit = OrderedModel(score[repeated], x[repeated], distr="logit").fit(method="newton", disp=0, maxiter=200)
    for k, value in enumerate(fit.params[:6]):
        call = "OrderedModel(rows repeated by count; distr=logit).fit(method=newton)"
        add("housing by OrderedModel", f"b {k + 1}", value, "statsmodels", call)

    rows = numbers("ordinal")
    for case, weight in (("ordinal", np.ones(len(rows))), ("ordinal weighted", rows[:, 4])):
        call = "Newton on central differences of the log-likelihood; 50 digits"
        found = high_precision_fit(rows[:, 1], rows[:, 2:4], weight, rows[:, 0])
        add_fit(add, case, found, 3, call)
        if case == "ordinal":
            t = stats.t(11)
            b, se = float(found["parameters"][3]), float(found["robust"][3])
            add(case, "b 1 robust lo", b - t.ppf(0.975) * se, "scipy", "b - stats.t(11).ppf(0.975) se")
            add(case, "b 1 robust hi", b + t.ppf(0.975) * se, "scipy", "b + stats.t(11).ppf(0.975) se")
            add(case, "b 1 robust p", 2 * t.sf(abs(b / se)), "scipy", "2 stats.t(11).sf(|b/se|)")
            se = float(found["errors"][3])
            add(case, "b 1 p", 2 * stats.norm.sf(abs(b / se)), "scipy", "2 stats.norm.sf(|b/se|)")


def binary(add):
    spector = numbers("spector")
    births = numbers("birthwt")
    births = np.column_stack([births[:, :3], dummies(births[:, 3], (2, 3)), births[:, 4:9]])
    for case, rows in (("spector", spector), ("birthwt", births)):
        fit = logit(rows[:, 0], rows[:, 1:])
        for k, (value, error) in enumerate(zip(fit.params, fit.bse)):
            add(case, f"b {k}", value, "statsmodels", "Logit.fit(method=newton; tol=1e-13)")
            add(case, f"b {k} se", error, "statsmodels", "Logit.fit(method=newton; tol=1e-13)")
        add(case, "log-likelihood", fit.llf, "statsmodels", "Logit.fit(method=newton; tol=1e-13)")

    weight = 1 + np.arange(len(spector)) % 3
    fit = GLM(spector[:, 0], np.column_stack([np.ones(32), spector[:, 1:]]), Binomial(), freq_weights=weight).fit(
        tol=1e-14, maxiter=200, tol_criterion="params")
    for k, (value, error) in enumerate(zip(fit.params, fit.bse)):
        call = "GLM(Binomial; freq_weights=1 2 3 1 2 3 ...).fit(tol=1e-14)"
        add("spector weighted", f"b {k}", value, "statsmodels", call)
        add("spector weighted", f"b {k} se", error, "statsmodels", call)

    rows = numbers("ordinal")
    groups = rows[:, 0].astype(int)
    y = (rows[:, 1] > 2).astype(float)
    fit = logit(y, rows[:, 2:4], cov_type="cluster", cov_kwds={"groups": groups})
    n, k = len(y), 3
    for index, error in enumerate(fit.bse):
        call = "Logit.fit(cov_type=cluster).bse; its factor (n-1)/(n-k) taken out: times sqrt((n-k)/(n-1))"
        add("ordinal over 2", f"b {index} robust se", error * np.sqrt((n - k) / (n - 1)), "statsmodels", call)


def proportionality(add):
    """Brant (1990): separate fits by statsmodels, their joint covariance by dense sums."""
    score, x, count = housing()
    repeated = np.repeat(np.arange(len(score)), count.astype(int))
    ordinal = numbers("ordinal")
    for case, y, x in (("housing", score[repeated], x[repeated]), ("ordinal", ordinal[:, 1], ordinal[:, 2:4])):
        levels = np.unique(y)
        z = np.column_stack([np.ones(len(y)), x])
        fits = [logit((y > level).astype(float), x) for level in levels[:-1]]
        chance = [fit.predict(z) for fit in fits]
        p, cuts = x.shape[1], len(fits)
        covariance = np.zeros((cuts * p, cuts * p))
        for j in range(cuts):
            for m in range(j, cuts):
                cross = (z * (chance[m] * (1 - chance[j]))[:, None]).T @ z
                block = (fits[j].cov_params() @ cross @ fits[m].cov_params())[1:, 1:]
                covariance[j * p:(j + 1) * p, m * p:(m + 1) * p] = block
                covariance[m * p:(m + 1) * p, j * p:(j + 1) * p] = block.T
        b = np.concatenate([fit.params[1:] for fit in fits])
        contrast = np.hstack([-np.tile(np.eye(p), (cuts - 1, 1)), np.eye((cuts - 1) * p)])
        call = "Logit for each split; Wald test of equality with Brant's covariance"
        for name, chosen in [("overall", np.arange((cuts - 1) * p))] + [
            (f"covariate {k + 1}", np.arange(k, (cuts - 1) * p, p)) for k in range(p)
        ]:
            d = contrast[chosen]
            value = (d @ b) @ np.linalg.solve(d @ covariance @ d.T, d @ b)
            add(f"brant {case}", name, value, "statsmodels", call)
            add(f"brant {case}", f"{name} p", stats.chi2.sf(value, len(chosen)), "scipy", "stats.chi2.sf")


def response(add):
    rows = numbers("ordinal")
    cluster, z, y = rows[:, 0].astype(int), np.column_stack([np.ones(len(rows)), rows[:, 2:4]]), rows[:, 5]
    fit = logit(y, rows[:, 2:4])

    def report(case, b, times, call):
        drawn = np.repeat(np.arange(len(y)), times[cluster])
        rate = y[drawn].mean()
        drawn = drawn[y[drawn] == 1]
        weight = rate / (1 / (1 + np.exp(-z[drawn] @ b)))
        limit = np.quantile(weight, 0.99)
        if times is ones:
            add(case, "largest before", weight.max(), "statsmodels", call)
            add(case, "truncated", (weight > limit).sum(), "numpy", "weights over quantile(weights; 0.99)")
        weight = np.minimum(weight, limit)
        add(case, "largest", weight.max(), "numpy", f"{call}; cut at quantile(weights; 0.99)")
        add(case, "sum", weight.sum(), "numpy", f"{call}; cut; summed")
        add(case, "effective", weight.sum() ** 2 / (weight**2).sum(), "numpy", f"{call}; cut; (sum w)^2 / sum w^2")

    ones = np.ones(12, dtype=int)
    report("response", fit.params, ones, "response rate / Logit.fit(tol=1e-13).predict()")
    add("response", "smallest probability", fit.predict().min(), "statsmodels", "Logit.fit(tol=1e-13).predict().min()")
    times = np.array([2, 0, 1, 3, 0, 1, 1, 2, 0, 1, 1, 0])
    drawn = np.repeat(np.arange(len(y)), times[cluster])
    chance = fit.predict(z[drawn])
    information = (z[drawn] * (chance * (1 - chance))[:, None]).T @ z[drawn]
    b = fit.params + np.linalg.solve(information, z[drawn].T @ (y[drawn] - chance))
    report("response drawn", b, times, "clusters drawn 2 0 1 3 0 1 1 2 0 1 1 0 times; one Newton step from Logit.fit")


def overlap(add):
    """Albert & Anderson (1984) by linear programming: is there a direction that lengthens margins and shortens none?

    Margins are threshold over the row less linear predictor, and linear predictor less threshold under the row.
    """
    sets = {}
    for name, *row in table("overlap"):
        sets.setdefault(name, []).append([float(value) for value in row])
    for name, values in sets.items():
        values = np.array(values)
        levels, category = np.unique(values[:, 0], return_inverse=True)
        cuts, margins = len(levels) - 1, []
        for j, x in zip(category, values[:, 1:]):
            for cut, sign in ((j, 1), (j - 1, -1)):
                if 0 <= cut < cuts:
                    margins.append(sign * np.concatenate([np.eye(cuts)[cut], -x]))
        margins = np.array(margins)
        best = linprog(-margins.sum(axis=0), A_ub=-margins, b_ub=np.zeros(len(margins)), bounds=(-1, 1), method="highs")
        call = "linprog: largest sum of margins none of which is under 0; finite estimate if it is 0"
        add(f"overlap {name}", "finite", float(-best.fun < 1e-7), "scipy", call)


def rows(add):
    """All values of categorical.csv."""
    ordered(add)
    binary(add)
    proportionality(add)
    response(add)
    overlap(add)
