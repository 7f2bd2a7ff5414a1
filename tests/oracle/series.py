"""Summaries, distributions, tests, outliers, trends."""

import math
import random
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal, localcontext

import mpmath
import numpy as np
from scipy import integrate, optimize, special, stats
from statsmodels.stats.diagnostic import normal_ad
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.power import TTestIndPower, TTestPower
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW, ttost_paired

from oracle import Case, check

mpmath.mp.dps = 50


def titres(n, sd=0.05):
    """Values as they come from a bench: about 23 mL."""
    centre = random.uniform(20, 25)
    return [centre + random.gauss(0, sd) for _ in range(n)]


def exact(values):
    return [mpmath.mpf(x) for x in values]


def moments(values):
    x = exact(values)
    n = len(x)
    mean = mpmath.fsum(x) / n
    return n, mean, [mpmath.fsum((v - mean) ** k for v in x) for k in (2, 3, 4)]


@check("summary", 11, "mpmath, NumPy quantiles, SciPy t")
def summary():
    methods = {
        "type 1": "inverted_cdf", "type 2": "averaged_inverted_cdf", "type 4": "interpolated_inverted_cdf",
        "type 5": "hazen", "type 6": "weibull", "type 7": "linear", "type 8": "median_unbiased",
        "type 9": "normal_unbiased",
    }
    for _ in range(600):
        values = titres(random.randint(4, 60))
        n, mean, (m2, m3, m4) = moments(values)
        variance = m2 / (n - 1)
        method = random.choice(list(methods))
        p = round(random.uniform(0.02, 0.98), 3)
        g1 = m3 / n / (m2 / n) ** mpmath.mpf(1.5)
        g2 = m4 / n / (m2 / n) ** 2 - 3
        half = stats.t.ppf(0.975, n - 1) * mpmath.sqrt(variance / n)
        x = exact(values)
        lag = mpmath.fsum((a - mean) * (b - mean) for a, b in zip(x, x[1:])) / m2
        yield Case(
            {"values": values, "quantiles": [p], "quantile_method": method},
            {
                "result.n": n,
                "result.mean": mean,
                "result.sample_sd": mpmath.sqrt(variance),
                "result.relative_sd": mpmath.sqrt(variance) / mean,
                "result.standard_error": mpmath.sqrt(variance / n),
                "result.median": float(np.median(values)),
                "result.quantiles.0.value": float(np.quantile(values, p, method=methods[method])),
                "result.population_skewness": (g1, 1.0),
                "result.population_excess_kurtosis": (g2, 1.0),
                "result.lag1_autocorrelation": (lag, 1.0),
                "result.mean_interval.low": mean - half,
            },
        )


@check("weighted-summary", 13, "mpmath")
def weighted():
    for _ in range(200):
        values = titres(random.randint(2, 20))
        weights = [random.uniform(0.1, 10) for _ in values]
        x, w = exact(values), exact(weights)
        mean = mpmath.fsum(a * b for a, b in zip(x, w)) / mpmath.fsum(w)
        yield Case(
            {"values": values, "weights": weights},
            {"result.mean": mean, "result.internal_uncertainty": 1 / mpmath.sqrt(mpmath.fsum(w))},
        )


@check("pooled-sd", 9, "mpmath")
def pooled():
    for _ in range(200):
        groups = [titres(random.randint(2, 5)) for _ in range(random.randint(1, 12))]
        squares = mpmath.fsum(moments(group)[2][0] for group in groups)
        degrees = sum(len(group) - 1 for group in groups)
        yield Case({"groups": groups}, {"result.sd": mpmath.sqrt(squares / degrees), "result.degrees_of_freedom": degrees})


@check("sigma-interval", 11, "SciPy chi2")
def sigma_interval():
    for _ in range(300):
        sd, degrees, confidence = random.uniform(0.01, 2), random.randint(1, 200), random.uniform(0.5, 0.999)
        tail = (1 - confidence) / 2
        yield Case(
            {"sd": sd, "degrees_of_freedom": degrees, "confidence": confidence},
            {
                "result.low": sd * math.sqrt(degrees / stats.chi2.isf(tail, degrees)),
                "result.high": sd * math.sqrt(degrees / stats.chi2.ppf(tail, degrees)),
            },
        )


def polished(name, given, x, p):
    """SciPy's upper quantile of F and beta keeps 10 digits far out; two Newton steps with 50 digits mend that."""
    if name not in ("f", "beta"):
        return x
    a, b = (mpmath.mpf(v) for v in given)
    x = mpmath.mpf(x)
    for _ in range(2):
        if name == "f":
            z = b / (b + a * x)
            tail, density = mpmath.betainc(b / 2, a / 2, 0, z, regularized=True), z ** (b / 2) * (1 - z) ** (a / 2) / (x * mpmath.beta(a / 2, b / 2))
        else:
            tail, density = mpmath.betainc(b, a, 0, 1 - x, regularized=True), x ** (a - 1) * (1 - x) ** (b - 1) / mpmath.beta(a, b)
        x += (tail - mpmath.mpf(p)) / density
    return x


@check("distribution", 11, "SciPy; quantiles of F and beta by mpmath")
def distribution():
    families = {
        "normal": (lambda: [], lambda a: stats.norm()),
        "t": (lambda: [random.uniform(1, 120)], lambda a: stats.t(*a)),
        "chi-square": (lambda: [random.uniform(1, 120)], lambda a: stats.chi2(*a)),
        "f": (lambda: [random.randint(1, 60), random.randint(1, 60)], lambda a: stats.f(*a)),
        "beta": (lambda: [random.uniform(0.5, 20), random.uniform(0.5, 20)], lambda a: stats.beta(*a)),
    }
    for _ in range(1500):
        name = random.choice(list(families))
        parameters, of = families[name]
        given = parameters()
        frozen = of(given)
        p = math.exp(random.uniform(math.log(1e-6), math.log(0.5)))
        x = float(frozen.ppf(random.uniform(0.001, 0.999)))
        quantile = polished(name, given, float(frozen.isf(p)), p)
        yield Case(
            {"distribution": name, "parameters": given, "x": x, "upper_p": p},
            {
                "result.lower_tail": float(frozen.cdf(x)),
                "result.upper_tail": float(frozen.sf(x)),
                "result.upper_quantile": (quantile, max(abs(float(quantile)), 1e-3)),
            },
        )


@check("distribution", 12, "mpmath, tails down to 1e-300")
def tails():
    for _ in range(150):
        degrees = random.randint(1, 60)
        z = random.uniform(0, 37)
        yield Case({"distribution": "normal", "x": z}, {"result.upper_tail": mpmath.erfc(mpmath.mpf(z) / mpmath.sqrt(2)) / 2})
        x = random.uniform(0, 1000)
        tail = mpmath.gammainc(mpmath.mpf(degrees) / 2, mpmath.mpf(x) / 2, mpmath.inf, regularized=True)
        yield Case({"distribution": "chi-square", "parameters": [degrees], "x": x}, {"result.upper_tail": tail})
        t = math.exp(random.uniform(-2, 12))
        nu = mpmath.mpf(degrees)
        tail = mpmath.betainc(nu / 2, mpmath.mpf(0.5), 0, nu / (nu + mpmath.mpf(t) ** 2), regularized=True) / 2
        yield Case({"distribution": "t", "parameters": [degrees], "x": t}, {"result.upper_tail": tail})


@check("distribution", 12, "SciPy binomial")
def binomial():
    for _ in range(300):
        trials, p = random.randint(1, 400), random.uniform(0.01, 0.99)
        k = random.randint(0, trials)
        b = stats.binom(trials, p)
        if b.sf(k) > 1e-200 and b.cdf(k) > 1e-200:
            yield Case(
                {"distribution": "binomial", "parameters": [trials, p], "x": k},
                {"result.lower_tail": float(b.cdf(k)), "result.upper_tail": float(b.sf(k)) if k < trials else 0.0},
            )


@check("distribution", 9, "SciPy studentised range")
def studentised_range():
    for _ in range(25):
        k, degrees, q = random.randint(2, 12), random.randint(2, 40), random.uniform(1, 6)
        tail = float(stats.studentized_range.sf(q, k, degrees))
        yield Case({"distribution": "studentised-range", "parameters": [k, degrees], "x": q}, {"result.upper_tail": (tail, 1.0)})


@check("t-test", 10, "SciPy, statsmodels")
def t_test():
    for _ in range(500):
        first, second = titres(random.randint(2, 12)), titres(random.randint(2, 12))
        stated = random.uniform(-1, 1)
        design = random.choice(["Welch", "pooled"])
        shifted = [x - stated for x in first]
        # Sums about an offset 400 times the spread: the reference is given centred data, whose t is the same.
        centre = float(np.mean(second))
        a, b = [x - centre for x in shifted], [x - centre for x in second]
        test = stats.ttest_ind(a, b, equal_var=design == "pooled")
        interval = test.confidence_interval(0.9)
        scale = abs(interval.high) + abs(stated)
        yield Case(
            {"first": first, "second": second, "design": design, "hypothesised": stated, "confidence": 0.9},
            {
                "result.t": (float(test.statistic), max(1.0, abs(float(test.statistic)))),
                "result.degrees_of_freedom": float(test.df),
                "result.p.two_sided": (float(test.pvalue), max(float(test.pvalue), 1e-6)),
                "result.interval.high": (float(interval.high) + stated, scale),
            },
        )
    for _ in range(200):
        first = titres(random.randint(2, 12))
        second = [x + random.gauss(0, 0.02) for x in first]
        test = stats.ttest_rel(first, second)
        yield Case(
            {"first": first, "second": second, "design": "paired"},
            {"result.t": (float(test.statistic), max(1.0, abs(float(test.statistic)))), "result.p.two_sided": float(test.pvalue)},
        )


@check("f-test", 9, "SciPy f")
def f_test():
    for _ in range(300):
        first, second = titres(random.randint(3, 15)), titres(random.randint(3, 15))
        (n1, _, (a, *_)), (n2, _, (b, *_)) = moments(first), moments(second)
        ratio = float(a / (n1 - 1) / (b / (n2 - 1)))
        yield Case(
            {"first": first, "second": second},
            {
                "result.statistic": ratio,
                "result.p.greater": float(stats.f.sf(ratio, n1 - 1, n2 - 1)),
                "result.interval.low": ratio / float(stats.f.isf(0.025, n1 - 1, n2 - 1)),
            },
        )


@check("variance-test", 9, "SciPy chi2")
def variance_test():
    for _ in range(300):
        values, sigma = titres(random.randint(3, 20)), random.uniform(0.03, 0.08)
        n, _, (m2, *_) = moments(values)
        x = float(m2 / mpmath.mpf(sigma) ** 2)
        yield Case(
            {"values": values, "hypothesised": sigma},
            {"result.statistic": x, "result.p.greater": float(stats.chi2.sf(x, n - 1)), "result.p.less": float(stats.chi2.cdf(x, n - 1))},
        )


@check("equivalence", 8, "statsmodels")
def equivalence():
    for _ in range(150):
        first, second = titres(random.randint(4, 12)), None
        second = [x + random.gauss(0, 0.03) for x in first]
        low, high = -random.uniform(0.02, 0.1), random.uniform(0.02, 0.1)
        p, *_ = ttost_paired(np.array(first), np.array(second), low, high)
        yield Case(
            {"first": first, "second": second, "design": "paired", "lower_margin": low, "upper_margin": high},
            {"result.p": (float(p), max(float(p), 1e-4))},
        )
        # About 0, or the reference would lose the digits of the spread.
        a, b = np.array(first) - first[0], np.array(second[: len(second) - 1]) - first[0]
        p, *_ = CompareMeans(DescrStatsW(a), DescrStatsW(b)).ttost_ind(low, high, usevar="unequal")
        yield Case(
            {"first": first, "second": second[:-1], "lower_margin": low, "upper_margin": high},
            {"result.p": (float(p), max(float(p), 1e-4))},
        )


@check("tolerance-interval", 9, "SciPy nct, t; quadrature")
def tolerance():
    for _ in range(80):
        n, content, confidence = random.randint(3, 60), random.uniform(0.7, 0.99), random.uniform(0.7, 0.99)
        z = stats.norm.ppf(content)
        factor = stats.nct.ppf(confidence, n - 1, z * math.sqrt(n)) / math.sqrt(n)
        yield Case({"n": n, "content": content, "confidence": confidence, "side": "upper"}, {"result.factor": float(factor)})
        factor = stats.t.isf((1 - content) / 2, n - 1) * math.sqrt(1 + 1 / n)
        yield Case({"n": n, "content": content, "side": "both"}, {"result.factor": float(factor)})


@check("normality", 5, "SciPy, statsmodels")
def normality():
    for _ in range(300):
        values = titres(random.randint(8, 80)) if random.random() < 0.7 else [random.expovariate(1) for _ in range(30)]
        w, p = stats.shapiro(values)
        a, pa = normal_ad(np.array(values))
        yield Case(
            {"values": values},
            {
                "result.shapiro_wilk.w": float(w),
                "result.shapiro_wilk.p": (float(p), max(float(p), 1e-3)),
                "result.anderson_darling.a_squared": (float(a), 1.0),
                "result.anderson_darling.p": (float(pa), max(float(pa), 1e-3)),
            },
        )


@check("mann-kendall", 12, "SciPy kendalltau, exact")
def mann_kendall():
    for _ in range(300):
        n = random.randint(4, 60)
        values = [0.01 * i + random.gauss(0, 0.2) for i in range(n)]
        tau, p = stats.kendalltau(range(n), values, method="exact")
        yield Case({"values": values}, {"result.tau": (float(tau), 1.0), "result.p.two_sided": (float(p), max(float(p), 1e-9))})


@check("theil-sen", 12, "SciPy theilslopes")
def theil_sen():
    for _ in range(200):
        n = random.randint(5, 40)
        x = sorted(random.uniform(0, 50) for _ in range(n))
        y = [1.0 - 7e-5 * a + random.gauss(0, 1e-3) for a in x]
        found = stats.theilslopes(y, x)
        yield Case({"x": x, "y": y}, {"result.slope": (float(found.slope), abs(float(found.slope)) + 1e-5)})


@check("power", 9, "statsmodels")
def power():
    for _ in range(120):
        n, effect, alpha = random.randint(3, 60), random.uniform(0.2, 1.5), random.choice([0.01, 0.05, 0.1])
        expected = TTestPower().power(effect, n, alpha, alternative="two-sided")
        # The library's noncentral t gives up where the power is 1 to ten digits.
        if not 0.01 < expected < 0.9999:
            continue
        yield Case({"n": n, "difference": effect, "sd": 1.0, "alpha": alpha}, {"result.power": float(expected)})
        m = random.randint(3, 60)
        expected = TTestIndPower().power(effect, n, alpha, ratio=m / n, alternative="larger")
        if not 0.01 < expected < 0.9999:
            continue
        yield Case(
            {"design": "two samples", "n": n, "n_second": m, "difference": effect, "sd": 1.0, "alpha": alpha, "alternative": "greater"},
            {"result.power": float(expected)},
        )


def met_by_mean(difference, sd, n, low, high, confidence):
    """Chance that the interval of a mean lies within limits: over the distribution of s, by quadrature."""
    v, se = n - 1, sd / math.sqrt(n)
    t = stats.t.ppf(0.5 + 0.5 * confidence, v)

    def weighed(w):
        inside = stats.norm.cdf((high - difference) / se - t * w) - stats.norm.cdf((low - difference) / se + t * w)
        return max(inside, 0.0) * stats.chi2.pdf(v * w * w, v) * 2 * v * w

    return integrate.quad(weighed, 0, (high - low) / se / 2 / t, epsabs=1e-13, epsrel=1e-12, limit=400)[0]


@check("study-size", 9, "SciPy")
def study_size():
    for _ in range(60):
        n, sd, upper = random.randint(2, 60), random.uniform(0.5, 1.2), random.uniform(0.8, 2.0)
        expected = stats.chi2.cdf((n - 1) * (upper / sd) ** 2, n - 1)
        yield Case({"sd": sd, "upper": upper, "n": n}, {"result.chance": (float(expected), 1e-3)})
        m, between = random.randint(1, 4), random.uniform(0.1, 1.0)
        total, group = between**2 + sd**2, between**2 + sd**2 / m
        spread = group**2 / (n - 1) + (((1 - 1 / m) * sd**2) ** 2 / (n * (m - 1)) if m > 1 else 0.0)
        v = total**2 / spread
        expected = stats.chi2.cdf(v * upper**2 / total, v)
        yield Case(
            {"estimate": "intermediate precision", "sd": sd, "sd_between": between, "replicates": m, "upper": upper, "n": n},
            {"result.chance": (float(expected), 1e-3)},
        )
        difference = random.uniform(-0.3, 0.3)
        expected = met_by_mean(difference, sd, n, -upper, upper, 0.9)
        yield Case(
            {"estimate": "mean", "sd": sd, "value": difference, "lower": -upper, "upper": upper, "confidence": 0.9, "n": n},
            {"result.chance": (float(expected), 1e-2)},
        )


def dixon_r10(n, r):
    """P(r10 at the upper end > r) by a double quadrature of the joint density of the extremes and the second largest."""
    v, wv = np.polynomial.legendre.leggauss(120)
    v, wv = 6.5 * (v + 1), 6.5 * wv
    m, wm = np.polynomial.legendre.leggauss(120)
    m, wm = 7 * m, 7 * wm
    # x lowest, y highest; the other n - 2 lie below y - r (y - x).
    mid, wide = np.meshgrid(m, v)
    x, y = mid - wide / 2, mid + wide / 2
    inner = special.ndtr(y - r * wide) - special.ndtr(x)
    f = n * (n - 1) * np.exp(-(x**2 + y**2) / 2) / (2 * np.pi) * inner ** (n - 2)
    return float(wv @ f @ wm)


@check("dixon-critical", 9, "NumPy double quadrature of r10, one end")
def dixon():
    for _ in range(40):
        n, r = random.randint(3, 25), random.uniform(0.05, 0.9)
        p = dixon_r10(n, r)
        yield Case({"n": n, "ratio": "r10", "sidedness": "one-sided", "statistic": r}, {"result.p.value": (p, 1.0)})


@check("grubbs-critical", 11, "SciPy t")
def grubbs():
    for _ in range(300):
        n, alpha = random.randint(3, 200), random.choice([0.1, 0.05, 0.025, 0.01, 0.001])
        t = stats.t.isf(alpha / (2 * n), n - 2)
        g = (n - 1) / math.sqrt(n) * math.sqrt(t * t / (n - 2 + t * t))
        yield Case({"n": n, "alpha": alpha}, {"result.by_t.value": g})


@check("cochran-critical", 10, "SciPy f")
def cochran():
    for _ in range(100):
        groups, degrees, alpha = random.randint(2, 30), random.randint(1, 10), random.choice([0.05, 0.01])
        f = stats.f.isf(alpha / groups, degrees, (groups - 1) * degrees)
        yield Case(
            {"groups": groups, "degrees_of_freedom": degrees, "alpha": alpha},
            {"result.published_form.value": 1 / (1 + (groups - 1) / f)},
        )


@check("hampel", 9, "NumPy")
def hampel():
    for _ in range(200):
        values = titres(random.randint(5, 30))
        median = float(np.median(values))
        mad = 1.482602218505602 * float(np.median(np.abs(np.array(values) - median)))
        yield Case({"values": values}, {"result.median": median, "result.scaled_mad": mad})


NODES, WEIGHTS = np.polynomial.legendre.leggauss(300)


def range_cdf(n, w):
    """P(range of n normal values <= w), by Gauss and Legendre over the smallest."""
    z, weight = 9 * NODES, 9 * WEIGHTS
    return float(n * (weight * np.exp(-z * z / 2) / math.sqrt(2 * math.pi)) @ (special.ndtr(z + w) - special.ndtr(z)) ** (n - 1))


@check("chance-agreement", 9, "quadrature: all of n chosen is the range")
def chance():
    for _ in range(40):
        n, sd, limit = random.randint(2, 6), random.uniform(0.02, 0.1), random.uniform(0.03, 0.2)
        yield Case({"n": n, "chosen": n, "limit": limit, "sd": sd}, {"result.probability": range_cdf(n, limit / sd)})


@check("critical-range", 9, "quadrature with SciPy ndtr, root by brentq")
def critical_range():
    for _ in range(60):
        n, p = random.randint(2, 15), random.uniform(0.8, 0.999)
        factor = optimize.brentq(lambda w: range_cdf(n, w) - p, 0.1, 12, xtol=1e-13, rtol=1e-13)
        yield Case({"n": n, "p": p}, {"result.factor.exact": factor})


@check("precision-limits", 13, "the formulae")
def precision():
    for _ in range(100):
        r = random.uniform(0.01, 1)
        big = r * random.uniform(1, 4)
        n = random.randint(1, 8)
        k = stats.norm.isf(0.025) * math.sqrt(2)
        expected = math.sqrt(0.5) * math.sqrt((k * big) ** 2 - (k * r) ** 2 * (1 - 1 / n))
        yield Case(
            {"repeatability_sd": r, "reproducibility_sd": big, "n": n},
            {"result.repeatability_limit.exact": k * r, "result.from_reference.value": expected},
        )


@check("rounding", 16, "Python decimal")
def rounding():
    with localcontext() as context:
        context.prec = 60
        for _ in range(800):
            places = random.randint(0, 5)
            text = f"{random.randint(-10**7, 10**7)}.{random.choice(['5', '50', '25', '500', '49', '51', '12345', '995'])}"
            for ties, mode in (("half even", ROUND_HALF_EVEN), ("half up", ROUND_HALF_UP)):
                scaled = str(Decimal(text).scaleb(-places))
                if "E" in scaled:
                    continue
                expected = Decimal(scaled).quantize(Decimal(1).scaleb(-places), rounding=mode)
                zero = str(abs(expected)) if expected == 0 else str(expected)
                yield Case({"value": scaled, "places": places, "ties": ties}, {"result.to_places": zero})


@check("false-discovery", 13, "statsmodels multipletests")
def false_discovery():
    for _ in range(200):
        p = [random.uniform(0, 1) ** random.choice([1, 4]) for _ in range(random.randint(1, 40))]
        shown, adjusted, *_ = multipletests(p, 0.05, method="fdr_bh")
        expected = {f"result.tests.{i}.adjusted": float(value) for i, value in enumerate(adjusted)}
        yield Case({"p_values": p}, {**expected, "result.shown": int(shown.sum())})


@check("terminal-digits", 11, "SciPy chisquare")
def terminal_digits():
    for _ in range(200):
        counts = [random.randint(0, 60) for _ in range(random.choice([2, 5, 10]))]
        if sum(counts) < 60:
            continue
        statistic, p = stats.chisquare(counts)
        yield Case({"counts": counts}, {"result.chi_square": (float(statistic), max(1.0, float(statistic))), "result.p_chi_square": float(p)})


@check("variance-too-small", 11, "SciPy chi2")
def small_variance():
    for _ in range(200):
        sd, degrees, sigma = random.uniform(0.01, 0.05), random.randint(1, 60), random.uniform(0.02, 0.06)
        yield Case({"sd": sd, "degrees_of_freedom": degrees, "sigma": sigma}, {"result.p": float(stats.chi2.cdf(degrees * (sd / sigma) ** 2, degrees))})
