"""The payload against its JSON Schema."""

from __future__ import annotations

import json
from dataclasses import replace
from importlib.resources import files
from typing import Any

import pytest
from jsonschema import Draft202012Validator, FormatChecker, ValidationError

from alerts.briefing.facts import AlertFacts, Briefing
from alerts.briefing.payload import build_payload
from alerts.common.units import Units
from alerts.judging.comparison import OtherSite
from alerts.judging.verdict import VerdictWord
from alerts.notifying.model import AlertKind
from tests.unit.alerts.briefing.briefing_samples import KINDS, briefing
from tests.unit.alerts.briefing.golden_briefings import golden_facts
from tests.unit.alerts.briefing.sample_nights import facts_of

SCHEMA: dict[str, Any] = json.loads(
    files("alerts.briefing").joinpath("payload.schema.json").read_text(encoding="utf-8")
)
VALIDATOR = Draft202012Validator(SCHEMA, format_checker=FormatChecker())
EVERY = {**KINDS, **dict(golden_facts())}


def payload_of(*facts: AlertFacts, units: Units = Units.METRIC) -> Any:
    message = Briefing(message_id="msg_0123456789abcdefghjkmnpqrs", alerts=facts, units=units)
    return json.loads(json.dumps(build_payload(message)))


def test_the_schema_is_a_schema() -> None:
    Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize("facts", EVERY.values(), ids=EVERY)
def test_every_payload_keeps_to_it(facts: AlertFacts) -> None:
    VALIDATOR.validate(payload_of(facts))


def test_several_alerts_keep_to_it_in_imperial() -> None:
    go, down = facts_of("spring-arch", AlertKind.GO), facts_of("july", AlertKind.STAND_DOWN)
    VALIDATOR.validate(payload_of(go, down, units=Units.IMPERIAL))


def test_every_key_of_a_payload_is_described() -> None:
    """No key without an entry in the schema, at any depth."""
    other = OtherSite("Cairn Ridge", VerdictWord.WAIT, 41, None, None)
    payload = payload_of(replace(facts_of("spring-arch", AlertKind.GO), others=(other,)))
    undescribed = list(_undescribed(payload, SCHEMA, ""))
    assert undescribed == []


def _undescribed(value: Any, schema: Any, path: str) -> Any:
    if "$ref" in schema:
        schema = SCHEMA["$defs"][schema["$ref"].split("/")[-1]]
    if "oneOf" in schema:
        schema = schema["oneOf"][0]
        yield from _undescribed(value, schema, path)
        return
    if isinstance(value, dict):
        for key, inner in value.items():
            if schema.get("additionalProperties") is True:  # a sentence's own values
                continue
            if key not in schema.get("properties", {}):
                yield f"{path}.{key}"
            else:
                yield from _undescribed(inner, schema["properties"][key], f"{path}.{key}")
    elif isinstance(value, list):
        for inner in value:
            yield from _undescribed(inner, schema["items"], path)


@pytest.mark.parametrize(
    ("path", "wrong"),
    [
        (("type",), "alert.maybe"),
        (("timestamp",), "2026-07-18T15:00:00+02:00"),
        (("data", "version"), 2),
        (("data", "alerts", 0, "chance_pct"), 120),
        (("data", "alerts", 0, "window"), {"start": "2026-07-18T21:20:00Z"}),
        (("data", "alerts", 0, "field", "frames", "what"), "moon"),
        (("data", "alerts", 0, "night"), "18 July"),
    ],
    ids=lambda value: str(value)[:30],
)
def test_what_is_not_so_is_refused(path: tuple[str | int, ...], wrong: object) -> None:
    payload = payload_of(facts_of("spring-arch", AlertKind.GO))
    place = payload
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = wrong
    with pytest.raises(ValidationError):
        VALIDATOR.validate(payload)


def test_a_field_plan_costs_no_more_than_a_fifth_of_the_room() -> None:
    facts = facts_of("spring-arch", AlertKind.GO)
    assert len(json.dumps(payload_of(facts)["data"]["alerts"][0]["field"])) < 4_000
    assert len(json.dumps(build_payload(briefing(facts)))) < 20_000


def test_where_not_all_fits_only_the_first_keeps_its_field_plan() -> None:
    facts = facts_of("spring-arch", AlertKind.GO)
    alerts = payload_of(*[facts] * 8)["data"]["alerts"]
    assert [alert["field"] is not None for alert in alerts] == [True] + [False] * (len(alerts) - 1)
    assert len(alerts) >= 5
