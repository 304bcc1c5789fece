"""The API against its own OpenAPI document: made-up requests, good and bad, each answered as documented."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis.generation import GenerationMode
from schemathesis.specs.openapi.checks import positive_data_acceptance
from starlette.testclient import TestClient

from service.web.app import build_app
from tests.integration.cycle.world import GO_TIME, World
from tests.integration.web.test_api import bearer

OPERATIONS = (
    ("GET", "/sites"),
    ("GET", "/sites/{site_id}"),
    ("GET", "/sites/{site_id}/nights"),
    ("GET", "/sites/{site_id}/nights/{night}"),
    ("GET", "/sites/{site_id}/season"),
    ("GET", "/compare"),
    ("POST", "/judge"),
)
EXAMPLES = 10
BEYOND_SCHEMA = [positive_data_acceptance]
"""A date has years that the ephemeris lacks, and wishes can contradict each other; no schema says so."""


@pytest.fixture(scope="module")
def schema(played_world: World) -> Iterator[schemathesis.BaseSchema]:
    app = build_app(played_world.duskbell, started_at=played_world.wall, shown_at=GO_TIME)
    with TestClient(app):
        yield schemathesis.openapi.from_asgi("/api/v1/openapi.json", app)


def test_every_operation_is_tried(schema: schemathesis.BaseSchema) -> None:
    found = {(each.ok().method.upper(), each.ok().path) for each in schema.get_all_operations()}
    assert found == set(OPERATIONS)


@pytest.mark.parametrize("mode", list(GenerationMode), ids=lambda mode: mode.value)
@pytest.mark.parametrize(("method", "path"), OPERATIONS, ids=lambda part: part.strip("/"))
def test_every_answer_is_as_documented(
    schema: schemathesis.BaseSchema, played_world: World, method: str, path: str, mode: GenerationMode
) -> None:
    headers = bearer(played_world)

    @settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=list(HealthCheck), database=None)
    @given(case=schema[path][method].as_strategy(generation_mode=mode))
    def ask(case: schemathesis.Case) -> None:
        played_world.wall += timedelta(minutes=10)  # the quota fills again
        case.call_and_validate(headers=headers, excluded_checks=BEYOND_SCHEMA)

    ask()
