"""Asks every operation of the document, with made-up requests and with ones that lead deep, and holds each answer against it.

Usage: fuzz.py ADDRESS FILE --requests N [--seed S] [--report FILE], where FILE holds what the demo laboratory printed.
"""

import argparse
import collections
import itertools
import json
import random
import re
import sys
import time
from pathlib import Path
from typing import Any, Iterator

import requests
import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis.errors import HypothesisException
from schemathesis import GenerationMode
from schemathesis.core.failures import Failure, FailureGroup
from schemathesis.generation.drivers import CoverageGenerator
from schemathesis.generation.feedback import FeedbackSources
from schemathesis.generation.overrides import Override
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    negative_data_rejection,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

import deeds
from laboratory import PREFIX, TIMEOUT, Laboratory, Person, copied

HERE = Path(__file__).parent
# Headers that belong to HTTP itself and to browsers, not to an operation.
GENERAL = {
    "content-type", "content-length", "transfer-encoding", "date", "connection", "vary", "content-encoding", "cache-control",
    "x-content-type-options", "content-disposition", "strict-transport-security",
}
# Good questions of operations that answer nothing without one.
QUESTIONS: dict[str, list[dict[str, Any]]] = {
    "suppose": [{"standard": "@", "mass_fraction": "0.9950"}, {"without_person": "@"}, {"without_burette": "@"}],
    "export_what_if": [{"standard": "@", "mass_fraction": "0.9950", "format": "csv"}],
    "read_joint_results": [{"sample": "@"}, {"run": "@"}],
    "bundle_period": [{"from": "@-600m", "until": "@+1m"}],
    "prove_consistency": [{"older": 10, "newer": 20}],
    "read_titrant_factor_at": [{"at": "@-10m"}],
    "read_lot_step": [{"old": "@", "new": "@"}],
    "read_specification_risk": [{"mean": "119.5", "sd": "1.5", "u": "0.25"}],
    "draw_specification_risk": [{"mean": "119.5", "sd": "1.5", "u": "0.25"}],
    "draw_specification_risk_pixels": [{"mean": "119.5", "sd": "1.5", "u": "0.25"}],
}
# Where things can be moved to.
STATES = ["released", "suspended", "withdrawn", "retired", "approved", "active", "locked", "in service", "out of service", "closed", "open"]
# It has no end, so it is asked once by itself (`stream`).
ENDLESS = {"stream_alerts"}


def closed(document: dict[str, Any]) -> dict[str, Any]:
    """The document, with objects that take no property that they do not describe."""

    def close(value: Any) -> None:
        if isinstance(value, dict):
            if value.get("type") == "object" and "properties" in value:
                value.setdefault("additionalProperties", False)
            for inner in value.values():
                close(inner)
        elif isinstance(value, list):
            for inner in value:
                close(inner)

    close(document["components"]["schemas"])
    return document


def begun(answer: Any, most: int) -> str:
    """The beginning of an answer, whatever it is made of."""
    return answer.content[:most].decode(errors="replace")


class Wrong(Failure):
    """An answer that breaks a promise of ours."""

    __slots__ = ()


def wrong(operation: Any, title: str, message: str) -> Wrong:
    return Wrong(operation=operation.label, title=title, message=message)


class Fuzzer:
    """Counts, finds, and goes on."""

    def __init__(self, base: str, passwords: dict[str, str], arguments: argparse.Namespace) -> None:
        self.base, self.most, self.seed = base, arguments.requests, arguments.seed
        self.chance = random.Random(arguments.seed)
        self.document = closed(requests.get(f"{base}/api/openapi.json", timeout=TIMEOUT).json())
        schema = schemathesis.openapi.from_dict(copied(self.document))
        self.config = schema.config
        self.operations = {}
        for result in schema.get_all_operations():
            operation = result.ok()
            self.operations[operation.definition.raw["operationId"]] = operation
        self.corpus: dict[str, list[Any]] = json.loads((HERE / "corpus.json").read_text())
        self.derive()
        codes = (HERE.parent.parent / "openapi" / "README.md").read_text()
        self.codes = {(int(status), code) for status, code in re.findall(r"^\| (\d{3}) \| `(\w+)` \|", codes, re.MULTILINE)}
        self.laboratory = Laboratory(base, passwords, self.chance)
        self.sent = 0
        self.counts: dict[str, collections.Counter[str]] = collections.defaultdict(collections.Counter)
        self.refusals: dict[str, collections.Counter[str]] = collections.defaultdict(collections.Counter)
        self.slowest: list[tuple[float, str]] = []
        self.found: dict[tuple[str, str], list[str]] = collections.defaultdict(list)

    # What is asked.

    def body_of(self, name: str) -> str:
        """Name of the schema of an operation's body."""
        content = self.operations[name].definition.raw.get("requestBody", {}).get("content", {})
        return content.get("application/json", {}).get("schema", {}).get("$ref", "").rsplit("/", 1)[-1]

    def derive(self) -> None:
        """Good bodies of operations that the corpus lacks: a signature is one as any other, a correction is the whole thing again."""
        of_schema = {self.body_of(name): bodies for name, bodies in self.corpus.items()}
        for name in self.operations.keys() - self.corpus.keys():
            schema = self.body_of(name)
            if schema == "NewSignature":
                self.corpus[name] = [{"password": "password", "reason": "looked at again and agreed"}]
            elif schema == "NewMove":
                self.corpus[name] = [{"to": to, "reason": "as decided this morning"} for to in STATES]
            elif schema.startswith("Correction_") and (facts := of_schema.get(schema.removeprefix("Correction_"))):
                self.corpus[name] = [{"reason": "read off wrongly", "facts": copied(one)} for one in facts]

    def roles(self, operation: Any) -> set[str]:
        named = re.search(r"Needs the action `\w+`: ([a-z, ]+)\.", operation.definition.raw.get("description", ""))
        return set(named[1].split(", ")) if named else {"analyst", "manager"}

    def boundaries(self, operation: Any) -> list[Any]:
        """Requests at and beyond the bounds that the document names."""
        every = CoverageGenerator(
            operation=operation,
            generation_modes=[GenerationMode.POSITIVE, GenerationMode.NEGATIVE],
            generation_config=self.config.generation_for(operation=operation, phase="coverage"),
            auth_storage=None,
            override=Override(),
            feedback=FeedbackSources(),
            hooks=None,
        )
        # Methods that the path does not take are another question (`methods`).
        cases = [case for case in every if case.method == operation.method.upper()]
        self.chance.shuffle(cases)
        return cases

    def random_cases(self, operation: Any, most: int, turn: int) -> list[Any]:
        cases: list[Any] = []
        for mode in (GenerationMode.POSITIVE, GenerationMode.NEGATIVE):

            @seed(self.seed * 1000 + turn)
            @settings(max_examples=most, database=None, deadline=None, phases=[Phase.generate], suppress_health_check=list(HealthCheck))
            @given(case=operation.as_strategy(generation_mode=mode))
            def draw(case: Any) -> None:
                cases.append(case)

            try:
                draw()
            except HypothesisException:
                # An operation without any parameter has nothing that could be wrong.
                pass
        return cases

    def cases(self, operation: Any) -> Iterator[Any]:
        """Boundaries first, then random ones without end."""
        kept = self.boundaries(operation)
        yield from kept
        for turn in itertools.count():
            drawn = self.random_cases(operation, 20, turn)
            yield from drawn or kept or [operation.Case()]

    # How it is asked.

    def variants(self, name: str, operation: Any) -> Iterator[tuple[Any, Person, bool]]:
        for case in self.cases(operation):
            every = list(self.variants_of(name, operation, case))
            # Deep ones first: a run of few requests has some of each.
            yield from reversed(every)

    def variants_of(self, name: str, operation: Any, case: Any) -> Iterator[tuple[Any, Person, bool]]:
        """The request as it was made up, one of the laboratory's things, and a good one with a part of the made-up one."""
        roles = self.roles(operation)
        person = self.laboratory.with_role(roles)
        yield case, person, True
        yield self.placed(case, operation, person, self.laboratory.dressed(copied(case.body), person)), person, False
        good = self.corpus.get(name)
        person = self.laboratory.with_role(roles)
        if good:
            body = copied(self.chance.choice(good))
            if self.chance.random() < 0.4:
                self.graft(body, case.body)
            made = self.placed(case, operation, person, self.laboratory.dressed(body, person))
            if "/corrections" in operation.path and self.chance.random() < 0.5:
                self.laboratory.as_it_stands(made, person)
            yield made, person, False
        elif operation.method == "get":
            bare = self.placed(case, operation, person, case.body)
            question = self.chance.choice(QUESTIONS.get(name, [{}]))
            bare.query = {field: self.laboratory.dressed(value, person, field) for field, value in question.items()}
            yield bare, person, False

    def placed(self, case: Any, operation: Any, person: Person, body: Any) -> Any:
        parameters = dict(case.path_parameters or {})
        for parameter in operation.path_parameters:
            chosen = self.laboratory.for_path(operation.path, parameter.name)
            if chosen is not None:
                parameters[parameter.name] = chosen
        query = {
            field: self.laboratory.dressed(value, person, field) if field != "after" or self.chance.random() < 0.2 else value
            for field, value in (case.query or {}).items()
        }
        kind = case.media_type or ("application/json" if isinstance(body, (dict, list)) else None)
        return operation.Case(
            path_parameters=parameters, query=query, headers=dict(case.headers or {}), body=body, media_type=kind
        )

    def graft(self, body: Any, made_up: Any) -> None:
        """Puts one part of a made-up body in the place of the good one's."""
        if not isinstance(body, dict) or not isinstance(made_up, dict):
            return
        shared = sorted(body.keys() & made_up.keys()) or sorted(made_up.keys())
        if not shared:
            return
        field = self.chance.choice(shared)
        if isinstance(body.get(field), dict) and isinstance(made_up.get(field), dict) and self.chance.random() < 0.8:
            self.graft(body[field], made_up[field])
        else:
            body[field] = copied(made_up.get(field))

    def complete(self, operation: Any, case: Any, person: Person, raw: bool) -> dict[str, str]:
        """Token, version and idempotency key; a signature gets the digest of what it is over."""
        headers = dict(person.authorization)
        if raw and self.chance.random() < 0.05:
            # Once in a while whoever it is that the request says.
            headers = {}
        named = {parameter.name for parameter in operation.headers}
        path = case.formatted_path[len(PREFIX):] if case.path_parameters else operation.path[len(PREFIX):]
        if not raw and "If-Match" in named and self.chance.random() < 0.9:
            version = self.laboratory.version(person, path)
            if version:
                headers["If-Match"] = f'"{version}"'
        if not raw and "Idempotency-Key" in named and self.chance.random() < 0.3:
            headers["Idempotency-Key"] = f"fuzz {self.seed} {self.sent}"
        body = case.body
        if not raw and isinstance(body, dict) and "password" in body and self.chance.random() < 0.9:
            if "content_digest" in body or "reason" in body:
                digest = self.laboratory.digest(person, path)
                if digest:
                    body["content_digest"] = digest
        return headers

    def ask(self, name: str, operation: Any, case: Any, person: Person, raw: bool) -> int:
        # A wrong password makes its signer wait, so that only one person ever gives one.
        if isinstance(case.body, dict) and isinstance(case.body.get("password"), str) and person.name != "trainee-1":
            case.body["password"] = person.password
        headers = self.complete(operation, case, person, raw)
        began = time.monotonic()
        try:
            answer = case.call(base_url=self.base, session=person.session, headers=headers, timeout=TIMEOUT)
        except requests.RequestException as broken:
            self.note(name, "no answer", f"{type(broken).__name__}: {broken}", case)
            self.sent += 1
            return 0
        self.slowest = sorted([*self.slowest, (time.monotonic() - began, name)], reverse=True)[:5]
        self.held(name, operation, case, answer, raw)
        return answer.status_code

    # What is answered.

    def held(self, name: str, operation: Any, case: Any, answer: Any, raw: bool) -> None:
        """Counts an answer and holds it against the document and our promises."""
        self.sent += 1
        self.counts[name][f"{answer.status_code // 100}xx"] += 1
        checks = [status_code_conformance, content_type_conformance, response_headers_conformance, response_schema_conformance]
        if raw:
            checks.append(negative_data_rejection)
        failures: list[Failure] = []
        try:
            case.validate_response(answer, checks=checks)
        except FailureGroup as group:
            failures += group.exceptions
        except Failure as one:
            failures.append(one)
        failures += self.promises(operation, answer, name)
        for failure in failures:
            self.note(name, failure.title, failure.message, case, answer)

    def promises(self, operation: Any, answer: Any, name: str) -> Iterator[Wrong]:
        kind = (answer.headers.get("content-type") or [""])[0]
        responses = operation.definition.raw["responses"]
        documented = responses.get(str(answer.status_code)) or responses["default"]
        known = {header.lower() for header in documented.get("headers", {})} | GENERAL
        for header in sorted(set(answer.headers) - known):
            yield wrong(operation, "undocumented header", f"{answer.status_code}: {header}")
        if answer.status_code >= 500 and answer.status_code != 503:
            yield wrong(operation, "failure of the service", begun(answer, 300))
        if answer.status_code < 400:
            return
        if kind != "application/problem+json":
            yield wrong(operation, "no problem document", f"{answer.status_code} as {kind!r}: {begun(answer, 200)}")
            return
        problem = json.loads(answer.content)
        code = problem["code"]
        self.refusals[name][code] += 1
        if (answer.status_code, code) not in self.codes:
            yield wrong(operation, "code without a line in openapi/README.md", f"{answer.status_code} {code}")
        said = (problem["status"], problem["type"], problem["instance"])
        right = (answer.status_code, f"/problems/{code}", (answer.headers.get("x-request-id") or [""])[0])
        if said != right:
            yield wrong(operation, "problem that contradicts its answer", f"{said} in place of {right}")

    def note(self, name: str, title: str, message: str, case: Any, answer: Any = None) -> None:
        curl = case.as_curl_command().replace("\n", " ")
        sent = json.dumps(case.body, default=repr, ensure_ascii=False)[:600] if case.body else ""
        got = f"\n    answered {answer.status_code} {begun(answer, 600)}" if answer is not None else ""
        self.found[name, title].append(f"{message}\n    {curl[:700]}\n    sent {sent}{got}")

    # In which order.

    def run(self) -> None:
        names = [name for name in self.operations if name not in ENDLESS]
        sources = {name: self.variants(name, self.operations[name]) for name in names}
        rest = deeds.Deeds(self)
        rest.once()
        rounds = max(4, min(40, self.most // 2500))
        for turn in range(rounds):
            self.laboratory.crawl()
            share = max(1, (self.most - self.sent) // ((rounds - turn) * len(names)))
            for name in names:
                operation = self.operations[name]
                for case, person, raw in itertools.islice(sources[name], share):
                    if self.sent < self.most:
                        rest.ask(name, operation, case, person, raw)
            rest.keep_open()
            print(f"round {turn + 1} of {rounds}: {self.sent} requests, {len(self.found)} kinds of findings", flush=True)
        rest.last()

    def report(self) -> int:
        total: collections.Counter[str] = collections.Counter()
        for counts in self.counts.values():
            total += counts
        never = sorted(name for name in self.operations if not self.counts[name]["2xx"])
        print(f"{self.sent} requests over {len(self.counts)} operations: {dict(sorted(total.items()))}")
        print("slowest: " + ", ".join(f"{name} {seconds:.1f} s" for seconds, name in self.slowest))
        for (name, title), examples in sorted(self.found.items()):
            print(f"\n{name}: {title} ({len(examples)} times), first:\n  {examples[0]}")
        for name in never:
            print(f"never answered with success: {name}: {dict(self.refusals[name])}")
        # How deep a run reaches depends on its length; one that reaches little shows little.
        shallow = len(never) * 2 > len(self.operations)
        if shallow:
            print("most operations were never answered with success")
        return 1 if self.found or shallow else 0


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("address")
    parser.add_argument("said", type=Path)
    parser.add_argument("--requests", type=int, required=True)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--report", type=Path)
    arguments = parser.parse_args()
    if not re.match(r"http://127\.0\.0\.1:\d+$", arguments.address):
        parser.error("only a service on this machine is asked")
    passwords = dict(re.findall(r"^  ([a-z]+-\d) +(\S{20}) ", arguments.said.read_text(), re.MULTILINE))
    fuzzer = Fuzzer(arguments.address, passwords, arguments)
    began = time.monotonic()
    fuzzer.run()
    code = fuzzer.report()
    print(f"{time.monotonic() - began:.0f} s")
    if arguments.report:
        lines = {name: {"answers": dict(counts), "refusals": dict(fuzzer.refusals[name])} for name, counts in fuzzer.counts.items()}
        arguments.report.write_text(json.dumps(lines, indent=1, sort_keys=True))
    return code


if __name__ == "__main__":
    sys.exit(main())
