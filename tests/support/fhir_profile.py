"""Holds a FHIR resource to a profile: cardinalities, fixed values, slices and invariants of its snapshot.

The rules are the published ones (fixtures/fhir/r4_vital_signs.json); the invariants are evaluated by fhirpathpy,
an independent FHIRPath engine.
"""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import fhirpathpy
from fhirpathpy.models import models

RULES = json.loads((Path(__file__).parents[2] / "fixtures/fhir/r4_vital_signs.json").read_text("utf-8"))["profiles"]


def problems(resource: dict[str, Any], profile: str) -> list[str]:
    """What the profile finds wrong; empty for nothing."""
    return list(_problems(resource, RULES[profile]))


def _problems(resource: dict[str, Any], rules: list[dict[str, Any]]) -> Iterator[str]:
    for rule in rules:
        steps = rule["id"].split(".")[1:]
        if not steps:
            yield from _invariants(rule, resource, resource)
            continue
        for parent in _instances(resource, steps[:-1], rules):
            found = _step(parent, ".".join(rule["id"].split(".")[:-1]), steps[-1], rules)
            if len(found) < rule["min"]:
                yield f"{rule['id']}: at least {rule['min']}, found {len(found)}"
            if rule["max"] != "*" and len(found) > int(rule["max"]):
                yield f"{rule['id']}: at most {rule['max']}, found {len(found)}"
            for value in found:
                if "fixed" in rule and value != rule["fixed"]:
                    yield f"{rule['id']}: must be {rule['fixed']!r}, is {value!r}"
                yield from _invariants(rule, value, resource)
            if rule.get("slicing", {}).get("rules") == "closed":
                start = rule["id"] + ":"
                allowed = {one["id"][len(start) :].split(".")[0] for one in rules if one["id"].startswith(start)}
                yield from (
                    f"{rule['id']}: {key} is not allowed"
                    for key in parent
                    if key.startswith(steps[-1][:-3]) and key not in allowed
                )


def _instances(value: Any, steps: list[str], rules: list[dict[str, Any]], prefix: str = "Observation") -> list[Any]:
    values = [value]
    for step in steps:
        values = [found for one in values for found in _step(one, prefix, step, rules)]
        prefix = f"{prefix}.{step}"
    return values


def _step(parent: Any, prefix: str, step: str, rules: list[dict[str, Any]]) -> list[Any]:
    name, _, part = step.partition(":")
    if not isinstance(parent, dict):
        return []
    if name.endswith("[x]"):
        stem = part or name[:-3]
        return [
            value
            for key, value in parent.items()
            if (key == part if part else key.startswith(stem) and key[len(stem) : len(stem) + 1].isupper())
        ]
    found = parent.get(name, [])
    items = found if isinstance(found, list) else [found]
    if not part:
        return items
    slicing = next(rule["slicing"]["by"] for rule in rules if rule["id"] == f"{prefix}.{name}")
    return [item for item in items if all(_belongs(item, path, f"{prefix}.{step}", rules) for _, path in slicing)]


def _belongs(item: Any, path: str, element: str, rules: list[dict[str, Any]]) -> bool:
    for rule in rules:
        if rule["id"].startswith(element + ".") and "fixed" in rule:
            below = ".".join(_base(step) for step in rule["id"][len(element) + 1 :].split("."))
            if below == path:
                return rule["fixed"] in _plain(item, path.split("."))
    raise AssertionError(f"{element} fixes nothing at {path}")


def _plain(value: Any, steps: list[str]) -> list[Any]:
    if isinstance(value, list):
        return [found for one in value for found in _plain(one, steps)]
    if not steps:
        return [value]
    return _plain(value[steps[0]], steps[1:]) if isinstance(value, dict) and steps[0] in value else []


def _base(step: str) -> str:
    return step.split(":")[0]


def _invariants(rule: dict[str, Any], value: Any, resource: dict[str, Any]) -> Iterator[str]:
    base = ".".join(_base(step) for step in rule["id"].split("."))
    for invariant in rule.get("invariants", ()):
        if invariant["key"] == "vs-1":  # "at least to the day"; on a dateTime only
            if isinstance(value, str) and len(value) < 8:
                yield f"{rule['id']}: vs-1"
            continue
        answer = fhirpathpy.evaluate(
            value, {"base": base, "expression": invariant["expression"]}, {"resource": resource}, models["r4"]
        )
        if answer != [True]:
            yield f"{rule['id']}: {invariant['key']}"
