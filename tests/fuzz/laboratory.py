"""The laboratory that is fuzzed: who asks, what there is, and how a request is made one of its own."""

import copy
import datetime
import random
import re
from typing import Any

import requests

PREFIX = "/api/v1"
TIMEOUT = 120

# Where the identities of a path parameter are found: after which part of the path, under which names the crawl filed them.
AFTER = {
    "calibrations": ["calibrations"],
    "equipment-checks": ["checks"],
    "standardisation-titrations": ["standardisation-titrations"],
    "chart-phases": ["phases"],
    "control-values": ["points"],
    "validation-characteristics": ["characteristics"],
    "validation-data": ["data"],
    "validation-amendments": ["amendments"],
    "validation-exclusions": ["exclusions"],
    "sample-specifications": ["sample-specifications"],
    "where-used": ["primary-standards", "titrants", "equipment", "accounts", "reagents"],
}
# The same for fields of bodies and parameters of queries. A name that ends in ':' stands for versions.
FIELDS = {
    "method": ["methods:"],
    "titrant": ["titrants"],
    "reference_titrant": ["titrants"],
    "added_titrant": ["titrants"],
    "oxidant_titrant": ["titrants"],
    "without_titrant": ["titrants"],
    "burette": ["burettes"],
    "without_burette": ["burettes"],
    "pipette": ["pipettes"],
    "aliquot_pipette": ["pipettes"],
    "oxidant_pipette": ["pipettes"],
    "added_pipette": ["pipettes"],
    "balance": ["balances"],
    "flask": ["flasks"],
    "primary_standard": ["primary-standards:"],
    "standard": ["primary-standards"],
    "reagent": ["reagents"],
    "portion": ["portions"],
    "run": ["runs"],
    "repeats": ["runs"],
    "determination": ["determinations"],
    "second_determination": ["determinations"],
    "determinations": ["determinations"],
    "iron2": ["determinations"],
    "total": ["determinations"],
    "iron_result": ["iron-results"],
    "results": ["determinations", "iron-results"],
    "sample": ["samples"],
    "specification": ["specifications:"],
    "specifications": ["specifications:"],
    "decision_rule": ["decision-rules:"],
    "material": ["control-materials"],
    "materials": ["control-materials"],
    "charts": ["control-charts"],
    "chart": ["control-charts"],
    "value": ["points"],
    "calibration": ["calibrations"],
    "factor": ["factors"],
    "account": ["accounts"],
    "person": ["accounts"],
    "supervisor": ["accounts"],
    "recorded_by": ["accounts"],
    "without_person": ["accounts"],
    "actor": ["accounts"],
    "item": ["titrants", "equipment"],
    "entity": ["runs", "equipment", "titrants", "determinations"],
    "entity_id": ["determinations", "runs", "equipment", "titrants"],
    "concession": ["concessions"],
    "nonconformity": ["nonconformities"],
    "old": ["control-materials"],
    "new": ["control-materials"],
    "after": ["audit-events"],
}
UUID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")


class Person:
    """Somebody signed in."""

    def __init__(self, base: str, name: str, password: str, roles: set[str]) -> None:
        self.base, self.name, self.password, self.roles = base, name, password, roles
        self.session = requests.Session()
        # Nothing of the machine's surroundings: no proxy, no stored passwords.
        self.session.trust_env = False
        self.token = ""
        self.account = ""
        self.renew()

    def renew(self) -> None:
        """Signs in anew."""
        body = {"account": self.name, "password": self.password}
        answer = self.session.post(f"{self.base}{PREFIX}/sessions", json=body, timeout=TIMEOUT)
        answer.raise_for_status()
        self.token = answer.json()["access_token"]
        self.signed_in = datetime.datetime.now()
        self.account = self.get("/accounts/me").get("id", "")

    @property
    def authorization(self) -> dict[str, str]:
        # Tokens hold for ten minutes.
        if (datetime.datetime.now() - self.signed_in).total_seconds() > 400:
            self.renew()
        return {"Authorization": f"Bearer {self.token}"}

    def get(self, path: str) -> Any:
        headers = {"Authorization": f"Bearer {self.token}"}
        answer = self.session.get(f"{self.base}{PREFIX}{path}", headers=headers, timeout=TIMEOUT)
        return answer.json() if answer.status_code == 200 else {}

    def post(self, path: str, body: Any, **headers: str) -> tuple[int, Any]:
        every = {**self.authorization, **{name.replace("_", "-"): value for name, value in headers.items()}}
        answer = self.session.post(f"{self.base}{PREFIX}{path}", json=body, headers=every, timeout=TIMEOUT)
        return answer.status_code, answer.json() if answer.content else None


def digest_within(document: Any, of: str) -> str | None:
    """Digest of the thing with an identity, somewhere in a document."""
    if isinstance(document, dict):
        if document.get("id") == of and "content_digest" in document:
            return document["content_digest"]
        document = list(document.values())
    if isinstance(document, list):
        return next((found for found in (digest_within(one, of) for one in document) if found), None)
    return None


class Laboratory:
    """Who there is, and what."""

    def __init__(self, base: str, passwords: dict[str, str], chance: random.Random) -> None:
        self.base, self.chance = base, chance
        roles = lambda name: {name.rsplit("-", 1)[0].replace("trainee", "analyst")}
        self.people = [Person(base, name, password, roles(name)) for name, password in passwords.items()]
        self.pools: dict[str, list[str]] = {}
        self.states: dict[str, str] = {}
        # Accounts of nobody: what ends, locks or retires is tried on them.
        self.throwaway: list[str] = []
        self.crawl()

    def person(self, name: str) -> Person:
        return next(one for one in self.people if one.name == name)

    def with_role(self, roles: set[str]) -> Person:
        fitting = [one for one in self.people if one.roles & roles]
        return self.chance.choice(fitting or self.people)

    def crawl(self) -> None:
        """Files every identity that can be read, by the list or the field it stands in."""
        self.pools.clear()
        reader, clerk = self.person("manager-1"), self.person("administrator-1")
        # Of the long lists the newest are enough.
        for name in (
            "equipment primary-standards reagents titrants methods samples runs determinations iron-results concessions "
            "control-charts control-materials qc-plans nonconformities impacts proficiency-rounds imports certificates "
            "validation-studies specifications decision-rules audit-events trail-reviews"
        ).split():
            for item in reader.get(f"/{name}?limit=40").get("items", []):
                self.file(name, item)
        for name in ("accounts", "role-grants"):
            for item in reader.get(f"/{name}?limit=100").get("items", []):
                self.file(name, item)
        for item in clerk.get("/service-tokens") or []:
            self.file("service-tokens", item)
        inside = [
            ("runs", "blanks", 12), ("equipment", "calibrations", 20), ("equipment", "checks", 20), ("samples", "portions", 12),
            ("determinations", "titrations", 12), ("titrants", "standardisations", 12), ("titrants", "factors", 12),
        ]
        for of, name, most in inside:
            for one in self.pools.get(of, [])[:most]:
                for item in reader.get(f"/{of}/{one}/{name}") or []:
                    self.file(name, item)
        for one in self.pools.get("samples", [])[:12]:
            for item in reader.get(f"/samples/{one}/specifications") or []:
                self.file("sample-specifications", item)
        for one in self.pools.get("standardisations", [])[:12]:
            for item in reader.get(f"/standardisations/{one}").get("titrations", []):
                self.file("standardisation-titrations", item)
        for one in self.pools.get("titrants", [])[:12]:
            self.inside(reader.get(f"/titrants/{one}"))
        for one in self.pools.get("control-charts", [])[:8]:
            self.inside(reader.get(f"/control-charts/{one}"))
            for item in reader.get(f"/control-charts/{one}/points?limit=20").get("items", []):
                self.file("points", item)
        for one in self.pools.get("validation-studies", [])[:4]:
            self.inside(reader.get(f"/validation-studies/{one}"))
            self.inside(reader.get(f"/validation-studies/{one}/answers"))

    def file(self, name: str, item: Any) -> None:
        if not isinstance(item, dict):
            return
        of = item.get("id") or item.get("record_id")
        if isinstance(of, str):
            self.pools.setdefault(name, []).append(of)
            if isinstance(item.get("state"), str):
                self.states[of] = item["state"]
            if name == "equipment" and isinstance(item.get("kind"), str):
                self.pools.setdefault(item["kind"] + "s", []).append(of)
        if isinstance(item.get("version_id"), str):
            self.pools.setdefault(name + ":", []).append(item["version_id"])

    def inside(self, value: Any) -> None:
        if isinstance(value, dict):
            for name, field in value.items():
                if isinstance(field, list):
                    for item in field:
                        self.file(name, item)
                self.inside(field)
        elif isinstance(value, list):
            for item in value:
                self.inside(item)

    def one_of(self, names: list[str]) -> str | None:
        every = [one for name in names for one in self.pools.get(name, [])]
        # Rather a new one than an old one: what is new can still be worked on.
        return self.chance.choice(every) if every else None

    def for_path(self, path: str, parameter: str) -> str | None:
        before = path.split("/{" + parameter)[0].rsplit("/", 1)[-1]
        if before == "accounts" and path.count("/") > 4 and self.throwaway:
            return self.chance.choice(self.throwaway)
        if parameter == "subject":
            return self.chance.choice(["summary", "dixon", "run-length", "grubbs", "stopping-rule", "joint-uncertainty"])
        if parameter == "of":
            return self.chance.choice(
                ["exclusions", "corrections-after-signature", "released-while-out", "refused-sign-ins", "sign-ins"]
            )
        if parameter == "issue":
            return str(self.chance.randint(1, 2))
        return self.one_of(AFTER.get(before, [before]))

    def dressed(self, value: Any, person: Person, field: str = "") -> Any:
        """A body with identities of the laboratory in place of made-up ones, and times of today."""
        if isinstance(value, dict):
            return {name: self.dressed(inner, person, name) for name, inner in value.items()}
        if isinstance(value, list):
            return [self.dressed(inner, person, field) for inner in value]
        if field == "password" and isinstance(value, str):
            return person.password
        if isinstance(value, str) and field in FIELDS and (UUID.fullmatch(value) or value == "@"):
            return self.one_of(FIELDS[field]) or value
        return self.timed(value) if isinstance(value, str) else value

    def timed(self, text: str) -> str:
        """`@-45m` is a time 45 minutes ago, `@+90d` one ahead, `@day-100` a day, `#` a number that is new."""
        now = datetime.datetime.now(datetime.timezone.utc).replace(microsecond=0)
        found = re.fullmatch(r"@(day)?([+-]\d+)([md]?)", text)
        if found is None:
            return text.replace("#", str(self.chance.randrange(10**9))) if "#" in text else text
        step = int(found[2])
        if found[1]:
            return str((now + datetime.timedelta(days=step)).date())
        shift = datetime.timedelta(minutes=step) if found[3] == "m" else datetime.timedelta(days=step)
        return (now + shift).isoformat().replace("+00:00", "Z")

    def digest(self, person: Person, path: str) -> str | None:
        """What a signature at this path covers now."""
        thing, step = path.rsplit("/", 1)
        of = thing.rsplit("/", 1)[-1]
        if thing.startswith(("/validation-amendments", "/validation-exclusions")):
            for study in self.pools.get("validation-studies", []):
                if found := digest_within(person.get(f"/validation-studies/{study}/answers"), of):
                    return found
            return None
        view = person.get(thing)
        last = lambda name: (view.get(name) or [{}])[-1].get("content_digest")
        if thing.startswith("/validation-studies") and not step.startswith("plan-"):
            return last("conclusions")
        versions = view.get("versions") or []
        if step == "withdrawal":
            for one in reversed(versions):
                if one.get("state") == "approved":
                    return one.get("content_digest")
        return last("versions") or view.get("content_digest")

    def as_it_stands(self, case: Any, person: Person) -> None:
        """A correction that changes nothing, where the thing can be read: its own facts in place of another's."""
        view = person.get(case.formatted_path[len(PREFIX):].rsplit("/", 1)[0])
        versions = view.get("versions") or []
        facts = case.body.get("facts") if isinstance(case.body, dict) else None
        if versions and isinstance(facts, dict):
            for field in facts:
                if field in versions[-1]:
                    facts[field] = versions[-1][field]

    def version(self, person: Person, path: str) -> str | None:
        """The version that a correction at this path names."""
        view = person.get(path.rsplit("/", 1)[0])
        versions = view.get("versions") or []
        return (versions[-1] if versions else view).get("version_id")


def copied(value: Any) -> Any:
    # What stands for "no body" is told by its identity.
    return copy.deepcopy(value) if isinstance(value, (dict, list)) else value
