"""Holds an answer, as the generated client understood it, against the bytes that came: nothing may be lost, changed or undocumented."""

import datetime
import json
from typing import Any


class Breach(Exception):
    """An answer that is not what the document says."""


def _same(understood: Any, came: Any) -> bool:
    if isinstance(understood, str) and isinstance(came, str) and understood != came:
        try:
            return datetime.datetime.fromisoformat(understood) == datetime.datetime.fromisoformat(came)
        except ValueError:
            return False
    if isinstance(understood, bool) or isinstance(came, bool):
        return understood is came
    return understood == came


def _differences(understood: Any, came: Any, at: str) -> list[str]:
    if isinstance(understood, dict) and isinstance(came, dict):
        found = [f"{at}.{name}: lost" for name in came.keys() - understood.keys()]
        found += [f"{at}.{name}: did not come" for name in understood.keys() - came.keys()]
        for name in understood.keys() & came.keys():
            found += _differences(understood[name], came[name], f"{at}.{name}")
        return found
    if isinstance(understood, list) and isinstance(came, list):
        if len(understood) != len(came):
            return [f"{at}: {len(understood)} of {len(came)} items"]
        return [one for n, pair in enumerate(zip(understood, came)) for one in _differences(*pair, f"{at}[{n}]")]
    return [] if _same(understood, came) else [f"{at}: {understood!r} in place of {came!r}"]


def _undocumented(model: Any, at: str) -> list[str]:
    if isinstance(model, list):
        return [one for n, item in enumerate(model) for one in _undocumented(item, f"{at}[{n}]")]
    fields = [field.name for field in getattr(type(model), "__attrs_attrs__", ())]
    found = []
    for name in fields:
        value = getattr(model, name)
        if name == "additional_properties":
            # Where the document describes no property at all, any is right: facts of a problem, a file of JSON.
            described = len(fields) > 1
            found += [f"{at}.{extra}: not in the document" for extra in value if described]
        else:
            found += _undocumented(value, f"{at}.{name}")
    return found


def _as_json(model: Any) -> Any:
    if isinstance(model, list):
        return [_as_json(item) for item in model]
    return model.to_dict() if hasattr(model, "to_dict") else model


def check(name: str, answer: Any) -> None:
    """Raises `Breach` if a JSON answer is not what the client made of it."""
    kind = answer.headers.get("content-type", "")
    if answer.status_code >= 400 and kind != "application/problem+json":
        raise Breach(f"{name}: {answer.status_code} as {kind}")
    if not kind.endswith("json") or kind == "application/x-ndjson":
        return
    came = json.loads(answer.content)
    found = _differences(_as_json(answer.parsed), came, "") + _undocumented(answer.parsed, "")
    if found:
        raise Breach(f"{name}: {'; '.join(found[:5])}")
