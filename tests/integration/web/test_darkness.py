"""How dark the sky is where the target stands: on a night's page and in the API, and to whom exactly."""

from __future__ import annotations

from starlette.testclient import TestClient

from alerts.common.phrases import kept
from alerts.judging.privacy import discreet, shared_site
from alerts.judging.rules import Reason, Result
from alerts.judging.verdict import Verdict, VerdictWord
from alerts.sky.brightness.light_domes import domes
from service.accounts import access
from service.demo.play import FLAT, SATURDAY
from service.store.repositories.sites import share_site
from service.store.schema.core_tables import PersonRow, SiteRow
from tests.integration.pipeline.world import GO_TIME, START, World
from tests.integration.web.browsing import browsing

NIGHT = f"/sites/1/nights/{SATURDAY}"
API_NIGHT = f"/api/v1{NIGHT}"


def test_the_page_of_a_night_tells_it_and_credits_the_towns(played: TestClient) -> None:
    page = played.get(NIGHT).text
    assert "mag/arcsec² at the core" in page
    assert "from as dark as it gets this low (an estimate)" in page
    assert "Town data © GeoNames, CC BY 4.0" in page


def test_the_api_has_it_among_the_reasons_of_a_stored_decision(played: TestClient) -> None:
    night = played.get(API_NIGHT).json()
    said = {reason["rule"]: reason for reason in night["reasons"]}
    assert night["reasons"][0]["rule"] != "darkness"
    assert said["darkness"]["result"] in ("pass", "warn")
    assert [dome["bearing_deg"] for dome in night["windows"][0]["domes"]] == _bearings(
        FLAT.lat_deg, FLAT.lon_deg
    )


def test_towns_do_not_lead_others_to_a_shared_place(world: World) -> None:
    world.cycle(GO_TIME)
    with world.duskbell.sessions.begin() as session:
        friend = PersonRow(name="", zone="UTC", is_operator=False, created_at=START)
        session.add(friend)
        session.flush()
        key = {"Authorization": f"Bearer {access.make_api_key(session, friend.id, 'f', START)}"}
        share_site(session, session.get_one(SiteRow, 1), is_shared=True, now=GO_TIME)
    with browsing(world, shown_at=GO_TIME) as browser:
        night = browser.get(API_NIGHT, headers=key).json()
    rounded = shared_site(FLAT)
    told = [dome["bearing_deg"] for dome in night["windows"][0]["domes"]]
    assert told == _bearings(rounded.lat_deg, rounded.lon_deg) != _bearings(FLAT.lat_deg, FLAT.lon_deg)


def _bearings(lat_deg: float, lon_deg: float) -> list[int]:
    return [round(dome.bearing_deg) for dome in domes(lat_deg, lon_deg)]


def test_how_one_gets_there_is_no_reason_for_others() -> None:
    reason = Reason("access", Result.PASS, kept("the site can be reached in July: past the white gate"))
    verdict = Verdict(VerdictWord.GO, (reason,), None, None)
    assert str(discreet(verdict).deciding.text) == "the site can be reached in July"
    assert discreet(discreet(verdict)) == discreet(verdict)
