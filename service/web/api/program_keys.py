"""Who asks the API: the owner of a key, or a signed-in browser that only looks."""

from __future__ import annotations

import logging
from dataclasses import replace
from typing import Annotated

from fastapi import Depends, HTTPException, Request
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer

from alerts.common.phrases import say
from service.accounts import access
from service.store.repositories import rate_limits, tokens
from service.store.repositories.tokens import Purpose, Scope
from service.store.schema.core_tables import PersonRow
from service.web.shared.context import Here, Web
from service.web.shared.viewer import Viewer, find_viewer, network_of_request, viewer_of

BEARER = HTTPBearer(auto_error=False, bearerFormat="dbk_…", description=say("web-api.about-key"))
WWW = {"WWW-Authenticate": "Bearer"}


log = logging.getLogger(__name__)


def _need_key(web: Web, request: Request, given: HTTPAuthorizationCredentials | None, scope: Scope) -> Viewer:
    """The owner of the key; 401 without one that works, 403 for one that may not do this, 429 for who
    tries too many."""
    if given is None:
        raise HTTPException(401, say("web-api.key-needed"), headers=WWW)
    with web.reading() as session:
        row = access.check_api_key(session, given.credentials, web.duskbell.clock())
        person = session.get(PersonRow, row.person_id) if row is not None else None
    if row is None or person is None:
        raise _wrong_key(web, request, given.credentials)
    if not tokens.may(row, scope):
        log.info("key %s was refused: it may not %s", row.id, scope.value)
        raise HTTPException(403, say("web-api.key-may-not", scope=scope))
    return replace(viewer_of(web, person), key_id=row.id)


def need_judging_key(
    web: Here, request: Request, given: Annotated[HTTPAuthorizationCredentials | None, Depends(BEARER)]
) -> Viewer:
    """The owner of a key that may judge."""
    return _need_key(web, request, given, Scope.JUDGE)


def _wrong_key(web: Web, request: Request, key: str) -> HTTPException:
    with web.reading() as session:
        over = tokens.find_expired(session, Purpose.API_KEY, key, web.duskbell.clock())
    if over is not None:
        return HTTPException(401, say("web-api.key-ended", day=over.expires_at), headers=WWW)
    network = network_of_request(web, request)
    with web.writing.begin() as session:
        allowed = rate_limits.allow(
            session, web.duskbell.keys, "token", web.duskbell.clock(), network=network
        )
    if not allowed:
        return HTTPException(429, say("web-api.too-many-wrong-keys"), headers={"Retry-After": "60"})
    return HTTPException(401, say("web-api.key-wrong"), headers=WWW)


def need_reader(
    web: Here, request: Request, given: Annotated[HTTPAuthorizationCredentials | None, Depends(BEARER)]
) -> Viewer:
    """The owner of the key, or whoever is signed in; 401 for others."""
    if given is not None:
        return _need_key(web, request, given, Scope.READ)
    viewer = find_viewer(web, request)
    if viewer is None:
        raise HTTPException(401, say("web-api.key-needed"), headers=WWW)
    return viewer


Reader = Annotated[Viewer, Depends(need_reader)]
Keyed = Annotated[Viewer, Depends(need_judging_key)]
