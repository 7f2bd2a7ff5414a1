"""Checks a bundle with nothing but the standard library and the pages openapi/PROOF.md and openapi/WORKING.md (workings.py).

Usage: python3 proof.py FILE KEY [-]   KEY: fingerprint of the log's key. With - further files are read from standard input, as
lines "position byte" that change one byte of FILE; for each it prints 1 where the changed file is accepted. Exit code 0: proved.
"""

import base64
import hashlib
import json
import math
import pathlib
import re
import statistics
import sys
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal

import ed25519
import workings
from jcs import canonical

class Refused(Exception):
    """What does not hold."""

def need(holds, why):
    if not holds:
        raise Refused(why)

def b64(text):
    data = base64.b64decode(text, validate=True)
    need(base64.b64encode(data).decode() == text, "base64 is not in its one spelling")
    return data

def read_key(text, kind):
    name, key_id, key = text.split("+", 2)
    data = b64(key)
    need(len(data) == 33 and data[0] == kind, "a key is of another kind")
    digest = hashlib.sha256(name.encode() + b"\n" + data).digest()
    need(digest[:4].hex() == key_id and not re.search(r"\s", name) and name, "a key has another id")
    return name, digest[:4], data[1:]

def head(log, fingerprint):
    """Size and root, once every signature holds."""
    key = read_key(log["key"], 1)
    need(hashlib.sha256(key[2]).hexdigest() == fingerprint, "the key is not the one that was brought")
    witnesses = [read_key(text, 4) for text in log["witnesses"]]
    need(len({w[:2] for w in witnesses}) == len(witnesses) and all(w[2] != key[2] for w in witnesses), "a witness stands there twice")
    text, _, lines = log["checkpoint"].rpartition("\n\n")
    need(lines.endswith("\n") and not re.search(r"[\x00-\x09\x0b-\x1f]", log["checkpoint"]), "the head is no note")
    text, lines = (text + "\n").encode(), lines[:-1].split("\n")
    for at, ((name, key_id, public), line) in enumerate(zip([key, *witnesses], lines, strict=True)):
        dash, by, data = line.split(" ")
        data = b64(data)
        need((dash, by, data[:4]) == ("\u2014", name, key_id), "a line of signature is by somebody else")
        if at == 0:
            need(ed25519.holds(public, text, data[4:]), "a signature does not hold")
        else:
            time = int.from_bytes(data[4:12], "big")
            need(ed25519.holds(public, b"cosignature/v1\ntime %d\n" % time + text, data[12:]), "a countersignature does not hold")
    origin, size, root = text.decode()[:-1].split("\n")
    need(origin == key[0] and str(int(size)) == size, "the head is of another log")
    return int(size), b64(root)

def sha(*parts):
    return hashlib.sha256(b"".join(parts)).digest()

def root_of(size, leaves, nodes):
    """The root that leaves (place and hash) and nodes lead to."""
    nodes = iter(nodes)

    def walk(start, n, part):
        if not part:
            return next(nodes)
        if n == 1:
            return part[0][1]
        middle = 1 << (n - 1).bit_length() - 1
        left = [leaf for leaf in part if leaf[0] < start + middle]
        return sha(b"\1", walk(start, middle, left), walk(start + middle, n - middle, part[len(left):]))

    need(all(a[0] < b[0] for a, b in zip(leaves, leaves[1:])) and 0 <= leaves[0][0] and leaves[-1][0] < size, "leaves are out of order")
    found = walk(0, size, leaves)
    need(next(nodes, None) is None, "the proof has nodes too many")
    return found

def read_event(text):
    first, _, body = text.partition("\n")
    need(first == "ferrotitre audit event 1", "an event does not begin as one")
    event = json.loads(body)
    # Digits of numbers are the record: they stay text here.
    row = json.loads(event["after_row"], parse_float=str, parse_int=str) if event["after_row"] else {}
    return event, row

def numbers(value):
    """Every number in a value, in or outside quotes, with its digits."""
    return re.findall(r"[0-9.eE+-]*[0-9][0-9.eE+-]*", json.dumps(value, ensure_ascii=False))

def double(text):
    return float(text) if re.fullmatch(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?", text) else math.nan

def leaves_hold(graph, rows):
    for node in graph["nodes"]:
        fact = node.get("fact")
        if fact is None:
            continue
        of = [row for (kind, row_id), (_, row) in rows.items() if kind == fact["kind"] and fact["id"] in (row_id, row.get("code"))]
        need(of, f"{node.get('symbol')} comes from a row that is not there")
        found = [number for row in of for number in numbers(row.get(fact["field"]))]
        if fact["field"] == "expanded_uncertainty":
            found = [repr(double(row[fact["field"]]) / double(row["coverage_factor"])) for row in of if row.get(fact["field"]) is not None]
        holds = node["entered"] in found if "entered" in node else any(double(one) == node["value"] for one in found)
        need(holds or all(row.get(fact["field"]) is None for row in of), f"{node.get('symbol')} is not what its row says")
    for table in graph.get("tables", []):
        fields = ({double(one) for one in numbers(field)} for _, row in rows.values() for field in row.values())
        need(any(all(x in field for pair in table for x in pair) for field in fields), "a table stands in no row")

def rounded(value, expanded, ties):
    place = Decimal(1).scaleb(Decimal(repr(expanded)).adjusted() - 1)
    u = Decimal(repr(expanded)).quantize(place, ties)
    if u.adjusted() > Decimal(repr(expanded)).adjusted():
        place = place.scaleb(1)
        u = Decimal(repr(expanded)).quantize(place, ties)
    value = Decimal(repr(value)).quantize(place, ties)
    return f"{abs(value) if value == 0 else value:f}", f"{u:f}"

def signatures(thing, rows):
    """Signatures on a thing, oldest first, each by the account that acted."""
    signs = [(event, row) for event, row in rows.values() if event["entity_kind"] == "sign_offs" and row["entity_id"] == thing]
    need(all(event["actor"] == row["recorded_by"] for event, row in signs), "a signature is in another name")
    return signs

def figure_holds(figure, rows):
    graph, printed = figure["graph"], figure["printed"]
    need((graph["kind"], graph["id"]) == (figure["kind"], figure["id"]), "the working is of something else")
    workings.check(graph)
    leaves_hold(graph, rows)
    result = graph["result"]
    if printed is not None:
        both = [rounded(result["value"], result["u"] * printed["coverage_factor"], ties) for ties in (ROUND_HALF_EVEN, ROUND_HALF_UP)]
        need((printed["value"], printed["expanded_uncertainty"]) in both and printed["unit"] == result["unit"], "it does not round to what is printed")
        need(printed["text"].startswith("<") if printed["below_loq"] else printed["text"] == printed["value"], "its text is another")
    # Rows stand in the order of their leaves.
    of = [(event, row) for event, row in rows.values() if row.get("entity_id") == figure["signed"]]
    signs = signatures(figure["signed"], rows)
    freezing = [one for one in signs if one[1]["evaluation"] and one[1]["meaning"] not in ("rejected", "witnessed")]
    if not freezing:
        return
    row = freezing[-1][1]
    later = of[of.index(freezing[-1]) + 1:]
    if figure["kind"] == "study_statistic" or any(e["entity_kind"] == "state_moves" and r["to_state"] in ("amended", "returned") for e, r in later):
        return
    kept = json.loads(row["evaluation"])
    one = {"value": kept.get("value", kept.get("concentration")), "u": kept.get("u"), "unit": result["unit"]}
    mine = (result["value"], result["u"], result["unit"])
    need(mine in [(f["value"], f["u"], f["unit"]) for f in kept.get("figures", [one])], "it is not what was signed")
    if printed is not None:
        reported = kept["reported"]
        need((reported["text"], reported["expanded_uncertainty"]) == (printed["text"], printed["expanded_uncertainty"]), "what is printed was not signed")
    same = [sign["id"] for _, sign in signs if sign["content_digest"] == row["content_digest"]]
    for event, pins in rows.values():
        if event["entity_kind"] == "pins" and pins["sign_off_id"] in same:
            need(all(pin in rows for pin in zip(pins["kinds"], pins["row_ids"])), "a row that was signed is not there")

def certificate_holds(content, rows):
    """Each version says what its digest is of, and states what was signed."""
    versions = [row for (kind, _), (_, row) in rows.items() if kind == "certificates" and row["record_id"] == content["subject"]]
    for version in versions:
        document = json.loads(version["document"])
        need(sha(b"ferrotitre certificate 1\n", version["document"].encode()).hex() == version["content_digest"], "a certificate does not say what its digest is of")
        need((document["number"], str(document["issue"])) == (content["code"], version["issue"]), "a document is of another number or issue")
        certified = [row for (kind, _), (_, row) in rows.items() if kind == "certificate_results" and row["certificate_id"] == version["id"]]
        for row, stated in zip(sorted(certified, key=lambda row: int(row["position"])), document["results"], strict=True):
            event, sign = rows["sign_offs", row["sign_off_id"]]
            need(event["actor"] == sign["recorded_by"] and sign["meaning"] not in ("rejected", "witnessed"), "it is certified under no signature")
            need((sign["entity_id"], rows[row["result_kind"], row["result_id"]][1]["code"]) == (row["result_id"], stated["code"]), "it is certified under another signature")
            said = json.loads(sign["evaluation"])["reported"]
            signed_as = [said["text"], said["expanded_uncertainty"], said["unit"], f"{said['coverage_factor']:.2f}"]
            need([stated[field] for field in ("value", "expanded_uncertainty", "unit", "coverage_factor")] == signed_as, "a certificate states what was not signed")
        over = {row["content_digest"] for _, row in signatures(version["id"], rows)}
        need(over <= {version["content_digest"]}, "a signature on a certificate is over something else")

def baseline_holds(phase, values):
    """Limits of single points from the points, whatever a working says (1.128: mean range of two over sigma)."""
    steps = [abs(b - a) for a, b in zip(values, values[1:])]
    s = statistics.fmean(steps) / (2 / math.sqrt(math.pi)) if phase["spread"] == "moving range" else statistics.stdev(values)
    need(math.isclose(s, float(phase["s"]), rel_tol=1e-9), "a standard deviation is not that of its points")
    need(phase["origin"] != "baseline" or math.isclose(statistics.fmean(values), float(phase["centre"]), rel_tol=1e-9), "a centre line is not that of its points")

def chart_holds(content, rows):
    """Every point is there, and each phase's limits follow from the points of its baseline."""
    def of(table, field, value):
        return [row for (kind, _), (_, row) in rows.items() if kind == table and row[field] == value]

    points = of("control_values", "chart_id", content["subject"])
    need(sorted(int(row["position"]) for row in points) == list(range(1, len(points) + 1)), "a point is not there")
    quantity = rows["control_charts", content["subject"]][1]["quantity"]
    for phase in of("chart_phases", "chart_id", content["subject"]):
        name = "s" if quantity != "discarded reductions" else None
        wanted = {"centre" if phase["origin"] == "baseline" else None, name} - {None} if phase["n"] is not None else set()
        used = {row["value_id"] for row in of("chart_baseline_points", "phase_id", phase["id"]) if not row["excluded"]}
        if phase["n"] is not None and quantity not in ("discarded reductions", "range"):
            baseline_holds(phase, [float(row["value"]) for row in sorted(points, key=lambda row: int(row["position"])) if row["id"] in used])
        for figure in (figure for figure in content["figures"] if figure["id"] == phase["id"]):
            nodes = figure["graph"]["nodes"]
            field = {"centre": "centre", "chart_deviation": "s"}[nodes[-1]["quantity"]]
            need({node["fact"]["id"] for node in nodes if "fact" in node} == used, "a limit is not of its baseline")
            need(math.isclose(figure["graph"]["result"]["value"], float(phase[field]), rel_tol=1e-9), "a limit is another")
            wanted.discard(field)
        need(not wanted, "a limit has no working")
        for field, k in ("lower_action", -3), ("lower_warning", -2), ("upper_warning", 2), ("upper_action", 3):
            if phase["s"] is not None and phase[field] is not None:
                centre, s = float(phase["centre"]), float(phase["s"])
                need(abs(centre + k * s - float(phase[field])) <= 1e-9 * (abs(centre) + 3 * s), "a line is elsewhere")
        signatures(phase["id"], rows)

def study_holds(content, rows):
    """Each conclusion is signed with its answers; these rest on all data of their time, and statistics on data that count."""
    order = list(rows)
    for (kind, thing), (_, row) in rows.items():
        authored = [sign for _, sign in signatures(thing, rows) if sign["meaning"] == "authored"]
        if kind != "validation_conclusions" or row["study_id"] != content["subject"] or not authored:
            continue
        fit = "true" if row["fit"] else "false"
        said = f"ferrotitre validation conclusion 1\n{thing} {row['study_id']} {row['number']} {fit}\n{row['words']}\n" \
            f"{row['validated_low']} {row['validated_high']} {row['unit']}\n{row['matrix']}\n{row['limitations']}\n{authored[0]['evaluation']}\n"
        digest = sha(said.encode()).hex()
        need(all(sign["content_digest"] == digest for _, sign in signatures(thing, rows)), "a signature is over something else")
        before = [rows[key][1] for key in order[:order.index(("sign_offs", authored[0]["id"]))] if key[0] == "validation_data"]
        for answer in json.loads(authored[0]["evaluation"]):
            inputs = {one["datum"]: one for one in answer["inputs"]["rows"]}
            own = {datum["id"]: datum["value"] for datum in before if datum["characteristic_id"] == answer["characteristic"]}
            need({datum: one["cells"][0] for datum, one in inputs.items()} == own, "answers rest on other data")
            counts = {datum for datum, one in inputs.items() if not (one["excluded"] or {}).get("holds")}
            for graph in (figure["graph"] for figure in content["figures"] if (figure["signed"], figure["id"]) == (thing, answer["characteristic"])):
                facts = [node["fact"] for node in graph["nodes"] if "fact" in node]
                need({fact["id"] for fact in facts if fact["kind"] == "validation_data"} <= counts, "a datum does not count")
                same = [one for one in answer["statistics"] if one["name"] == graph["nodes"][-1]["quantity"]]
                near = 1e-14 * max((abs(node["value"]) for node in graph["nodes"] if "fact" in node), default=0)
                off = [abs(one["value"] - graph["result"]["value"]) - 1e-9 * abs(one["value"]) for one in same]
                need(any(one <= near for one in off), "a statistic is another")

SUBJECTS = {"certificate": certificate_holds, "control_chart": chart_holds, "validation_study": study_holds}

def gone_of(events, things):
    """What is in force no longer, by the last move of each thing."""
    last = {row["entity_id"]: row["to_state"] for event, row in events if event["entity_kind"] == "state_moves"}
    over = {"invalidated", "cancelled", "withdrawn", "rejected", "failed", "expired"}
    return "".join(f"; {thing} NO LONGER IN FORCE: {last[thing]}" for thing in sorted(things) if last.get(thing) in over)

def check(data, fingerprint):
    """Checks the bytes of a bundle; a sentence."""
    text = data.decode()
    bundle = json.loads(text)
    need(canonical(bundle) == text, "the file is not in its canonical form")
    content, log = bundle["content"], bundle["log"]
    need(set(bundle) == {"content", "format", "log"} and bundle["format"] == "ferrotitre bundle 1", "it is of another form")
    need(set(content) == {"code", "events", "figures", "kind", "service", "subject"}, "content has other fields")
    need(set(log) == {"checkpoint", "export", "key", "leaves", "proof", "witnesses"} and set(log["export"]) == {"event", "leaf"}, "log has other fields")
    size, root = head(log, fingerprint)
    texts = [*content["events"], log["export"]["event"]]
    places = [*log["leaves"], log["export"]["leaf"]]
    leaves = [(place, sha(b"\0", text.encode())) for place, text in zip(places, texts, strict=True)]
    need(root_of(size, leaves, [b64(node) for node in log["proof"]]) == root, "the events do not lead to the root")
    event, row = read_event(log["export"]["event"])
    digest = hashlib.sha256(canonical(content).encode()).hexdigest()
    need((event["entity_kind"], row["format"], row["digest"]) == ("exports", "bundle", digest), "the content is not what was handed out")
    events = [read_event(text) for text in content["events"]]
    rows = {(event["entity_kind"], event["entity_id"]): (event, row) for event, row in events}
    of_rows = [(event["entity_kind"], event["entity_id"]) for event, _ in events if event["entity_id"]]
    need(len(set(of_rows)) == len(of_rows), "two events say what one row is")
    if content["kind"] == "period":
        gaps = log["leaves"] and log["leaves"][-1] - log["leaves"][0] + 1 != len(log["leaves"])
        need(not (gaps or content["figures"] or content["subject"]), "a period has gaps, figures or a subject")
    else:
        need(content["kind"] in ("determination", "iron_result", "titrant", *SUBJECTS), "a bundle of another kind")
        _, subject = rows[(re.sub("y$", "ie", content["kind"]) + "s", content["subject"])]
        need(subject.get("code", subject.get("number", content["code"])) == content["code"], "the subject is called otherwise")
        SUBJECTS.get(content["kind"], lambda *_: None)(content, rows)
    for figure in content["figures"]:
        figure_holds(figure, rows)
    gone = gone_of(events, {content["subject"], *(figure["signed"] for figure in content["figures"])})
    return f"proved: {content['code']}, {len(events)} events, {len(content['figures'])} figures, head over {size} events{gone}"

def accepts(data, fingerprint):
    try:
        return check(data, fingerprint)
    except (Refused, workings.Wrong, ValueError, LookupError, TypeError, AttributeError, StopIteration, ArithmeticError) as error:
        return Refused(error)

def main():
    data = pathlib.Path(sys.argv[1]).read_bytes()
    if len(sys.argv) > 3:
        for line in sys.stdin:
            at, byte = map(int, line.split())
            print(int(isinstance(accepts(data[:at] + bytes([byte]) + data[at + 1:], sys.argv[2]), str)), flush=True)
        return
    print(outcome if isinstance(outcome := accepts(data, sys.argv[2]), str) else f"not proved: {outcome}")
    sys.exit(0 if isinstance(outcome, str) else 1)

if __name__ == "__main__":
    main()
