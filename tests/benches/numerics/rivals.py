"""The other side: the same questions to SciPy, NumPy, pandas and uncertainties, in turns with ours."""

import math
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import optimize, sparse, special, stats
from scipy.sparse.linalg import spsolve
from uncertainties import ufloat

ROUNDS = 7
DETERMINATIONS = 100_000
# The script takes minutes for all of them: it is measured on a part, and the time is scaled.
PART = 2_000


class Ours:
    """The program, kept running."""

    def __init__(self, program, files):
        self.process = subprocess.Popen([program, *map(str, files)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        if self.process.stdout.readline() != "ready\n":
            raise SystemExit("the program did not start")

    def ask(self, name, argument=0):
        self.process.stdin.write(f"{name}|{argument}\n")
        self.process.stdin.flush()
        seconds, *figures = self.process.stdout.readline().split()
        return float(seconds), [float(figure) for figure in figures]


def summary(values):
    return [values.mean(), values.std(ddof=1), stats.skew(values), stats.kurtosis(values)]


V, WV = np.polynomial.legendre.leggauss(80)
V, WV = 6.5 * (V + 1), 6.5 * WV
M, WM = np.polynomial.legendre.leggauss(80)
M, WM = 7 * M, 7 * WM


def dixon(alpha, n=10):
    """Critical value of r10 at one end: root of a vectorised double quadrature."""
    mid, wide = np.meshgrid(M, V)
    x, y = mid - wide / 2, mid + wide / 2
    base = n * (n - 1) * np.exp(-(x**2 + y**2) / 2) / (2 * np.pi)
    low = special.ndtr(x)

    def excess(r):
        return math.log(WV @ (base * (special.ndtr(y - r * wide) - low) ** (n - 2)) @ WM / alpha)

    return [optimize.brentq(excess, 1e-6, 1 - 1e-6, xtol=1e-12)]


def run_length():
    """1 beyond 3 s, 2 of 3 beyond 2 s, 10 of 11 on one side: sparse Markov chain over the histories that can occur."""
    edges = [-math.inf, -3, -2, 0, 2, 3, math.inf]
    p = np.diff(stats.norm.cdf(edges))
    states, rows, columns, masses = {((), ()): 0}, [], [], []
    waiting = [((), ())]
    while waiting:
        state = waiting.pop()
        warned, sides = state
        for zone in (1, 2, 3, 4):
            side = 1 if zone >= 3 else -1
            warning = side if zone in (1, 4) else 0
            if warning and warning in warned:
                continue
            if (*sides, side).count(side) >= 10:
                continue
            following = ((*warned, warning)[-2:], (*sides, side)[-10:])
            if following not in states:
                states[following] = len(states)
                waiting.append(following)
            rows.append(states[state])
            columns.append(states[following])
            masses.append(p[zone])
    size = len(states)
    matrix = sparse.identity(size, format="csc") - sparse.csc_matrix((masses, (rows, columns)), shape=(size, size))
    return [float(spsolve(matrix, np.ones(size))[0])]


def anova(groups):
    k, r = groups.shape
    means = groups.mean(axis=1)
    between = r * ((means - means.mean()) ** 2).sum() / (k - 1)
    within = ((groups - means[:, None]) ** 2).sum() / (k * (r - 1))
    f = between / within
    stats.f.sf(f, k - 1, k * (r - 1))
    return [f]


DRAW = np.random.default_rng(1)


def monte_carlo(trials=1_000_000):
    def normal(value, u):
        return DRAW.normal(value, u, trials)

    y = 6 * normal(0.016667, 3.5e-6) * normal(55.845, 0.001155) * normal(10, 0.0075) * (normal(23.18, 0.02) - normal(21.46, 0.02)) / normal(10, 0.01)
    mean, u = y.mean(), y.std(ddof=1)
    y.sort()
    covered = int(0.95 * trials + 0.5)
    widths = y[covered:] - y[: trials - covered]
    at = int(widths.argmin())
    return [mean, u, y[at], y[at + covered]]


def evaluations(table):
    """The same figures for every row: statistics over the whole table, one variable per source of uncertainty in each row."""
    titres = table.astype(float)
    x = np.sort(titres.to_numpy(), axis=1)
    mean, sd, spread = x.mean(axis=1), x.std(axis=1, ddof=1), x[:, 2] - x[:, 0]
    half = stats.t.isf(0.025, 2) * sd / math.sqrt(3)
    with np.errstate(divide="ignore", invalid="ignore"):
        dixon_ratio = np.maximum(x[:, 2] - x[:, 1], x[:, 1] - x[:, 0]) / spread
        grubbs = np.maximum(x[:, 2] - mean, mean - x[:, 0]) / sd
        p = 2 * 3 * stats.t.sf(np.sqrt(3 * grubbs**2 / np.maximum(4 - 3 * grubbs**2, 1e-12)), 1)
    found = titres.assign(mean=mean, sd=sd, low=mean - half, high=mean + half, range=spread, concordant=spread <= 0.1, dixon=dixon_ratio, grubbs=grubbs, p=p)

    def content(row):
        scatter = max(0.03, 0.02 / math.sqrt(6)) / math.sqrt(3)
        titre = (row.first + row.second + row.third) / 3 + ufloat(0, scatter) + ufloat(0, 0.012) + ufloat(0, 0.01)
        c, molar = ufloat(1 / 60, 2e-6), ufloat(55.845, 0.002 / math.sqrt(3))
        moles = 6 * c * titre * ufloat(250, 0.08) / (ufloat(25, 0.015) * ufloat(10, 0.01))
        figures = [moles]
        for oxide in (1.0, 1.2864893902766585, 1.429734085414988):
            grams = moles * molar * oxide
            figures += [grams, 1000 * grams]
        pairs = [(figure.n, figure.s) for figure in figures]
        expanded = ufloat(pairs[1][0], 2 * pairs[1][1])
        return f"{expanded:.2u}", pairs[1][0], pairs[1][1]

    contents = pd.DataFrame([content(row) for row in titres.itertuples()], columns=["reported", "value", "u"])
    found = pd.concat([found, contents], axis=1)
    return [found["value"].sum(), found["u"].sum()]


def digits(ours, rivals):
    """Digits in which the least agreeing figure agrees."""
    return min(16.0 if a == b else -math.log10(abs(a - b) / max(abs(b), 1e-3)) for a, b in zip(ours, rivals))


def main(program):
    draw = np.random.default_rng(20261125)
    values = draw.normal(52.3, 0.05, 1_000_000)
    groups = draw.normal(52.3, 0.05, (100_000, 1)) + draw.normal(0, 0.03, (100_000, 3))
    centre = 20 + 0.02 * draw.integers(0, 200, DETERMINATIONS)[:, None]
    readings = centre + 0.02 * draw.integers(0, 4, (DETERMINATIONS, 3))
    table = pd.DataFrame([[f"{v:.2f}" for v in row] for row in readings], columns=["first", "second", "third"])
    with tempfile.TemporaryDirectory() as folder:
        files = [Path(folder) / name for name in ("values", "groups", "readings")]
        values.tofile(files[0])
        groups.tofile(files[1])
        table.to_csv(files[2], header=False, index=False)
        ours = Ours(program, files)
    levels = iter(draw.uniform(0.02, 0.06, 100))
    part = table.head(PART)
    rows = [
        ("summary of 1e6 values", "NumPy, SciPy", lambda: ("summary", 0), lambda _: summary(values), 1),
        ("Dixon critical value, cold", "NumPy, SciPy", lambda: ("dixon", next(levels)), lambda level: dixon(level), 1),
        ("average run length, 3 rules", "SciPy sparse", lambda: ("run length", 0), lambda _: run_length(), 1),
        ("ANOVA, 1e5 groups of 3", "NumPy", lambda: ("anova", 0), lambda _: anova(groups), 1),
        ("Monte Carlo, 1e6, 1 thread", "NumPy", lambda: ("monte carlo", 1), lambda _: monte_carlo(), 1),
        ("Monte Carlo, 1e6, 2 threads", "NumPy", lambda: ("monte carlo", 2), lambda _: monte_carlo(), 1),
        ("1e5 determinations", "pandas, uncertainties", lambda: ("evaluations", 0), lambda _: evaluations(part), DETERMINATIONS / PART),
    ]
    print(f"{'':<30}{'ours, ms':>12}{'theirs, ms':>12}{'times':>8}{'digits':>8}   theirs")
    for title, rival, demand, answer, scale in rows:
        mine, theirs, agreed = [], [], 16.0
        for round_number in range(ROUNDS + 1):
            name, argument = demand()
            seconds, figures = ours.ask(name, argument)
            started = time.perf_counter()
            found = answer(argument)
            elapsed = (time.perf_counter() - started) * scale
            if scale != 1:
                _, figures = ours.ask("first evaluations", PART)
            agreed = min(agreed, digits(figures, found))
            # The first round warms both up.
            if round_number > 0:
                mine.append(seconds)
                theirs.append(elapsed)
        a, b = statistics.median(mine), statistics.median(theirs)
        print(f"{title:<30}{1e3 * a:>12.2f}{1e3 * b:>12.2f}{b / a:>8.1f}{agreed:>8.1f}   {rival}", flush=True)


if __name__ == "__main__":
    main(sys.argv[1])
