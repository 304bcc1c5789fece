"""The record on pages, as a picture, a table and JSON: who sees it, and what it says."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from xml.etree import ElementTree

import pytest
from sqlalchemy import select
from starlette.testclient import TestClient

from alerts.common.phrases import say
from alerts.track.calibration.model import Lead
from service.app import Duskbell
from service.demo.play import FLAT
from service.settings import Settings
from service.store.migrate import require_current
from service.store.repositories import record_rows
from service.store.repositories.sites import share_site
from service.store.schema.core_tables import SiteRow
from tests.integration.conftest import NewStore
from tests.integration.hindsight.remembered import Remembered, remember, watch
from tests.integration.pipeline.world import START, World
from tests.integration.web.browsing import browsing, owner_browsing
from tests.integration.web.test_api import API, bearer
from tests.unit.alerts.track.files import FOURTEEN_CAME, FOURTEEN_GOES

FIRST = datetime(2026, 4, 1, 22, tzinfo=UTC)
TOLD = "Told go 14 times, clear 11; silent on 3 clear nights of 22."


@dataclass(frozen=True)
class Remembering:
    """An installation of which only the record matters. site_id: of the site with the long one."""

    duskbell: Duskbell
    wall: datetime
    site_id: int


@pytest.fixture(scope="module")
def remembering(tmp_path_factory: pytest.TempPathFactory, new_store: NewStore) -> Iterator[Remembering]:
    """A site of which 36 settled windows are remembered, and one that nobody could settle."""
    windows = [
        Remembered(
            FIRST + timedelta(days=3 * i),
            {Lead.EVENING: round(100 * said), Lead.DAY_2: 60},
            bool(clear),
            lineages={"icon": said, "gfs": 1 - said},
        )
        for i, (said, clear) in enumerate(zip(FOURTEEN_GOES, FOURTEEN_CAME, strict=True))
    ]
    folder = tmp_path_factory.mktemp("record")
    chosen = Settings(data_dir=folder, database_url=new_store(folder), contact="test@example.org")
    duskbell = Duskbell(chosen)
    require_current(duskbell.engine)
    with duskbell.sessions.begin() as session:
        watch(session, FLAT, START)
        hill = watch(session, replace(FLAT, name="=Record Hill", lat_deg=41.0), START)
        remember(session, hill, [*windows, Remembered(FIRST - timedelta(days=9), {Lead.EVENING: 80}, None)])
        while record_rows.write_due(session):
            continue
    yield Remembering(duskbell, datetime.now(UTC), hill.site_id)
    duskbell.engine.dispose()


@pytest.fixture(scope="module")
def owner(remembering: Remembering) -> Iterator[TestClient]:
    with owner_browsing(remembering) as browser:
        yield browser


def test_a_fresh_install_says_that_it_has_no_record_yet(world: World) -> None:
    with owner_browsing(world) as browser:
        for path in ("/record", "/sites/1/record"):
            answer = browser.get(path)
            assert answer.status_code == 200
            assert say("track.no-record") in answer.text
        assert browser.get("/sites/1/record/evening.svg").status_code == 404
        assert browser.get("/sites/1/record.csv").text.count("\n") == 1


def test_the_first_words_answer_the_question(owner: TestClient, remembering: Remembering) -> None:
    page = owner.get(f"/sites/{remembering.site_id}/record").text
    assert TOLD in page
    assert page.index("How often was it right?") < page.index(TOLD) < page.index("<picture>")
    assert "36 nights" in page
    assert "Brier" in page
    assert "1 night nobody could settle" in page
    assert "the best single model, ICON" in page
    assert "nobody could settle what came (as remembered)" in page


def test_each_model_and_another_limit_are_told(owner: TestClient, remembering: Remembering) -> None:
    page = owner.get(f"/sites/{remembering.site_id}/record").text
    assert "GFS alone: likelier clear than not 22 times, clear 3" in page
    assert "70 %, as set" in page
    assert "At 40 % you&#39;d have gone just as often." in page


def test_each_lead_has_its_page_and_picture(owner: TestClient, remembering: Remembering) -> None:
    base = f"/sites/{remembering.site_id}/record"
    page = owner.get(f"{base}?lead=2_days").text
    assert "Never leaned to go" in page
    assert 'aria-current="page">2 days' in page
    for lead in ("evening", "2_days"):
        for query in ("", "?look=dark&width=wide", "?look=print"):
            answer = owner.get(f"{base}/{lead}.svg{query}")
            assert answer.headers["content-type"] == "image/svg+xml"
            ElementTree.fromstring(answer.text)
    assert owner.get(f"{base}/morning.svg").status_code == 404
    assert owner.get(f"{base}?lead=never").status_code == 400


def test_the_picture_is_told_in_words(owner: TestClient, remembering: Remembering) -> None:
    page = owner.get(f"/sites/{remembering.site_id}/record").text
    assert 'alt="What was said in the evening and what came, =Record Hill.' in page
    assert "Said about 90 %: 11 of 14 came clear" in page


def test_over_all_names_each_site_that_the_viewer_sees(owner: TestClient, remembering: Remembering) -> None:
    page = owner.get("/record").text
    assert f'<a href="/sites/{remembering.site_id}/record">=Record Hill</a>: {TOLD}' in page
    assert '<a href="/sites/1/record">Windpump Flat</a>' in page


def test_the_table_is_safe_in_a_spreadsheet(owner: TestClient, remembering: Remembering) -> None:
    answer = owner.get(f"/sites/{remembering.site_id}/record.csv")
    assert answer.headers["content-type"].startswith("text/csv")
    assert "attachment" in answer.headers["content-disposition"]
    rows = list(csv.DictReader(answer.text.splitlines()))
    assert len(rows) == 37
    assert {row["site"] for row in rows} == {"'=Record Hill"}
    assert (rows[0]["outcome"], rows[0]["judge"]) == ("unsure", "nobody")
    assert (rows[1]["told_go"], rows[1]["chance_evening_pct"], rows[1]["outcome"]) == ("yes", "90", "clear")
    assert len(list(csv.DictReader(owner.get("/record.csv").text.splitlines()))) >= 37


def test_strangers_see_the_record_of_shared_sites_alone(remembering: Remembering) -> None:
    paths = [f"/sites/{remembering.site_id}/record{rest}" for rest in ("", "/evening.svg", ".csv")]
    with browsing(remembering) as stranger:
        assert [stranger.get(path).status_code for path in paths] == [404, 404, 404]
        for path in ("/record", "/record.csv", "/record/evening.svg"):
            assert stranger.get(path, follow_redirects=False).status_code == 303
        _share(remembering, is_shared=True)
        assert [stranger.get(path).status_code for path in paths] == [200, 404, 200]
        assert (
            say("track.no-record") in stranger.get(paths[0]).text
        )  # what came at the place itself would lead there
        _share(remembering, is_shared=False)


def _share(remembering: Remembering, *, is_shared: bool) -> None:
    with remembering.duskbell.sessions.begin() as session:
        row = session.scalars(select(SiteRow).where(SiteRow.id == remembering.site_id)).one()
        share_site(session, row, is_shared=is_shared, now=START)


def test_the_json_is_the_object_of_the_command(owner: TestClient, remembering: Remembering) -> None:
    key = bearer(remembering, "record")
    found = owner.get(f"{API}/sites/{remembering.site_id}/record", headers=key).json()
    assert (found["schema"], found["site"], found["unsure"]) == ("duskbell.record/1", "=Record Hill", 1)
    evening = found["leads"]["evening"]
    assert evening["calls"] == {
        "told_go": 14, "go_clear": 11, "silent": 22, "silent_clear": 3, "barred_clear": 0,
    }  # fmt: skip
    assert [model["lineage"] for model in evening["models"]] == ["gfs", "icon"]
    assert evening["scores"]["best_model"]["lineage"] == "icon"
    assert [row["limit_pct"] for row in found["ledgers"][0]["rows"]] == [40, 50, 60, 70, 80, 90]
    overall = owner.get(f"{API}/record", headers=key)
    assert overall.json()["site"] is None
    again = owner.get(f"{API}/record", headers={**key, "If-None-Match": overall.headers["etag"]})
    assert again.status_code == 304


def test_the_json_needs_a_key_and_a_site_that_one_sees(remembering: Remembering) -> None:
    with browsing(remembering) as stranger:
        for path in ("/record", f"/sites/{remembering.site_id}/record"):
            answer = stranger.get(API + path)
            assert answer.status_code == 401
            assert answer.headers["content-type"] == "application/problem+json"
        key = bearer(remembering, "other")
        assert stranger.get(f"{API}/sites/999/record", headers=key).status_code == 404


def test_the_page_is_kept_until_the_record_changes(owner: TestClient, remembering: Remembering) -> None:
    before = owner.get("/record").text
    assert owner.get("/record").text == before
    with remembering.duskbell.sessions.begin() as session:
        other = watch(session, replace(FLAT, name="Later", lat_deg=41.4), START)
        remember(session, other, [Remembered(FIRST, {Lead.EVENING: 90}, True)])
        record_rows.write_due(session)
    assert owner.get("/record").text != before
    assert "Told go once, clear 1" in owner.get(f"/sites/{other.site_id}/record").text
