"""Which protocol holds for a person, and the plan that the treating clinician set: from the configuration."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import time
from decimal import Decimal
from typing import Any

from collector.numbers.levels import LOW
from collector.numbers.medical_condition import MedicalCondition
from collector.numbers.protocols import USUAL, protocol
from collector.numbers.rules import Plan, PlannedProtocol, Protocol, Window
from collector.numbers.values import Pressures
from collector.service.config.schema import ConfigError, Reader
from collector.service.config.settings import Config, PersonSettings
from collector.store.namesakes import folded


def in_force(settings: Config, person: str, name: str | None = None) -> tuple[Protocol, Plan]:
    """The protocol named, else the one of the person's plan, else the usual one; and the plan itself.

    Raises UnknownProtocol, and ConfigError for a plan that does not fit the protocol.
    """
    own = _of(settings.people, person)
    named = name or (own and own.protocol) or USUAL
    rules = protocol(named, settings.protocols)
    plan = _plan(own, rules, person) if own else Plan()
    try:
        PlannedProtocol.of(rules, plan)
    except ValueError as wrong:
        raise ConfigError(f"[people.{person}]: {wrong}") from None
    return rules, plan


def supplemented(settings: Config, plans: Mapping[str, Mapping[str, Any]]) -> Config:
    """With the plans that stations told of, for whom the configuration has none. Raises ConfigError."""
    reader = Reader("", "the central database")
    told = {
        name: reader.section(PersonSettings, dict(plan), ("people", name))
        for name, plan in plans.items()
        if _of(settings.people, name) is None
    }
    if reader.problems:
        raise ConfigError(*reader.problems)
    return replace(settings, people={**settings.people, **told})


def _of(people: Mapping[str, PersonSettings], person: str) -> PersonSettings | None:
    """Letter case does not matter, as everywhere with names of people."""
    return next((own for name, own in people.items() if folded(name) == folded(person)), None)


def _plan(own: PersonSettings, rules: Protocol, person: str) -> Plan:
    return Plan(
        threshold=_pressures(own.threshold_systolic, own.threshold_diastolic, rules.threshold, "threshold", person),
        goal=_pressures(own.goal_systolic, own.goal_diastolic, rules.target, "goal", person),
        low=_pressures(own.low_systolic, own.low_diastolic, LOW, "low", person),
        conditions=_conditions(own),
        born=own.born,
        morning=_window(own.morning),
        evening=_window(own.evening),
    )


def _pressures(
    systolic: int | None, diastolic: int | None, rest: Pressures | None, what: str, person: str
) -> Pressures | None:
    """Where only one of the two is set, the protocol gives the other."""
    if systolic is None and diastolic is None:
        return None
    upper = Decimal(systolic) if systolic is not None else rest.systolic if rest else None
    lower = Decimal(diastolic) if diastolic is not None else rest.diastolic if rest else None
    if upper is None or lower is None:
        missing = "systolic" if upper is None else "diastolic"
        raise ConfigError(f"[people.{person}]: {what}_{missing} is missing, and the protocol in use has none")
    return Pressures(upper, lower)


def _conditions(own: PersonSettings) -> frozenset[MedicalCondition]:
    return frozenset(map(MedicalCondition, own.conditions)) | (
        {MedicalCondition.ATRIAL_FIBRILLATION} if own.atrial_fibrillation else set()
    )


def _window(hours: tuple[str, ...]) -> Window | None:
    return Window(*map(time.fromisoformat, hours)) if hours else None
