"""The API keeps to its own description, whatever it is asked: checked by schemathesis, in this process."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import pytest
import schemathesis
from hypothesis import given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import Case, GenerationMode
from schemathesis.specs.openapi.checks import negative_data_rejection, positive_data_acceptance
from schemathesis.specs.openapi.schemas import OpenApiSchema
from starlette.applications import Starlette

from service.accounts import access
from service.store.repositories.people import get_operator
from service.store.repositories.rate_limits import LIMITS
from service.web.app import build_app
from tests.integration.pipeline.world import GO_TIME, START, World

EXAMPLES = 10
EXCLUDED = [positive_data_acceptance, negative_data_rejection]
"""A description can't say all: which years have an ephemeris, which zones exist, how long a span may be. And
parameters that nobody knows are passed over, as links carry such; unknown fields of a body are refused
(tests/integration/web/test_api.py)."""


@dataclass(frozen=True)
class Door:
    """The application and a key that opens its API."""

    app: Starlette
    headers: dict[str, str]


@pytest.fixture(scope="module")
def door(played_world: World) -> Iterator[Door]:
    """Without the limits on questions and wrong keys, which would answer in place of the API."""
    with played_world.duskbell.sessions.begin() as session:
        owner = get_operator(session, zone="UTC", now=START)
        key = access.make_api_key(session, owner.id, "schemathesis", START)
    app = build_app(played_world.duskbell, shown_at=GO_TIME)
    with pytest.MonkeyPatch.context() as patch:
        for act in ("judge", "token"):
            for part, limit in list(LIMITS[act].items()):
                patch.setitem(LIMITS[act], part, replace(limit, most=10**6))  # type: ignore[arg-type]
        yield Door(app, {"Authorization": f"Bearer {key}"})


OPERATIONS = (
    ("GET", "/sites"),
    ("GET", "/sites/{site_id}"),
    ("GET", "/sites/{site_id}/nights"),
    ("GET", "/sites/{site_id}/nights/{night}"),
    ("GET", "/sites/{site_id}/season"),
    ("GET", "/sites/{site_id}/record"),
    ("GET", "/record"),
    ("GET", "/compare"),
    ("POST", "/judge"),
)
MODES = {"as described": GenerationMode.POSITIVE, "against the description": GenerationMode.NEGATIVE}


@pytest.fixture(scope="module")
def described(door: Door) -> OpenApiSchema:
    return schemathesis.openapi.from_asgi("/api/v1/openapi.json", door.app)


def test_every_operation_is_asked(described: OpenApiSchema) -> None:
    found = [operation.ok() for operation in described.get_all_operations()]
    assert {(each.method.upper(), each.path) for each in found} == set(OPERATIONS)


@pytest.mark.parametrize("mode", MODES.values(), ids=MODES)
@pytest.mark.parametrize(("method", "path"), OPERATIONS)
def test_every_answer_is_as_described(
    method: str, path: str, mode: GenerationMode, described: OpenApiSchema, door: Door
) -> None:
    questions = described[path][method].as_strategy(generation_mode=mode)

    @settings(max_examples=EXAMPLES, deadline=None, derandomize=True, database=None)
    @given(questions)
    def ask(case: Case) -> None:
        case.call_and_validate(headers=door.headers, excluded_checks=EXCLUDED)

    try:
        ask()
    except Unsatisfiable:
        assert mode is GenerationMode.NEGATIVE, "whatever is described can be asked"
