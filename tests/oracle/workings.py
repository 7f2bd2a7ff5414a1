"""Reads workings in the open form of openapi/WORKING.md and computes every one of them again.

Usage: python3 workings.py FILE, one graph in JSON on each line. The standard library is all it needs, and that page is all it
knows: values from the leaves on, derivatives forwards (the service goes backwards), u from them. Prints how many of each kind
it computed and the largest relative deviation of a value and of a u; fails above 1e-12.
"""

import json
import math
import statistics
import sys
from collections import Counter
from decimal import Decimal
from functools import reduce
from operator import add

LIMIT = 1e-12


class Wrong(Exception):
    """A working that does not say what its page says it must, or whose numbers do not follow from each other."""


def interpolate(table, x):
    """Value and slope of the segment that holds x; a point of the table belongs to the segment below it."""
    for (x0, y0), (x1, y1) in zip(table, table[1:]):
        if x0 <= x <= x1:
            slope = (y1 - y0) / (x1 - x0)
            return y0 + slope * (x - x0), slope
    raise Wrong(f"{x} lies outside its table")


def middle(values):
    """Places of the one or two values in the middle."""
    order = sorted(range(len(values)), key=lambda at: values[at])
    return order[(len(values) - 1) // 2], order[len(values) // 2]


def compute(node, x, tables):
    """Value of a node and its partial derivative to each operand."""
    op, n = node["op"], len(x)
    if op == "sum":
        return reduce(add, x), [1.0] * n
    if op == "difference":
        return x[0] - x[1], [1.0, -1.0]
    if op == "product":
        return math.prod(x), [math.prod(x[:at] + x[at + 1 :]) for at in range(n)]
    if op == "quotient":
        return x[0] / x[1], [1.0 / x[1], -x[0] / x[1] ** 2]
    if op == "square root":
        root = math.sqrt(x[0])
        return root, [0.5 / root if root else math.inf]
    if op == "largest":
        at = x.index(max(x))
        return x[at], [float(other == at) for other in range(n)]
    if op == "mean":
        return reduce(add, x) / n, [1.0 / n] * n
    if op == "median":
        low, high = middle(x)
        return (x[low] + x[high]) / 2, [(float(at == low) + float(at == high)) / 2 for at in range(n)]
    if op == "sample standard deviation":
        s, mean = statistics.stdev(x), statistics.fmean(x)
        return s, [(value - mean) / ((n - 1) * s) if s else math.inf for value in x]
    if op == "interpolation":
        value, slope = interpolate(tables[node["table"]], x[0])
        return value, [slope]
    raise Wrong(f"the operation {op} is none of those of the page")


def exactly(node, operands):
    """Sums and differences of entered digits are computed on the decimals."""
    if any(operand is None for operand in operands) or not operands:
        return None
    if node["op"] == "sum":
        return sum(operands)
    return operands[0] - operands[1] if node["op"] == "difference" else None


def deviation(found, stated, what):
    """Relative deviation of what was found."""
    if found == stated:
        return 0.0
    relative = abs(found - stated) / abs(stated) if stated else math.inf
    # Differences near zero are as exact as the numbers they are made of, some 1e-15.
    if relative > LIMIT and abs(found - stated) > 2e-15:
        raise Wrong(f"{what}: {found!r} where the working says {stated!r}")
    return min(relative, LIMIT)


def check(graph):
    """Computes a working again; the largest deviations of a value and of a u."""
    if graph["format"] != "ferrotitre working 1":
        raise Wrong(f"the form is {graph['format']}")
    values, decimals, gradients, inputs = [], [], [], {}
    worst, worst_u = 0.0, 0.0
    for place, node in enumerate(graph["nodes"]):
        name = f"node {place} {node.get('symbol', '')}"
        if node["id"] != place or any(operand >= place for operand in node.get("operands", [])):
            raise Wrong(f"{name}: out of order")
        if "op" not in node:
            if "quantity" in node and not ("fact" in node or "source" in node):
                raise Wrong(f"{name}: neither a record nor a source states it")
            decimals.append(Decimal(node["entered"]) if "entered" in node else None)
            values.append(float(node.get("entered", node["value"])))
            gradients.append({})
        else:
            operands = node["operands"]
            value, partials = compute(node, [values[at] for at in operands], graph.get("tables", []))
            decimals.append(exactly(node, [decimals[at] for at in operands]))
            values.append(value if decimals[-1] is None else float(decimals[-1]))
            gradient = Counter()
            for at, partial in zip(operands, partials):
                for identity, slope in gradients[at].items():
                    gradient[identity] += partial * slope
            gradients.append(gradient)
        worst = max(worst, deviation(values[place], node["value"], name))
        if "input" in node:
            # What is below an input acts through its own uncertainty.
            inputs[node["input"]["id"]] = values[node["input"]["u"]]
            gradients[place] = {node["input"]["id"]: 1.0}
        if "u" in node:
            u = math.sqrt(math.fsum((slope * inputs[identity]) ** 2 for identity, slope in gradients[place].items()))
            worst_u = max(worst_u, deviation(u, node["u"], f"u of {name}"))
    result = graph["result"]
    if result["node"] != len(values) - 1:
        raise Wrong("the result is not the last node")
    deviation(values[-1], result["value"], "result")
    u = math.sqrt(math.fsum((slope * inputs[identity]) ** 2 for identity, slope in gradients[-1].items()))
    return worst, max(worst_u, deviation(u, result["u"], "u of the result"))


def main():
    kinds, nodes, worst, worst_u, wrong = Counter(), 0, 0.0, 0.0, 0
    with open(sys.argv[1], encoding="utf-8") as lines:
        for line in lines:
            graph = json.loads(line)
            try:
                found = check(graph)
            except (Wrong, KeyError, IndexError) as error:
                wrong += 1
                print(f"{graph.get('kind')} {graph.get('id')}: {error}", file=sys.stderr)
                continue
            worst, worst_u = max(worst, found[0]), max(worst_u, found[1])
            kinds[graph["kind"]] += 1
            nodes += len(graph["nodes"])
    for kind, count in sorted(kinds.items()):
        print(f"{kind} {count}")
    print(f"{nodes} nodes; largest deviation of a value {worst:.1e}, of a u {worst_u:.1e}; {wrong} wrong")
    sys.exit(1 if wrong or not kinds else 0)


if __name__ == "__main__":
    main()
