"""Uncertainty, conformity, validation, iron contents."""

import math
import random

import numpy as np
import uncertainties
from scipy import integrate, special, stats
from uncertainties import ufloat, umath

from oracle import Case, check


def formula():
    """A random product, quotient and sum of inputs, as text for both programs."""
    names = [f"x{i}" for i in range(random.randint(2, 6))]
    text = random.choice(names)
    for name in names:
        text = random.choice(
            [f"({text}) * {name}", f"({text}) / {name}", f"({text}) + {name}", f"{name} - ({text})", f"sqrt(({text})^2 + {name})", f"exp(-{name}) * ({text})"]
        )
    return text, names


@check("uncertainty", 11, "uncertainties")
def uncertainty():
    done = 0
    while done < 500:
        text, names = formula()
        inputs = {name: ufloat(random.uniform(0.5, 3), random.uniform(0.001, 0.1)) for name in names}
        value = eval(text.replace("^", "**"), {"sqrt": umath.sqrt, "exp": umath.exp}, inputs)  # noqa: S307  our own text
        if not isinstance(value, uncertainties.core.AffineScalarFunc) or value.s < 1e-6 or abs(value.n) < 1e-3:
            continue
        done += 1
        given = [{"id": name, "value": x.n, "u": x.s} for name, x in inputs.items()]
        yield Case({"model": text, "inputs": given}, {"result.value": value.n, "result.u": value.s})


@check("coverage-factor", 12, "SciPy t")
def coverage():
    for _ in range(300):
        u, degrees, p = random.uniform(0.01, 2), random.uniform(1, 100), random.uniform(0.5, 0.999)
        k = float(stats.t.isf((1 - p) / 2, degrees))
        yield Case({"u": u, "degrees_of_freedom": degrees, "probability": p}, {"result.factor": k, "result.expanded_uncertainty": k * u})


@check("monte-carlo", 2, "NumPy, 1e6 trials; to the scatter of both")
def monte_carlo():
    for seed in range(4):
        draw = np.random.default_rng(seed)
        m = 1_000_000
        c, v = draw.normal(0.0167, 0.0002, m), 10 + draw.uniform(-0.05, 0.05, m)
        a, b = draw.normal(23.18, 0.2, m), draw.normal(21.46, 0.2, m)
        y = 6 * c * 55.845 * 10 * (a - b) / v
        u = float(y.std(ddof=1))
        low, high = (float(q) for q in np.quantile(y, [0.025, 0.975]))
        inputs = [
            {"id": "c", "value": 0.0167, "u": 0.0002},
            {"id": "v", "value": 10, "half_width": 0.05, "distribution": "rectangular"},
            {"id": "a", "value": 23.18, "u": 0.2},
            {"id": "b", "value": 21.46, "u": 0.2},
        ]
        yield Case(
            {"model": "6 * c * 55.845 * 10 * (a - b) / v", "inputs": inputs, "seed": seed},
            {
                "result.mean": (float(y.mean()), u),
                "result.standard_uncertainty": u,
                "result.symmetric.low": (low, u),
                "result.symmetric.high": (high, u),
            },
        )


@check("conformity", 9, "SciPy norm and quad")
def conformity():
    for _ in range(60):
        u, value = random.uniform(0.2, 1), random.uniform(117, 122)
        mean, sd = random.uniform(116, 119), random.uniform(0.5, 2)
        limit = 120.0
        accept = limit - 1.645 * u

        def both(x, mean=mean, sd=sd, u=u, accept=accept):
            return stats.norm.pdf(x, mean, sd) * stats.norm.cdf((accept - x) / u)

        consumer = integrate.quad(both, limit, mean + 12 * sd + 10, epsabs=1e-14, epsrel=1e-12)[0]
        yield Case(
            {"value": value, "u": u, "upper": limit, "guard": {"one_sided_95": True}, "process": {"mean": mean, "sd": sd}},
            {
                "result.decision.conformance_probability": float(stats.norm.cdf((limit - value) / u)),
                "result.decision.specific_consumer_risk": float(stats.norm.sf((limit - value) / u)),
                "result.upper_acceptance": accept,
                "result.global_risk.consumer": (consumer, max(consumer, 1e-3)),
            },
        )


def both_below(h, k, rho):
    """Probability that two standard normal variables of correlation rho lie below h and k, by Owen's T function."""
    root = math.sqrt(1 - rho * rho)
    shift = 0.5 if h * k < 0 or (h * k == 0 and h + k < 0) else 0.0
    tails = special.owens_t(h, (k / h - rho) / root) + special.owens_t(k, (h / k - rho) / root)
    return 0.5 * (stats.norm.cdf(h) + stats.norm.cdf(k)) - tails - shift


def risks(lower, upper, accept_low, accept_high, mean, sd, u):
    """Consumer's and producer's risk as areas of the bivariate normal distribution of true and measured value."""
    total = math.hypot(sd, u)
    rho = sd / total
    true = lambda limit: (limit - mean) / sd
    seen = lambda limit: (limit - mean) / total

    def below(eta, y):
        if math.isinf(eta) or math.isinf(y):
            if eta == -math.inf or y == -math.inf:
                return 0.0
            return float(stats.norm.cdf(true(eta) if math.isinf(y) else seen(y))) if not (math.isinf(eta) and math.isinf(y)) else 1.0
        return both_below(true(eta), seen(y), rho)

    inside = below(upper, accept_high) - below(lower, accept_high) - below(upper, accept_low) + below(lower, accept_low)
    accepted = below(math.inf, accept_high) - below(math.inf, accept_low)
    conforming = below(upper, math.inf) - below(lower, math.inf)
    return accepted - inside, conforming - inside


@check("decision-risk", 11, "SciPy norm and Owen's T")
def decision_risk():
    for i in range(60):
        u, k = random.uniform(0.2, 1), random.choice([2.0, 2.0, random.uniform(1.5, 3)])
        mean, sd = random.uniform(116, 119.9), random.uniform(0.5, 2)
        lower, upper = (random.uniform(110, 114), 120.0) if i % 3 == 0 else (-math.inf, 120.0)
        widths = [0.0, round(random.uniform(0.1, 0.9), 3), 1.0]
        expected = {"result.curve.0.y": (lower if lower > -math.inf else upper) - 4 * u, "result.curve.8.y": upper + 4 * u}
        for number, w in enumerate(widths):
            low, high = lower + w * k * u, upper - w * k * u
            consumer, producer = risks(lower, upper, low, high, mean, sd, u)
            # Areas are differences of probabilities near 1: their error is of the size of the last bit of 1.
            expected[f"result.by_guard_band.{number}.risk.consumer"] = (consumer, max(consumer, 1e-3))
            expected[f"result.by_guard_band.{number}.risk.producer"] = (producer, max(producer, 1e-3))
            expected[f"result.by_guard_band.{number}.acceptance.high"] = high
        at = (lower if lower > -math.inf else upper) - 4 * u
        at += 5 * (upper + 4 * u - at) / 8
        p = float(stats.norm.cdf((upper - at) / u) - (stats.norm.cdf((lower - at) / u) if lower > -math.inf else 0.0))
        expected["result.curve.5.conformance_probability"] = (p, max(p, 1e-3))
        given = {"upper": upper, "u": u, "k": k, "process": {"mean": mean, "sd": sd}, "widths": widths, "points": 9}
        if lower > -math.inf:
            given["lower"] = lower
        yield Case(given, expected)


@check("top-down-uncertainty", 13, "the formulae")
def top_down():
    for _ in range(100):
        biases = [random.gauss(0, 0.4) for _ in range(random.randint(1, 12))]
        rw, ref = random.uniform(0.1, 1), random.uniform(0.05, 0.4)
        rms = math.sqrt(math.fsum(b * b for b in biases) / len(biases))
        u = math.sqrt(rw**2 + rms**2 + ref**2)
        yield Case({"u_rw": rw, "biases": biases, "u_reference": ref}, {"result.top_down.rms_bias": rms, "result.top_down.combined": u})


@check("proficiency-scores", 11, "the formulae")
def scores():
    for _ in range(200):
        x, u, a, ua, sigma = random.gauss(52, 0.3), random.uniform(0.02, 0.2), 52.0, random.uniform(0.01, 0.1), random.uniform(0.05, 0.3)
        d = x - a
        yield Case(
            {"value": x, "u": u, "assigned": a, "u_assigned": ua, "sigma_pt": sigma},
            {
                "result.z": d / sigma,
                "result.z_prime": d / math.hypot(sigma, ua),
                "result.zeta": d / math.hypot(u, ua),
                "result.e_n": d / math.hypot(2 * u, 2 * ua),
            },
        )


@check("horrat", 12, "the formulae")
def horrat():
    for _ in range(200):
        c, rsd = 10 ** random.uniform(-8, -0.3), random.uniform(0.1, 30)
        predicted = 2 * c**-0.15
        thompson = 0.22 * c if c < 1.2e-7 else (0.02 * c**0.8495 if c <= 0.138 else 0.01 * c**0.5)
        yield Case(
            {"rsd_percent": rsd, "mass_fraction": c},
            {"result.predicted_percent": predicted, "result.horrat.ratio": rsd / predicted, "result.thompson_sd": thompson},
        )


@check("recovery", 10, "uncertainties")
def recovery():
    for _ in range(150):
        s, n, a = ufloat(random.uniform(15, 25), 0.1), ufloat(random.uniform(5, 12), 0.08), ufloat(random.uniform(9, 11), 0.02)
        r = (s - n) / a
        as_input = [{"value": x.n, "u": x.s} for x in (s, n, a)]
        yield Case(
            dict(zip(("spiked", "native", "added"), as_input)),
            {"result.recovery": r.n, "result.u": r.s, "result.interval.high": r.n + float(stats.norm.isf(0.025)) * r.s},
        )


@check("detection-limits", 10, "NumPy")
def detection():
    for _ in range(150):
        values = [random.gauss(0.03, 0.01) for _ in range(random.randint(4, 20))]
        n, blanks = random.randint(1, 5), random.randint(1, 5)
        s = float(np.std(values, ddof=1))
        adjusted = s * math.sqrt(1 / n + 1 / blanks)
        yield Case(
            {"values": values, "replicates": n, "blanks": blanks},
            {"result.s0": s, "result.detection": 3 * adjusted, "result.quantification": 10 * adjusted},
        )


@check("trueness", 9, "NumPy")
def trueness():
    for _ in range(150):
        values = [random.gauss(52.3, 0.05) for _ in range(random.randint(3, 12))]
        x = np.array(values) - 52.0
        u = math.sqrt(float(x.var(ddof=1)) / len(values) + 0.0004)
        yield Case({"values": values, "reference": 52.3, "u_reference": 0.02}, {"result.bias": (float(x.mean()) - 0.3, 1.0), "result.limit": 2 * u})


@check("iron3", 10, "uncertainties, one variable per source")
def iron3():
    for _ in range(200):
        reading = lambda low, high: 0.02 * random.randint(round(low / 0.02), round(high / 0.02))  # noqa: E731
        iron2, total = [reading(20, 20.1) for _ in range(2)], [reading(22, 22.1) for _ in range(2)]
        c = ufloat(0.016667, 3.5e-6)
        # Two readings of each titre to +- half a step, rectangular; sigma_r per titre, over the root of their number.
        molar = ufloat(55.845, 0.002 / math.sqrt(3))
        pipette, flask, aliquot = ufloat(10, 0.01), ufloat(250, 0.08), ufloat(25, 0.015)
        factor = 6 * c * molar * flask / (aliquot * pipette)
        text = lambda v: f"{v:.2f}"  # noqa: E731
        titrations = lambda values: [{"initial": ["0.00"], "final": [text(v)]} for v in values]  # noqa: E731
        difference = (sum(total) - sum(iron2)) / 2
        yield Case(
            {
                "total": titrations(total),
                "iron2": {
                    "titrations": titrations(iron2),
                    "titrant": {"electrons": 6, "concentration": 0.016667, "u": 3.5e-6},
                    "burette": {"resolution": "0.02", "capacity": "50.00"},
                    "portion": {
                        "pipette": {"ml": 10, "u_ml": 0.01},
                        "dilution": [{"flask": {"ml": 250, "u_ml": 0.08}}],
                        "aliquot": {"ml": 25, "u_ml": 0.015},
                    },
                    "sigma_r_ml": 0.02,
                },
            },
            {"result.value": (factor * difference).n},
        )
