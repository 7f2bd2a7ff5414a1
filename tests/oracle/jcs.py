"""The canonical form of JSON that RFC 8785 has, with nothing but the standard library."""

import json
from decimal import Decimal


def number(x):
    """A double as RFC 8785, 3.2.2.3, prints it."""
    if x == 0:
        return "0"
    sign, digits, exponent = Decimal(repr(x)).normalize().as_tuple()
    digits = "".join(map(str, digits))
    n, k, minus = len(digits) + exponent, len(digits), "-" if sign else ""
    if k <= n <= 21:
        return minus + digits + "0" * (n - k)
    if 0 < n <= 21:
        return minus + digits[:n] + "." + digits[n:]
    if -6 < n <= 0:
        return minus + "0." + "0" * -n + digits
    return f"{minus}{digits[0]}{'.' if k > 1 else ''}{digits[1:]}e{'+' if n > 0 else '-'}{abs(n - 1)}"

def canonical(value):
    """The canonical form of RFC 8785."""
    if isinstance(value, dict):
        names = sorted(value, key=lambda name: name.encode("utf-16-be"))
        return "{" + ",".join(f"{canonical(name)}:{canonical(value[name])}" for name in names) + "}"
    if isinstance(value, list):
        return "[" + ",".join(map(canonical, value)) + "]"
    if isinstance(value, float):
        return number(value)
    if not isinstance(value, (str, bool, type(None))) and abs(value) >= 2**53:
        raise ValueError("a whole number is beyond those of RFC 8785")
    return json.dumps(value, ensure_ascii=False)
