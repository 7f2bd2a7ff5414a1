"""The README's tour, taken by the Python client that openapi-python-client generates from openapi/openapi.json.

Usage: tour.py ADDRESS FILE, where FILE holds what the demo laboratory printed, passwords among it.
"""

import datetime
import hashlib
import json
import re
import sys
from types import ModuleType
from typing import Any, TypeVar

from ferrotitre_client import AuthenticatedClient, Client
from ferrotitre_client.api.alerts import list_alerts
from ferrotitre_client.api.audit import (
    list_audit_events,
    propose_trail_review,
    prove_inclusion,
    read_audit_list,
    read_checkpoint,
    read_event_bytes,
    read_latest_tree_head,
    read_verifier_key,
    record_trail_review,
)
from ferrotitre_client.api.calculations import list_calculations
from ferrotitre_client.api.certificates import list_certificates, print_certificate, read_certificate
from ferrotitre_client.api.control_charts import (
    draw_control_chart,
    list_control_charts,
    list_control_points,
    read_control_chart,
    read_control_import_template,
    review_control_chart,
)
from ferrotitre_client.api.determinations import (
    list_determinations,
    list_iron_results,
    list_titrations,
    print_determination,
    read_determination,
    read_determination_plan,
    read_determination_working,
    read_iron_result,
    read_iron_result_plan,
    read_iron_result_working,
    read_joint_results,
    read_proof_of_control,
    record_determination,
    record_titration,
    review_determination,
    submit_determination,
)
from ferrotitre_client.api.exports import (
    bundle_certificate,
    export_audit_list,
    export_determinations,
    export_iron_result_workbook,
    export_validation_study,
)
from ferrotitre_client.api.impacts import read_uses, suppose
from ferrotitre_client.api.methods import list_methods, read_budget
from ferrotitre_client.api.nonconformities import list_nonconformities
from ferrotitre_client.api.operations import live, read_about, ready
from ferrotitre_client.api.proficiency_rounds import list_proficiency_rounds
from ferrotitre_client.api.reading_habits import read_reading_habits
from ferrotitre_client.api.runs import open_run, record_blank
from ferrotitre_client.api.sessions import list_own_sessions, refresh_session, sign_in, sign_out
from ferrotitre_client.api.standards import list_primary_standards
from ferrotitre_client.api.titrants import draw_titrant_drift, list_titrants, read_titrant_drift
from ferrotitre_client.api.validation import list_validation_studies, read_validation_answers, read_validation_workings
from ferrotitre_client.models import (
    Credentials,
    NewBlank,
    NewDetermination,
    NewRun,
    NewSignature,
    NewTitration,
    NewTrailReview,
    ProblemDocument,
    Refresh,
)

import strict

T = TypeVar("T")
asked = 0


def ask(operation: ModuleType, status: int, **given: Any) -> Any:
    """Carries out an operation, which must be answered with this status as the document says; gives the whole answer."""
    global asked
    asked += 1
    name = operation.__name__.rsplit(".", 1)[-1]
    answer = operation.sync_detailed(**given)
    if answer.status_code != status:
        raise strict.Breach(f"{name}: {int(answer.status_code)} in place of {status}: {answer.content[:500]!r}")
    strict.check(name, answer)
    if (answer.parsed is None) != (status == 204):
        raise strict.Breach(f"{name}: the client could not read {answer.headers.get('content-type')}")
    return answer


def said(what: str, found: Any, wanted: Any) -> None:
    if found != wanted:
        raise strict.Breach(f"{what}: {found!r} in place of {wanted!r}")
    print(f"  {what}: {found}")


class Person:
    """Somebody signed in."""

    def __init__(self, address: str, name: str, password: str) -> None:
        nobody = Client(base_url=address)
        tokens = ask(sign_in, 200, client=nobody, body=Credentials(account=name, password=password)).parsed
        renewed = ask(refresh_session, 200, client=nobody, body=Refresh(refresh_token=tokens.refresh_token)).parsed
        self.client = AuthenticatedClient(base_url=address, token=renewed.access_token)
        self.password = password

    def get(self, operation: ModuleType, **given: Any) -> Any:
        return ask(operation, 200, client=self.client, **given).parsed

    def refused(self, operation: ModuleType, status: int, code: str, **given: Any) -> ProblemDocument:
        problem = ask(operation, status, client=self.client, **given).parsed
        if not isinstance(problem, ProblemDocument) or problem.code != code:
            raise strict.Breach(f"{operation.__name__}: {problem} in place of {code}")
        print(f"  refused: {problem.code}: {problem.detail}")
        return problem

    def post(self, operation: ModuleType, **given: Any) -> Any:
        """Records something; the answer comes with a receipt."""
        answer = ask(operation, 201, client=self.client, **given)
        receipt = json.loads(answer.headers["audit-receipt"])
        if not receipt["events"] or receipt["answer"] != hashlib.sha256(answer.content).hexdigest():
            raise strict.Breach(f"{operation.__name__}: the receipt is over another answer: {receipt}")
        return answer.parsed


def three_results(person: Person) -> tuple[Any, Any, Any]:
    first = person.get(list_iron_results).items[-1]
    iron3 = next(one for one in person.get(list_iron_results).items if one.code == "FE3-1") if first.code != "FE3-1" else first
    last = lambda text: text.strip().splitlines()[-1]
    said("iron(II)", last(person.get(read_determination_working, id=iron3.iron2)), "reported: 120.01 +- 0.48 g/L (k = 2.00)")
    said("total iron", last(person.get(read_determination_working, id=iron3.total)), "reported: 129.64 +- 0.49 g/L (k = 2.00)")
    said("iron(III)", last(person.get(read_iron_result_working, id=iron3.id)), "reported: 9.63 +- 0.55 g/L (k = 2.00)")
    outcomes = [(one.code, one.outcome) for one in person.get(read_iron_result, id=iron3.id).conformity]
    said("conformity", sorted(outcomes), [("SP-1", "conditional"), ("SP-2", "does not conform"), ("SP-3", "conforms")])
    titres = person.get(read_determination, id=iron3.total).evaluation.titres
    said("fates", [one.fate for one in titres], ["failed reduction"] * 3 + ["rough"] + ["used"] * 3)
    versions = [(one.position, one.version, one.final_readings) for one in person.get(list_titrations, id=iron3.iron2)]
    said("versions of titration 3", versions[-2:], [(3, 1, ["22.48"]), (3, 2, ["21.48"])])
    return iron3.id, iron3.iron2, iron3.total


def charts_and_budgets(person: Person, iron3: Any, iron2: Any, total: Any) -> None:
    every = person.get(list_determinations, limit=200).items
    off = person.get(read_determination, id=next(one.id for one in every if one.outcome == "discordant"))
    print(f"  discordant: {off.flags[0]}")
    chart = next(one for one in person.get(list_control_charts).items if one.code == "X-BATH")
    person.get(read_control_chart, id=chart.id)
    points = person.get(list_control_points, id=chart.id, limit=200).items
    print(f"  X-BATH: {len(points)} points, {sum(one.verdict != 'in control' for one in points)} not in control")
    print(f"  review: {len(person.get(review_control_chart, id=chart.id).findings)} findings")
    said("picture", person.get(draw_control_chart, id=chart.id)[:4], "<svg")
    print(f"  template: {person.get(read_control_import_template, id=chart.id).splitlines()[0]}")
    print(f"  nonconformities: {[one.code for one in person.get(list_nonconformities).items]}")
    m2 = next(one for one in person.get(list_methods).items if one.code == "M2")
    versions = [one.version for one in person.get(read_budget, id=m2.id).versions]
    said("versions of the budget of M2", sorted(versions), [1, 2])
    person.get(read_determination_plan, id=iron2)
    person.get(read_iron_result_plan, id=iron3)
    joint = person.get(read_joint_results, determinations=f"{iron2},{total}")
    said("joint", joint.combinations[0].what, "total iron less iron(II)")
    lot = next(one for one in person.get(list_titrants).items if one.code == "M-1")
    drift = person.get(read_titrant_drift, id=lot.id)
    print(f"  drift of M-1: {drift.line.slope_per_day} per day")
    said("picture", person.get(draw_titrant_drift, id=lot.id)[:4], "<svg")
    print(f"  alerts: {len(person.get(list_alerts).items)}")


def papers(person: Person, manager: Person, iron3: Any, iron2: Any, total: Any) -> None:
    certificate = person.get(list_certificates, number="C-2026-0002").items[0]
    whole = person.get(read_certificate, id=certificate.id)
    said("issues", [(one.issue, one.status) for one in whole.issues], [(1, "amended: replaced by issue 2"), (2, "current")])
    for issue in (1, 2):
        said("document", person.get(print_certificate, id=certificate.id, issue=issue).payload.read(5), b"%PDF-")
    said("report", person.get(print_determination, id=total).payload.read(5), b"%PDF-")
    said("workbook", person.get(export_iron_result_workbook, id=iron3).payload.read(2), b"PK")
    study = next(one for one in person.get(list_validation_studies).items if one.code == "VS-M3")
    answers = person.get(read_validation_answers, id=study.id)
    print(f"  answers: {[one.verdict for one in answers.characteristics]}")
    print(f"  workings of the study: {len(person.get(read_validation_workings, id=study.id))}")
    print(f"  rounds: {[one.scores.verdict for one in person.get(list_proficiency_rounds).items]}")
    standard = next(one for one in person.get(list_primary_standards).items if one.code == "PS-CR-1")
    uses = person.get(read_uses, id=standard.id)
    # More than in the README where another client was here before.
    said("used in", (uses.of, uses.count >= 25), ("PS-CR-1", True))
    lines = ask(suppose, 200, client=person.client, standard=standard.id, mass_fraction="0.9950").content.splitlines()
    totals = json.loads(lines[-1])["totals"]
    said("what if", (totals["reached"] >= 23, totals["evaluated"] == totals["reached"], totals["complete"]), (True, True, True))
    person.get(read_proof_of_control, id=iron2)
    person.get(read_reading_habits)
    every = manager.get(export_determinations).to_dict()
    print(f"  exported: {every['counts']['determinations']} determinations")
    manager.get(export_validation_study, id=study.id)
    print(f"  bundle: {', '.join(sorted(manager.get(bundle_certificate, id=certificate.id).to_dict()))}")


def own_determination(person: Person, iron2: Any) -> None:
    seen = person.get(list_titrations, id=iron2)[0]
    like = person.get(read_determination, id=iron2)
    now = datetime.datetime.now(datetime.timezone.utc).replace(microsecond=0)
    run = person.post(open_run, body=NewRun(method=like.method, bench="bench 2", environment_temperature="21.5", observed_at=now))
    reading = {
        "titrant": seen.titrant,
        "burette": seen.burette,
        "initial_readings": ["0.00"],
        "solution_temperature": "21.0",
        "observed_at": now,
    }

    def blank(kind: str, **more: Any) -> NewBlank:
        return NewBlank(kind=kind, final_readings=["1.04"], end_point="green to violet", **reading, **more)

    person.refused(record_blank, 422, "blank_without_iron", id=run.id, body=blank("reagent"))
    with_iron = blank("reagent with iron(II)", iron_equivalent_ml="1.00", iron_equivalent_u_ml="0.004")
    said("blank", person.post(record_blank, id=run.id, body=with_iron).state, "recorded")

    new = NewDetermination(run=run.id, portion=like.portion, purpose="sample", observed_at=now)
    mine = person.post(record_determination, body=new, idempotency_key=f"tour {now} determination")
    again = ask(record_determination, 201, client=person.client, body=new, idempotency_key=f"tour {now} determination")
    said("sent again", (again.parsed.id == mine.id, again.headers["idempotency-replayed"]), (True, "true"))

    def titre(last: str) -> NewTitration:
        sharp = "green to violet, sharp"
        return NewTitration(kind="accurate", final_readings=[last], end_point=sharp, waste_stream="chromium acid", **reading)

    wrong = person.refused(record_titration, 422, "invalid_input", id=mine.id, body=titre("21.47"))
    said("field", (wrong.errors[0].field, wrong.errors[0].rule), ("final_readings[0]", "multiple_of_resolution"))
    one = person.post(record_titration, id=mine.id, body=titre("21.46"))
    said("one titre", one.evaluation.progress.titrations_needed, 1)
    two = person.post(record_titration, id=mine.id, body=titre("21.48"))
    said("two titres", two.evaluation.progress.detail, "mean of 2 concordant titres")
    working = person.get(read_determination_working, id=mine.id)
    said("mine", working.strip().splitlines()[-1], "reported: 119.88 +- 0.50 g/L (k = 2.00)")

    unseen = NewSignature(password=person.password)
    person.refused(submit_determination, 412, "stale_version", id=mine.id, body=unseen)
    signature = NewSignature(password=person.password, content_digest=two.content_digest)
    said("signed", person.post(submit_determination, id=mine.id, body=signature).state, "submitted")
    signature.content_digest = person.get(read_determination, id=mine.id).content_digest
    person.refused(review_determination, 403, "own_record", id=mine.id, body=signature)


def trail_and_proof(auditor: Person) -> None:
    event = auditor.get(list_audit_events, thing="DET-000002", kind="titrations").items[0]
    print(f"  event: {event.actor_name}: {event.what[:60]}")
    exclusion = auditor.get(read_audit_list, of="exclusions", limit=2).items[0]
    print(f"  exclusion: {exclusion.record.name}: {exclusion.what}")
    auditor.get(export_audit_list, of="corrections-after-signature")
    period = auditor.get(propose_trail_review)
    review = NewTrailReview(
        until_size=period.until_size,
        content_digest=period.content_digest,
        password=auditor.password,
        findings="looked at every row; RUN-000009 and RUN-000011 were rejected for a cause",
    )
    said("review", auditor.post(record_trail_review, body=review).sign_offs[0].statement.startswith("I reviewed"), True)

    head = auditor.get(read_latest_tree_head)
    proof = auditor.get(prove_inclusion, id=event.id)
    bytes_of = ask(read_event_bytes, 200, client=auditor.client, id=event.id).content
    said("leaf", hashlib.sha256(b"\0" + bytes_of).hexdigest() in json.dumps(proof.to_dict()), True)
    note = auditor.get(read_checkpoint)
    said("log", note.splitlines()[0], auditor.get(read_verifier_key).split("+")[0])
    print(f"  tree head: {head.tree_size} events")


def main(address: str, file: str) -> None:
    printed = open(file, encoding="utf-8").read()
    passwords = dict(re.findall(r"^  ([a-z]+-\d) +(\S{20}) ", printed, re.MULTILINE))
    nobody = Client(base_url=address)
    said("service", ask(read_about, 200, client=nobody).parsed.name, "ferrotitre")
    ask(live, 200, client=nobody)
    ask(ready, 200, client=nobody)
    person = Person(address, "analyst-1", passwords["analyst-1"])
    manager = Person(address, "manager-1", passwords["manager-1"])
    auditor = Person(address, "auditor-1", passwords["auditor-1"])
    ids = three_results(person)
    charts_and_budgets(person, *ids)
    papers(person, manager, *ids)
    own_determination(person, ids[1])
    trail_and_proof(auditor)
    first = person.get(list_calculations)
    print(f"  calculations: {len(first)}")
    person.get(list_own_sessions)
    ask(sign_out, 204, client=person.client)
    ended = ask(list_own_sessions, 401, client=person.client).parsed
    said("signed out", ended.code, "session_ended")
    print(f"python: the tour is done, {asked} answers as the document says")


if __name__ == "__main__":
    main(*sys.argv[1:])
