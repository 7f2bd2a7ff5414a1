"""Ed25519 as RFC 8032, section 5.1, has it: whether a signature holds, with nothing but the standard library."""

import hashlib

P = 2**255 - 19
L = 2**252 + 27742317777372353535851937790883648493
D = -121665 * pow(121666, P - 2, P) % P

def plus(p, q):
    a, b = (p[1] - p[0]) * (q[1] - q[0]) % P, (p[1] + p[0]) * (q[1] + q[0]) % P
    c, d = 2 * p[3] * q[3] * D % P, 2 * p[2] * q[2] % P
    e, f, g, h = b - a, d - c, d + c, b + a
    return e * f % P, g * h % P, f * g % P, e * h % P

def times(n, p):
    q = (0, 1, 1, 0)
    while n:
        q = plus(q, p) if n & 1 else q
        p, n = plus(p, p), n >> 1
    return q

def point(data):
    y, sign = int.from_bytes(data, "little") & (1 << 255) - 1, data[31] >> 7
    if y >= P:
        raise ValueError("a point of a key is none")
    x2 = (y * y - 1) * pow(D * y * y + 1, P - 2, P) % P
    x = pow(x2, (P + 3) // 8, P)
    if (x * x - x2) % P:
        x = x * pow(2, (P - 1) // 4, P) % P
    if (x * x - x2) % P or (sign and not x):
        raise ValueError("a point of a key is none")
    x = P - x if x & 1 != sign else x
    return x, y, 1, x * y % P

BASE = point((4 * pow(5, P - 2, P) % P).to_bytes(32, "little"))

def holds(key, text, signature):
    """Whether a signature on a text is that of a public key."""
    s = int.from_bytes(signature[32:], "little")
    if len(signature) != 64 or s >= L:
        return False
    k = int.from_bytes(hashlib.sha512(signature[:32] + key + text).digest(), "little") % L
    left, right = times(s, BASE), plus(point(signature[:32]), times(k, point(key)))
    return all((left[i] * right[2] - right[i] * left[2]) % P == 0 for i in (0, 1))
