"""Feeds random inputs to `ferrotitre calc` and compares its answers with independent computations."""

import json
import math
import os
import random
import subprocess
import time

PROGRAM = os.environ.get("FERROTITRE", "target/debug/ferrotitre")

CHECKS = []


class Case:
    """An input and the figures expected of it: path in the answer to value, or to (value, scale of its error)."""

    def __init__(self, given, expected):
        self.given = given
        self.expected = expected


def check(subject, digits, reference):
    """Registers a function that yields cases of a subject, with the least digits of agreement asked for."""

    def register(cases):
        CHECKS.append((subject, digits, reference, cases))
        return cases

    return register


def calc(subject, inputs):
    """Answers of the program, one per input; all in one process."""
    lines = "".join(json.dumps(given) + "\n" for given in inputs)
    done = subprocess.run([PROGRAM, "calc", subject, "--lines"], input=lines, capture_output=True, text=True, check=False)
    answers = [json.loads(line) for line in done.stdout.splitlines()]
    if len(answers) != len(inputs):
        raise SystemExit(f"{subject}: {len(answers)} answers to {len(inputs)} inputs: {done.stderr}")
    return answers


def at(answer, path):
    """Value at a path such as result.line.slope.estimate or result.points.0.z."""
    for part in path.split("."):
        answer = answer[int(part)] if isinstance(answer, list) else answer[part]
    return answer


def agreement(found, expected, scale=None):
    """Significant digits in which two numbers agree, 16 at most; texts, truths and lists agree or do not."""
    if isinstance(expected, (str, bool, list)) or expected is None:
        return 16.0 if found == expected else 0.0
    if not isinstance(found, (int, float)):
        return 0.0
    error = abs(found - float(expected))
    size = abs(float(expected)) if scale is None else abs(scale)
    if error == 0.0:
        return 16.0
    return max(0.0, min(16.0, -math.log10(error / size))) if size > 0.0 else 0.0


def run(names):
    """Runs the checks and prints a line each; false if one agrees in too few digits."""
    good, total, started = True, 0, time.monotonic()
    print(f"{'subject':<22}{'cases':>7}{'figures':>9}{'least digits':>14}{'asked':>7}   against")
    for subject, asked, reference, cases in CHECKS:
        if names and subject not in names:
            continue
        random.seed(20261125)
        listed = list(cases())
        least, worst, figures = 99.0, None, 0
        for case, answer in zip(listed, calc(subject, [case.given for case in listed])):
            if "problem" in answer:
                least, worst = 0.0, (case.given, answer["problem"])
                break
            for path, expected in case.expected.items():
                value, scale = expected if isinstance(expected, tuple) else (expected, None)
                found = at(answer, path)
                digits = agreement(found, value, scale)
                figures += 1
                if digits < least:
                    least, worst = digits, (path, found, str(value), case.given)
        total += len(listed)
        mark = ""
        if least < asked:
            good, mark = False, f"   TOO FEW: {json.dumps(worst, default=str)[:600]}"
        print(f"{subject:<22}{len(listed):>7}{figures:>9}{least:>14.1f}{asked:>7}   {reference}{mark}", flush=True)
    print(f"{total} cases in {time.monotonic() - started:.0f} s")
    return good
