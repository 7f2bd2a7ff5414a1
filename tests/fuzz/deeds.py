"""What needs care beside the others: sessions and accounts that end, states that must be there first, what has no end."""

import random
import re
import secrets
from typing import Any

import requests

from laboratory import PREFIX, TIMEOUT, Person

# They end the session of whoever asks, or change its password: asked by somebody who signs in for the purpose.
LEAVES = {"sign_out", "end_own_session", "change_own_password"}


class Deeds:
    def __init__(self, fuzzer: Any) -> None:
        self.fuzzer, self.laboratory = fuzzer, fuzzer.laboratory
        self.chance: random.Random = fuzzer.chance
        self.leaver: Person | None = None
        self.password = ""

    def expect(self, person: Person, path: str, body: Any) -> Any:
        status, answer = person.post(path, body)
        if status not in (200, 201):
            raise SystemExit(f"{path} as {person.name}: {status} {answer}")
        return answer

    def account(self, name: str, kind: str, role: str) -> str:
        """An account that nobody needs, with a role."""
        clerk, manager = self.laboratory.person("administrator-1"), self.laboratory.person("manager-1")
        of = self.expect(clerk, "/accounts", {"code": name, "display_name": name.title(), "kind": kind})["account"]["id"]
        asked = {"effect": "grant", "role": role, "reason": "to be tried out on"}
        grant = self.expect(clerk, f"/accounts/{of}/role-grants", asked)["id"]
        self.expect(manager, f"/role-grants/{grant}/decisions", {"decision": "approved"})
        self.laboratory.throwaway.append(of)
        return of

    def once(self) -> None:
        """Makes the accounts that may end."""
        clerk = self.laboratory.person("administrator-1")
        number = secrets.token_hex(4)
        for one in range(3):
            self.account(f"thrown-away-{number}-{one}", "person", "analyst")
        self.account(f"instrument-{number}", "service", "instrument")
        name = f"leaver-{number}"
        of = self.account(name, "person", "analyst")
        # This one stays as it is, or nobody could leave.
        self.laboratory.throwaway.remove(of)
        given = self.expect(clerk, f"/accounts/{of}/provisional-password", {})["provisional_password"]
        self.password = secrets.token_urlsafe(18)
        first = Person(self.laboratory.base, name, given, {"analyst"})
        status, answer = first.post("/accounts/me/password", {"present": given, "new": self.password})
        if status >= 300:
            raise SystemExit(f"the password was not changed: {status} {answer}")
        self.leaver = Person(self.laboratory.base, name, self.password, {"analyst"})

    def ask(self, name: str, operation: Any, case: Any, person: Person, raw: bool) -> int:
        if name in LEAVES and self.leaver is not None:
            person = self.leaver
            # The session before may have been ended.
            person.renew()
            if name == "end_own_session" and not raw:
                case.path_parameters = {"id": self.chance.choice(person.get("/sessions"))["id"]}
            if name == "change_own_password" and not raw:
                fresh = secrets.token_urlsafe(18)
                case.body = {"present": person.password, "new": fresh}
                status = self.fuzzer.ask(name, operation, case, person, raw)
                if status < 300:
                    person.password = fresh
                return status
        elif name == "sign_in" and not raw and self.leaver is not None:
            case.body = {"account": self.leaver.name, "password": self.leaver.password}
        elif name == "refresh_session" and not raw and self.leaver is not None:
            given = {"account": self.leaver.name, "password": self.leaver.password}
            tokens = requests.post(f"{self.laboratory.base}{PREFIX}/sessions", json=given, timeout=TIMEOUT).json()
            case.body = {"refresh_token": tokens["refresh_token"]}
        elif name == "record_trail_review" and not raw:
            period = person.get("/trail-reviews/next")
            case.body = {name: period.get(name) for name in ("until_size", "content_digest")}
            case.body |= {"password": person.password, "findings": "looked at every row of every list"}
        return self.fuzzer.ask(name, operation, case, person, raw)

    def keep_open(self) -> None:
        """States that are used up while requests succeed: a determination on its way, up to a step that chance names."""
        analyst, other = self.laboratory.person("analyst-1"), self.laboratory.person("analyst-2")
        manager = self.laboratory.person("manager-1")
        first = next(one for one in analyst.get("/iron-results?limit=200")["items"] if one["code"] == "FE3-1")["iron2"]
        like, seen = analyst.get(f"/determinations/{first}"), analyst.get(f"/determinations/{first}/titrations")[0]
        now = self.laboratory.timed("@-1m")
        reading = {name: seen[name] for name in ("titrant", "burette")}
        reading |= {"initial_readings": ["0.00"], "solution_temperature": "21.0", "end_point": "green to violet", "observed_at": now}
        opened = {"method": like["method"], "bench": "bench 2", "observed_at": now}
        run = self.try_to(analyst, "/runs", opened)
        blank = {"kind": "reagent with iron(II)", "iron_equivalent_ml": "1.00", "final_readings": ["1.04"], **reading}
        blank = self.try_to(analyst, f"/runs/{run}/blanks", blank)
        new = {"run": run, "portion": like["portion"], "purpose": "sample", "observed_at": now}
        own = f"/determinations/{self.try_to(analyst, '/determinations', new)}"
        titre = {"kind": "accurate", "final_readings": ["21.46"], "waste_stream": "chromium acid", **reading}
        steps = [
            lambda: self.try_to(analyst, f"{own}/titrations", titre),
            lambda: self.try_to(analyst, f"{own}/titrations", titre),
            lambda: self.try_to(analyst, f"/blanks/{blank}/judgement", {"to": "accepted"}),
            lambda: self.try_to(analyst, f"/runs/{run}/closing", {}),
            lambda: self.sign(analyst, f"{own}/submission"),
            lambda: self.sign(manager, f"/runs/{run}/release"),
            lambda: self.sign(other, f"{own}/review"),
            lambda: self.sign(manager, f"{own}/approval"),
        ]
        for step in steps[: self.chance.randint(0, len(steps))]:
            step()

    def try_to(self, person: Person, path: str, body: Any) -> str:
        """Identity of what was recorded. That it is refused can be the work of a request before."""
        status, answer = person.post(path, body)
        return answer["id"] if status == 201 and "id" in answer else ""

    def sign(self, person: Person, path: str) -> None:
        digest = self.laboratory.digest(person, path)
        person.post(path, {"password": person.password, "content_digest": digest, "reason": "looked at"})

    def last(self) -> None:
        """What is asked once."""
        self.stream()
        self.methods()

    def stream(self) -> None:
        """The stream without an end: its head, its first event, and away."""
        operation = self.fuzzer.operations["stream_alerts"]
        person = self.laboratory.person("analyst-1")
        url = f"{self.laboratory.base}{PREFIX}/alerts/stream"
        with requests.get(url, headers=person.authorization, stream=True, timeout=TIMEOUT) as answer:
            first = next(answer.iter_lines())
            kind = answer.headers["content-type"]
        self.fuzzer.sent += 1
        self.fuzzer.counts["stream_alerts"][f"{answer.status_code // 100}xx"] += 1
        if (answer.status_code, kind, first) != (200, "text/event-stream", b"event: alerts"):
            case = operation.Case()
            self.fuzzer.note("stream_alerts", "not the stream", f"{answer.status_code} {kind} {first!r}", case)

    @staticmethod
    def fits(path: str, filled: str) -> bool:
        return re.fullmatch(re.sub(r"\\\{\w+\\\}", "[^/]+", re.escape(path)), filled) is not None

    def methods(self) -> None:
        """Every path, by a method that it does not take, and by HEAD where it takes GET."""
        person = self.laboratory.person("manager-1")
        paths = self.fuzzer.document["paths"]
        for path, item in paths.items():
            for method in ("PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "HEAD"):
                if method.lower() in item or path.endswith("/stream"):
                    continue
                filled = path.replace("{id}", self.laboratory.pools["determinations"][0]).replace("{", "").replace("}", "")
                # One thing may be read where several are recorded; HEAD is GET there.
                reads = "get" if method == "HEAD" and "get" not in item else method.lower()
                if any(self.fits(other, filled) and reads in taken for other, taken in paths.items()):
                    continue
                url = f"{self.laboratory.base}{filled}"
                answer = person.session.request(method, url, headers=person.authorization, timeout=TIMEOUT)
                self.fuzzer.sent += 1
                problem = answer.headers.get("content-type") == "application/problem+json"
                if method == "HEAD" and "get" in item:
                    got = person.session.get(url, headers=person.authorization, timeout=TIMEOUT)
                    right = answer.status_code == got.status_code and answer.content == b""
                    right = right and answer.headers.get("content-type") == got.headers.get("content-type")
                elif method == "HEAD":
                    right = answer.status_code == 405 and problem and answer.content == b""
                else:
                    right = answer.status_code == 405 and problem and answer.json()["code"] == "method_not_allowed"
                    right = right and method not in answer.headers.get("allow", method)
                if not right:
                    case = next(iter(self.fuzzer.operations.values())).Case()
                    self.fuzzer.note(path, f"{method} is not refused as it should be", f"{answer.status_code} {answer.text[:200]}", case)
