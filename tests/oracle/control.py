"""Control charts: factors, judgement, run lengths, limits."""

import itertools
import math
import random

import numpy as np
from scipy import integrate, special, stats

from oracle import Case, check
from series import range_cdf


@check("chart-factors", 10, "quadrature with SciPy ndtr")
def factors():
    for n in list(range(2, 26)) + [50, 100]:
        def survival(w):
            return 1 - range_cdf(n, w)

        nodes, weights = np.polynomial.legendre.leggauss(60)
        w, ww = 7.5 * (nodes + 1), 7.5 * weights
        tail = np.array([survival(x) for x in w])
        d2 = float(ww @ tail)
        second = float(ww @ (2 * w * tail))
        c4 = math.sqrt(2 / (n - 1)) * math.exp(special.gammaln(n / 2) - special.gammaln((n - 1) / 2))
        yield Case({"n": n}, {"result.basic.d2": d2, "result.basic.d3": (math.sqrt(second - d2**2), 10.0), "result.basic.c4": c4})


def naive(points, rules):
    """Marks from the wording of the rules, with everything looked at again at every point."""
    marks = []
    for i in range(len(points)):
        hit = []
        for number, rule in enumerate(rules, 1):
            if "beyond" in rule:
                k, m, d, side = rule["beyond"], rule["of"], rule["sigmas"], rule["side"]
                window = points[max(0, i - m + 1) : i + 1]
                up, down = sum(z > d for z in window), sum(z < -d for z in window)
                now_up, now_down = points[i] > d, points[i] < -d
                found = {
                    "same": (now_up and up >= k) or (now_down and down >= k),
                    "any": (now_up or now_down) and up + down >= k,
                    "upper": now_up and up >= k,
                    "lower": now_down and down >= k,
                }[side]
            elif "within" in rule:
                k = rule["within"]
                found = i + 1 >= k and all(abs(z) <= rule["sigmas"] for z in points[i - k + 1 : i + 1])
            else:
                k = rule.get("steady") or rule.get("alternating")
                steps = [b - a for a, b in zip(points[i - k + 1 : i + 1], points[i - k + 2 : i + 1])] if i + 1 >= k else []
                if "steady" in rule:
                    found = bool(steps) and (all(s > 0 for s in steps) or all(s < 0 for s in steps))
                else:
                    found = bool(steps) and all(s != 0 for s in steps) and all(a * b < 0 for a, b in zip(steps, steps[1:]))
            if found:
                hit.append(number)
        if hit:
            marks.append((i + 1, hit))
    return marks


@check("chart-judgement", 16, "the wording of the rules, anew at each point")
def judgement():
    for _ in range(400):
        rules = []
        for _ in range(random.randint(1, 5)):
            m = random.randint(1, 10)
            rules.append(
                random.choice(
                    [
                        {"beyond": random.randint(max(1, m // 2), m), "of": m, "sigmas": random.choice([0, 1, 2, 3]),
                         "side": random.choice(["same", "any", "upper", "lower"])},
                        {"within": random.randint(3, 15), "sigmas": random.choice([1, 2])},
                        {"steady": random.randint(3, 7)},
                        {"alternating": random.randint(3, 14)},
                    ]
                )
            )
        points = [round(random.gauss(0.3, 1.2), 2) for _ in range(80)]
        marks = naive(points, rules)
        expected = {"result.n": 80}
        for number, (position, hit) in enumerate(marks):
            expected[f"result.marks.{number}.position"] = position
            expected[f"result.marks.{number}.rules"] = hit
        yield Case({"points": points, "rules": rules}, expected)


def chain(rules, shift):
    """Average run length over all histories of the last points' zones."""
    memory = max(rule["of"] for rule in rules) - 1
    edges = sorted({s * rule["sigmas"] for rule in rules for s in (-1, 1)})
    edges = [-math.inf, *edges, math.inf]
    zones = [(a, b, stats.norm.cdf(b - shift) - stats.norm.cdf(a - shift)) for a, b in zip(edges, edges[1:])]
    middle = [0.0 if a == -math.inf and b == math.inf else (b - 1 if a == -math.inf else (a + 1 if b == math.inf else (a + b) / 2)) for a, b, _ in zones]
    states = [h for length in range(memory + 1) for h in itertools.product(range(len(zones)), repeat=length)]
    index = {h: i for i, h in enumerate(states)}
    q = np.zeros((len(states), len(states)))
    for h in states:
        for z, (_, _, p) in enumerate(zones):
            points = [middle[k] for k in (*h, z)]
            if not any(position == len(points) for position, _ in naive(points, rules)):
                following = (*h, z)[-memory:] if memory else ()
                q[index[h], index[following]] += p
    return float(np.linalg.solve(np.eye(len(states)) - q, np.ones(len(states)))[0])


@check("run-length", 9, "closed forms; NumPy chain over all histories")
def run_length():
    for m in range(2, 11):
        yield Case({"rules": [{"beyond": m, "side": "same"}]}, {"result.average": 2.0**m - 1})
    for _ in range(30):
        limit, shift = random.uniform(2, 4), random.uniform(0, 2)
        p = stats.norm.sf(limit - shift) + stats.norm.cdf(-limit - shift)
        yield Case(
            {"rules": [{"beyond": 1, "sigmas": limit}], "shift": shift, "points": 250},
            {"result.average": 1 / p, "result.probability_of_mark": -math.expm1(250 * math.log1p(-p))},
        )
    for _ in range(25):
        rules = [{"beyond": 1, "of": 1, "sigmas": 3.0, "side": "same"}]
        rules.append({"beyond": 2, "of": 3, "sigmas": random.choice([1.5, 2.0]), "side": random.choice(["same", "any"])})
        if random.random() < 0.5:
            rules.append({"beyond": 3, "of": 4, "sigmas": 1.0, "side": "same"})
        shift = random.choice([0.0, 0.5, 1.0])
        yield Case({"rules": rules, "shift": shift}, {"result.average": chain(rules, shift)})


def ewma_length(lam, limit, shift):
    half = limit * math.sqrt(lam / (2 - lam))
    x, w = np.polynomial.legendre.leggauss(200)
    x, w = half * x, half * w
    kernel = stats.norm.pdf((x[None, :] - (1 - lam) * x[:, None]) / lam - shift) / lam * w[None, :]
    lengths = np.linalg.solve(np.eye(len(x)) - kernel, np.ones(len(x)))
    return 1 + float((stats.norm.pdf(x / lam - shift) / lam * w) @ lengths)


@check("ewma", 7, "NumPy, integral equation, 200 nodes")
def ewma():
    for _ in range(40):
        lam, limit, shift = random.uniform(0.08, 0.5), random.uniform(2, 3), random.choice([0.0, 0.5, 1.0, 2.0])
        yield Case(
            {"lambda": lam, "limit": limit, "shifts": [shift]},
            {"result.run_lengths.0.average_run_length": ewma_length(lam, limit, shift)},
        )


def cusum_length(k, h, shift):
    x, w = np.polynomial.legendre.leggauss(200)
    x, w = h / 2 * (x + 1), h / 2 * w
    n = len(x)
    matrix = np.zeros((n + 1, n + 1))
    starts = np.append(x, 0.0)
    for i, s in enumerate(starts):
        matrix[i, :n] = stats.norm.pdf(x - s + k - shift) * w
        matrix[i, n] = stats.norm.cdf(k - s - shift)
    return float(np.linalg.solve(np.eye(n + 1) - matrix, np.ones(n + 1))[n])


@check("cusum", 8, "NumPy, integral equation, 200 nodes")
def cusum():
    for _ in range(40):
        k, h, shift = random.uniform(0.2, 1), random.uniform(2, 6), random.choice([0.0, 0.5, 1.0, 2.0])
        upper, lower = cusum_length(k, h, shift), cusum_length(k, h, -shift)
        yield Case(
            {"k": k, "h": h, "shifts": [shift]},
            {
                "result.run_lengths.0.average_run_length_upper": upper,
                "result.run_lengths.0.average_run_length": 1 / (1 / upper + 1 / lower),
            },
        )


@check("proportion-limits", 11, "SciPy binomial, all counts tried")
def proportion():
    for _ in range(200):
        trials, p = random.randint(5, 300), random.uniform(0.01, 0.5)
        counts = np.arange(trials + 1)
        above, below = stats.binom.sf(counts - 1, trials, p), stats.binom.cdf(counts, trials, p)
        upper = next((int(k) for k in counts if above[k] <= 0.00135), None)
        lower = next((int(k) for k in counts[::-1] if below[k] <= 0.00135), None)
        expected = {"result.upper": upper, "result.lower": lower}
        if upper is not None:
            expected["result.upper_false_alarm"] = float(above[upper])
        yield Case({"trials": trials, "proportion": p}, expected)


@check("chart-limits", 12, "NumPy")
def limits():
    for _ in range(150):
        values = [random.gauss(52.3, 0.05) for _ in range(random.randint(5, 80))]
        centre, s = math.fsum(values) / len(values), float(np.std(np.array(values) - 52.3, ddof=1))
        yield Case(
            {"values": values},
            {"result.individuals.limits.centre": centre, "result.individuals.limits.upper_action": centre + 3 * s},
        )
        moving = math.fsum(abs(a - b) for a, b in zip(values, values[1:])) / (len(values) - 1)
        sigma = moving / (2 / math.sqrt(math.pi))
        yield Case({"values": values, "spread": "range"}, {"result.individuals.limits.lower_action": centre - 3 * sigma})


@check("process-statistics", 10, "NumPy")
def process():
    for _ in range(100):
        values = [random.gauss(52.3, 0.05) for _ in range(random.randint(5, 80))]
        shifted = np.array(values) - 52.0
        s = float(shifted.std(ddof=1))
        bias = float(shifted.mean()) - 0.25
        yield Case(
            {"values": values, "assigned": 52.25, "u_assigned": 0.02},
            {"result.long_term.s_rw": s, "result.long_term.bias": (bias, 1.0), "result.long_term.u_bias": math.sqrt(s * s / len(values) + 0.0004)},
        )


@check("budget-check", 9, "SciPy")
def budget():
    for _ in range(100):
        values = [random.gauss(118.0, 0.4) for _ in range(random.randint(8, 200))]
        u, u_assigned = random.uniform(0.2, 0.6), random.uniform(0.0, 0.2)
        assigned = 118.0 + random.uniform(-1.5, 1.5)
        shifted = np.array(values) - 118.0
        s, bias = float(shifted.std(ddof=1)), float(shifted.mean()) - (assigned - 118.0)
        freedom = len(values) - 1
        statistic, distance = freedom * s * s / (u * u), abs(bias) / math.hypot(u, u_assigned)
        yield Case(
            {"values": values, "u": u, "assigned": assigned, "u_assigned": u_assigned},
            {
                "result.held.scatter.statistic": statistic,
                "result.held.scatter.critical": float(stats.chi2.isf(0.01, freedom)),
                "result.held.scatter.p": (float(stats.chi2.sf(statistic, freedom)), 1.0),
                "result.held.bias.statistic": (distance, 1.0),
                "result.held.bias.critical": float(stats.norm.isf(0.005)),
                "result.held.bias.p": (2.0 * float(stats.norm.sf(distance)), 1.0),
                "result.held.lacking": (math.sqrt(max(s * s - u * u, 0.0)), 1.0),
            },
        )


@check("identical-titres", 9, "SciPy quad")
def identical():
    for _ in range(30):
        n, sd, step = random.randint(2, 5), random.uniform(0.01, 0.08), random.choice([0.01, 0.02, 0.05])
        h = step / sd

        # The position of the mean against the scale is taken as uniform over a step.
        def same(offset, n=n, h=h):
            k = np.arange(-int(12 / h) - 2, int(12 / h) + 3)
            mass = special.ndtr((k + 0.5) * h - offset) - special.ndtr((k - 0.5) * h - offset)
            return float((mass**n).sum())

        probability = integrate.quad(same, 0, h, epsabs=1e-13, epsrel=1e-12)[0] / h
        yield Case({"observed": 3, "sets": 40, "n": n, "sd": sd, "step": step}, {"result.probability": probability})
