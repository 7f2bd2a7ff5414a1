"""Analyses of variance, regressions, comparisons of methods, robust estimates."""

import math
import random

import mpmath
import numpy as np
from scipy import stats

from oracle import Case, check
from series import exact, titres


def groups_of(sizes, between=0.1, within=0.05):
    centre = random.uniform(20, 25)
    found = []
    for size in sizes:
        level = centre + random.gauss(0, between)
        found.append([level + random.gauss(0, within) for _ in range(size)])
    return found


def mean(x):
    return mpmath.fsum(x) / len(x)


@check("anova", 12, "mpmath; p by SciPy")
def anova():
    for _ in range(400):
        groups = groups_of([random.randint(2, 6) for _ in range(random.randint(2, 10))])
        x = [exact(group) for group in groups]
        n, k = sum(map(len, x)), len(x)
        grand = mpmath.fsum(mpmath.fsum(g) for g in x) / n
        within = mpmath.fsum((v - mean(g)) ** 2 for g in x for v in g)
        between = mpmath.fsum(len(g) * (mean(g) - grand) ** 2 for g in x)
        msb, msw = between / (k - 1), within / (n - k)
        n0 = (n - mpmath.fsum(mpmath.mpf(len(g)) ** 2 for g in x) / n) / (k - 1)
        f = float(msb / msw)
        p = float(stats.f.sf(f, k - 1, n - k))
        yield Case(
            {"groups": groups},
            {
                "result.analysis.ss_between": between,
                "result.analysis.ss_within": within,
                "result.analysis.f_test.f": msb / msw,
                "result.analysis.f_test.p": (p, max(p, 1e-6)),
                "result.analysis.effective_replicates": n0,
                "result.analysis.between.raw_variance": ((msb - msw) / n0, float(msb / n0)),
                "result.analysis.repeatability.sd": mpmath.sqrt(msw),
            },
        )


@check("nested-anova", 12, "mpmath, balanced")
def nested():
    for _ in range(200):
        a, b, r = random.randint(2, 6), random.randint(2, 4), random.randint(2, 4)
        data = [[[20 + random.gauss(0, 0.1) + random.gauss(0, 0.05) for _ in range(r)] for _ in range(b)] for _ in range(a)]
        x = [[exact(cell) for cell in upper] for upper in data]
        upper_means = [mean([v for cell in upper for v in cell]) for upper in x]
        grand = mean(upper_means)
        ss_upper = b * r * mpmath.fsum((m - grand) ** 2 for m in upper_means)
        ss_lower = r * mpmath.fsum((mean(cell) - upper_means[i]) ** 2 for i, upper in enumerate(x) for cell in upper)
        ss_error = mpmath.fsum((v - mean(cell)) ** 2 for upper in x for cell in upper for v in cell)
        ms = (ss_upper / (a - 1), ss_lower / (a * (b - 1)), ss_error / (a * b * (r - 1)))
        yield Case(
            {"groups": data},
            {
                "result.upper.sum_of_squares": ss_upper,
                "result.lower.sum_of_squares": ss_lower,
                "result.replicates.sum_of_squares": ss_error,
                "result.upper_f.f": ms[0] / ms[1],
                "result.lower_f.f": ms[1] / ms[2],
                "result.upper_component.raw_variance": ((ms[0] - ms[1]) / (b * r), float(ms[0])),
                "result.lower_component.raw_variance": ((ms[1] - ms[2]) / r, float(ms[1])),
            },
        )


@check("line", 11, "mpmath; quantiles by SciPy")
def line():
    for _ in range(300):
        n = random.randint(4, 20)
        x = [random.uniform(0, 10) for _ in range(n)]
        y = [0.1 + 2.0 * a + random.gauss(0, 0.05) for a in x]
        weights = [random.uniform(0.2, 5) for _ in x] if random.random() < 0.5 else None
        w = exact(weights) if weights else [mpmath.mpf(1)] * n
        mx, my = exact(x), exact(y)
        sw = mpmath.fsum(w)
        xb, yb = (mpmath.fsum(a * b for a, b in zip(w, v)) / sw for v in (mx, my))
        sxx = mpmath.fsum(a * (b - xb) ** 2 for a, b in zip(w, mx))
        sxy = mpmath.fsum(a * (b - xb) * (c - yb) for a, b, c in zip(w, mx, my))
        slope = sxy / sxx
        intercept = yb - slope * xb
        residual = mpmath.fsum(a * (c - intercept - slope * b) ** 2 for a, b, c in zip(w, mx, my))
        s = mpmath.sqrt(residual / (n - 2))
        at = random.uniform(0, 10)
        half = stats.t.isf(0.025, n - 2) * s * mpmath.sqrt(1 / sw + (mpmath.mpf(at) - xb) ** 2 / sxx)
        fitted = intercept + slope * mpmath.mpf(at)
        given = {"x": x, "y": y, "predict": [at]}
        if weights:
            given["weights"] = weights
        yield Case(
            given,
            {
                "result.line.slope.estimate": slope,
                "result.line.slope.standard_error": s / mpmath.sqrt(sxx),
                "result.line.intercept.estimate": (intercept, 1.0),
                "result.line.intercept.standard_error": s * mpmath.sqrt(1 / sw + xb**2 / sxx),
                "result.line.residual_sd": s,
                "result.predictions.0.confidence_band.low": (fitted - half, 1.0),
            },
        )


def least_squares(columns, y):
    design = mpmath.matrix(len(y), len(columns))
    for j, column in enumerate(columns):
        for i, value in enumerate(column):
            design[i, j] = value
    target = mpmath.matrix(y)
    normal = design.T * design
    solution = mpmath.lu_solve(normal, design.T * target)
    residual = target - design * solution
    squares = mpmath.fsum(v * v for v in residual)
    inverse = normal**-1
    s2 = squares / (len(y) - len(columns))
    return [solution[j] for j in range(len(columns))], [mpmath.sqrt(s2 * inverse[j, j]) for j in range(len(columns))], mpmath.sqrt(s2)


@check("polynomial", 12, "mpmath normal equations, 50 digits")
def polynomial():
    for _ in range(60):
        degree = random.randint(2, 6)
        n = degree + random.randint(3, 12)
        x = [random.uniform(-5, 5) for _ in range(n)]
        y = [math.sin(a) + random.gauss(0, 0.05) for a in x]
        mx = exact(x)
        coefficients, errors, s = least_squares([[a**k for a in mx] for k in range(degree + 1)], exact(y))
        expected = {"result.model.residual_sd": s}
        for k in range(degree + 1):
            expected[f"result.model.coefficients.{k}.estimate"] = (coefficients[k], float(abs(coefficients[k]) + errors[k]))
            expected[f"result.model.coefficients.{k}.standard_error"] = errors[k]
        yield Case({"x": x, "y": y, "degree": degree}, expected)


# J. W. Longley, J. Am. Statist. Assoc. 62 (1967) 819, as NIST StRD gives it (from memory): employment, then price deflator,
# product, unemployed, armed forces, population, year.
LONGLEY = """
60323 83.0 234289 2356 1590 107608 1947
61122 88.5 259426 2325 1456 108632 1948
60171 88.2 258054 3682 1616 109773 1949
61187 89.5 284599 3351 1650 110929 1950
63221 96.2 328975 2099 3099 112075 1951
63639 98.1 346999 1932 3594 113270 1952
64989 99.0 365385 1870 3547 115094 1953
63761 100.0 363112 3578 3350 116219 1954
66019 101.2 397469 2904 3048 117388 1955
67857 104.6 419180 2822 2857 118734 1956
68169 108.4 442769 2936 2798 120445 1957
66513 110.8 444546 4681 2637 121950 1958
68655 112.6 482704 3813 2552 123366 1959
69564 114.2 502601 3931 2514 125368 1960
69331 115.7 518173 4806 2572 127852 1961
70551 116.9 554894 4007 2827 130081 1962
"""


@check("linear-model", 13, "mpmath: Longley's data, and random ones")
def linear_model():
    rows = [line.split() for line in LONGLEY.split("\n") if line]
    y, *terms = [list(column) for column in zip(*rows)]
    with mpmath.workdps(80):
        design = [[mpmath.mpf(1)] * len(y)] + [[mpmath.mpf(v) for v in term] for term in terms]
        coefficients, errors, s = least_squares(design, [mpmath.mpf(v) for v in y])
    expected = {"result.residual_sd": s}
    for k, (b, e) in enumerate(zip(coefficients, errors)):
        expected[f"result.coefficients.{k}.estimate"] = b
        expected[f"result.coefficients.{k}.standard_error"] = e
    # As text, so that 83.0 and 88.5 are the decimals they are.
    yield Case({"terms": terms, "y": y}, expected)
    for _ in range(60):
        n, p = random.randint(8, 20), random.randint(1, 4)
        terms = [[random.gauss(0, 1) for _ in range(n)] for _ in range(p)]
        y = [1 + sum(term[i] for term in terms) + random.gauss(0, 0.1) for i in range(n)]
        coefficients, errors, s = least_squares([[mpmath.mpf(1)] * n] + [exact(term) for term in terms], exact(y))
        yield Case(
            {"terms": terms, "y": y},
            {"result.residual_sd": s, **{f"result.coefficients.{k}.estimate": (b, 1.0) for k, b in enumerate(coefficients)}},
        )


def deming_line(x, y, ratio):
    xb, yb = mean(x), mean(y)
    sxx = mpmath.fsum((a - xb) ** 2 for a in x)
    syy = mpmath.fsum((b - yb) ** 2 for b in y)
    sxy = mpmath.fsum((a - xb) * (b - yb) for a, b in zip(x, y))
    d = syy - ratio * sxx
    slope = (d + mpmath.sqrt(d * d + 4 * ratio * sxy**2)) / (2 * sxy)
    return slope, yb - slope * xb


@check("deming", 10, "mpmath with jackknife")
def deming():
    for _ in range(80):
        n, ratio = random.randint(5, 15), random.uniform(0.3, 3)
        true = [random.uniform(10, 60) for _ in range(n)]
        x, y = [a + random.gauss(0, 0.5) for a in true], [a + random.gauss(0, 0.5) for a in true]
        mx, my, r = exact(x), exact(y), mpmath.mpf(ratio)
        slope, intercept = deming_line(mx, my, r)
        left = [deming_line(mx[:i] + mx[i + 1 :], my[:i] + my[i + 1 :], r) for i in range(n)]
        pseudo = [n * slope - (n - 1) * part[0] for part in left]
        se = mpmath.sqrt(mpmath.fsum((v - mean(pseudo)) ** 2 for v in pseudo) / (n * (n - 1)))
        yield Case(
            {"x": x, "y": y, "variance_ratio": ratio},
            {"result.slope.estimate": slope, "result.intercept.estimate": (intercept, 1.0), "result.slope.standard_error": se},
        )


@check("passing-bablok", 12, "NumPy from the definition")
def passing_bablok():
    for _ in range(100):
        n = random.randint(8, 30)
        true = [random.uniform(10, 60) for _ in range(n)]
        x, y = [a + random.gauss(0, 0.5) for a in true], [a + random.gauss(0, 0.5) for a in true]
        slopes = sorted((y[j] - y[i]) / (x[j] - x[i]) for i in range(n) for j in range(i + 1, n))
        shift = sum(1 for b in slopes if b < -1)
        m = len(slopes)
        slope = slopes[(m + 1) // 2 + shift - 1] if m % 2 else (slopes[m // 2 - 1 + shift] + slopes[m // 2 + shift]) / 2
        intercept = float(np.median([b - slope * a for a, b in zip(x, y)]))
        yield Case({"x": x, "y": y}, {"result.slope": slope, "result.intercept": (intercept, 1.0), "result.shift": shift})


@check("bland-altman", 10, "NumPy, SciPy t")
def bland_altman():
    for _ in range(150):
        first = titres(random.randint(4, 30))
        second = [a + random.gauss(0.01, 0.03) for a in first]
        d = exact(first)
        d = [a - b for a, b in zip(d, exact(second))]
        n, m = len(d), mean(d)
        s = mpmath.sqrt(mpmath.fsum((v - m) ** 2 for v in d) / (n - 1))
        se = s * math.sqrt(1 / n + 1.96**2 / (2 * (n - 1)))
        upper = m + mpmath.mpf("1.96") * s
        yield Case(
            {"first": first, "second": second},
            {
                "result.mean_difference": (m, float(s)),
                "result.upper_limit": (upper, float(s)),
                "result.upper_limit_interval.high": (upper + stats.t.isf(0.025, n - 1) * se, float(s)),
            },
        )


@check("robust-mean", 10, "NumPy from the definition")
def robust_mean():
    for _ in range(150):
        values = titres(random.randint(5, 30)) + [30.0]
        x = np.array(values)
        location = float(np.median(x))
        scale = 1.483 * float(np.median(np.abs(x - location)))
        for _ in range(2000):
            limited = np.clip(x, location - 1.5 * scale, location + 1.5 * scale)
            following, spread = float(limited.mean()), 1.134 * float(limited.std(ddof=1))
            done = abs(following - location) + abs(spread - scale) < 1e-14 * location
            location, scale = following, spread
            if done:
                break
        yield Case({"values": values}, {"result.location": location, "result.scale": (scale, 1.0)})


@check("ruggedness", 12, "the definition")
def ruggedness():
    upper = ["1111111", "1101000", "1010100", "1000011", "0110010", "0100101", "0011001", "0001110"]
    for _ in range(100):
        results = titres(8)
        effects = [
            (sum(results[i] for i in range(8) if upper[i][f] == "1") - sum(results[i] for i in range(8) if upper[i][f] == "0")) / 4
            for f in range(7)
        ]
        yield Case({"results": results}, {f"result.effects.effects.{f}.difference": (effects[f], 1.0) for f in range(7)})
