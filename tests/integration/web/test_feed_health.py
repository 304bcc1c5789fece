"""How the feeds fare, as the operator's page, `feeds` and the doctor tell it."""

from __future__ import annotations

from datetime import timedelta

from starlette.testclient import TestClient

from service.common.backoff import Breaker, BreakerState
from service.feeds import feed_state
from service.feeds.feed_health import feed_health
from service.feeds.shared.guards import FREE_OPEN_METEO
from tests.integration.pipeline.world import GO_TIME, World


def test_the_page_tells_who_refuses_us_and_who_is_left_alone_until_when(
    world: World, owner: TestClient
) -> None:
    now = world.duskbell.clock()
    with world.duskbell.sessions.begin() as session:
        shut = Breaker(BreakerState.SHUT, 1, GO_TIME, None, "api.met.no refuses the request (403).")
        resting = Breaker(
            BreakerState.OPEN, 3, now, now + timedelta(minutes=5), "api.weather.gov did not answer."
        )
        feed_state.write_breaker(session, "metno", shut)
        feed_state.write_breaker(session, "nws", resting)
    page = owner.get("/operator").text
    assert "Refuses us since 2027-07-03 17:07 UTC: api.met.no refuses the request (403)." in page
    assert "Left alone until" in page
    owner.post("/operator/feeds/metno/ask-again")
    assert "Refuses us" not in owner.get("/operator").text


def test_what_is_used_of_an_allowance_is_told_by_hour_and_day(world: World) -> None:
    settings = world.duskbell.settings.model_copy(update={"open_meteo_noncommercial": True})
    with world.duskbell.sessions.begin() as session:
        assert feed_state.spend(session, "open-meteo", FREE_OPEN_METEO, 312.5, GO_TIME) is None
        found = {each.feed: each for each in feed_health(settings, session, GO_TIME)}
        later = {each.feed: each for each in feed_health(settings, session, GO_TIME + timedelta(hours=1))}
    assert found["open-meteo"].text == "on; 312 of 5,000 used this hour; 312 of 10,000 used this day"
    assert later["open-meteo"].text == "on; 312 of 10,000 used this day"
    assert found["open-meteo-ensemble"].text == "on"
