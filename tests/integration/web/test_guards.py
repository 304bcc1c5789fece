"""What strangers and programs can't do: headers, origins, sizes, bombs, links, floods, awkward names."""

from __future__ import annotations

import io
import json
import re
import zipfile
from collections.abc import Iterator
from datetime import timedelta

import pytest
from starlette.testclient import TestClient

from service.store.repositories.rate_limits import LIMITS
from service.store.schema.core_tables import SiteRow
from service.web.app import build_app
from service.web.middleware import BODY_BYTES, UPLOAD_BYTES
from tests.integration.pipeline.world import GO_TIME, World
from tests.integration.web.acting import (
    deliver_mail,
    links_in_mail,
    new_person,
    share_site,
    stamped,
    subscriptions,
)
from tests.integration.web.browsing import HOST, browsing, owner_path
from tests.integration.web.formreading import fields_of_form
from tests.integration.web.test_api import bearer

FRIEND = "friend@example.org"
PATHS = ("/", "/sign-in", "/nothing", "/static/x/style.css", "/api/v1/sites", "/healthz", "/sites/1")


@pytest.mark.parametrize("path", PATHS)
def test_every_answer_carries_the_headers_that_bind_a_browser(path: str, stranger: TestClient) -> None:
    headers = stranger.get(path).headers
    policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == "'self'"
    assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"
    assert "strict-transport-security" not in headers


@pytest.mark.parametrize("path", ["/", "/sites/1", "/sites/new", "/sites/1/subscribe", "/me", "/operator"])
def test_no_page_has_script_or_style_of_its_own(path: str, owner: TestClient) -> None:
    page = owner.get(path).text
    assert not re.search(r"<script(?![^>]*\ssrc=)|<style|\son\w+=|\sstyle=|javascript:", page)


def test_hsts_is_sent_where_the_operator_says_that_https_works(world: World) -> None:
    world.duskbell.settings.web_hsts = True
    with browsing(world) as browser:
        assert browser.get("/").headers["strict-transport-security"] == "max-age=31536000"


FOREIGN = {
    "another site": {"Sec-Fetch-Site": "cross-site"},
    "a sibling host": {"Sec-Fetch-Site": "same-site"},
    "an old browser elsewhere": {"Sec-Fetch-Site": "", "Origin": "https://evil.example"},
    "an origin that only begins like ours": {"Sec-Fetch-Site": "", "Origin": f"{HOST}.evil.example"},
}


@pytest.mark.parametrize("headers", FOREIGN.values(), ids=FOREIGN)
def test_forms_from_elsewhere_do_nothing(headers: dict[str, str], world: World, owner: TestClient) -> None:
    answer = owner.post("/subscriptions/1/end", headers=headers)
    assert answer.status_code == 403
    assert "sent from another place" in answer.text
    assert len(subscriptions(world)) == 2


def test_a_form_that_names_no_origin_is_refused_and_an_old_browsers_own_is_not(owner: TestClient) -> None:
    del owner.headers["Sec-Fetch-Site"]
    assert owner.post("/me", data={"zone": "UTC"}).status_code == 403
    own = {"Origin": HOST}
    assert owner.post("/me", data={"zone": "UTC"}, headers=own, follow_redirects=False).status_code == 303


@pytest.mark.parametrize(
    ("path", "most"),
    [("/sign-in", BODY_BYTES), ("/api/v1/judge", BODY_BYTES), ("/sites/import", UPLOAD_BYTES)],
)
@pytest.mark.parametrize("is_said", [True, False], ids=["said beforehand", "not said"])
def test_row_65_a_body_too_large_is_refused(
    path: str, most: int, is_said: bool, world: World, owner: TestClient
) -> None:
    body = b"x" * (most + 1)
    headers = {"Content-Type": "application/x-www-form-urlencoded", **bearer(world)}
    answer = owner.post(path, content=body if is_said else iter([body]), headers=headers)
    assert answer.status_code == 413


def bomb_of_entities() -> bytes:
    lines = "".join(f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, 10))
    place = '<gpx><wpt lat="1" lon="1"><name>&a9;</name></wpt></gpx>'
    return f'<!DOCTYPE gpx [<!ENTITY a0 "ha">{lines}]>{place}'.encode()


def many_places() -> bytes:
    points = [{"type": "Point", "coordinates": [number / 1000, 40]} for number in range(5000)]
    features = [{"type": "Feature", "geometry": point, "properties": {}} for point in points]
    return json.dumps({"type": "FeatureCollection", "features": features}).encode()


def deep_json() -> bytes:
    return b'{"type":"FeatureCollection","features":' + b"[" * 50_000 + b"]" * 50_000 + b"}"


def archive() -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr("doc.kml", b"0" * 10_000_000)
    return packed.getvalue()


BOMBS = {
    "entities in entities": bomb_of_entities(),
    "an entity from elsewhere": b'<!DOCTYPE g [<!ENTITY x SYSTEM "file:///etc/passwd">]><gpx><wpt lat="1" '
    b'lon="1"><name>&x;</name></wpt></gpx>',
    "deep JSON": deep_json(),
    "a packed archive": archive(),
    "no text at all": bytes(range(256)),
    "places beyond number": many_places(),
    "coordinates that are none": b'{"type":"Point","coordinates":[1e999,"x"]}',
}


@pytest.mark.parametrize("content", BOMBS.values(), ids=BOMBS)
def test_row_65_a_file_that_is_a_bomb_is_refused_in_words(
    content: bytes, world: World, owner: TestClient
) -> None:
    answer = owner.post("/sites/import", files={"file": ("places.gpx", content)})
    assert answer.status_code == 400
    assert 'role="alert"' in answer.text
    assert "root:" not in answer.text
    with world.duskbell.sessions() as session:
        assert session.query(SiteRow).count() == 1


def test_row_65_too_many_fields_are_refused(owner: TestClient) -> None:
    assert owner.post("/me", data={f"f{k}": "1" for k in range(2001)}).status_code == 400


def test_row_63_a_link_to_sign_in_works_once_and_not_for_long(world: World, stranger: TestClient) -> None:
    first, second = owner_path(world.duskbell), owner_path(world.duskbell)
    assert stranger.get(first).status_code == 200
    assert stranger.post(first, follow_redirects=False).status_code == 303
    stranger.cookies.clear()
    used = stranger.post(first)
    assert (used.status_code, "leads nowhere" in used.text) == (404, True)
    world.wall += timedelta(minutes=16)
    assert stranger.get(second).status_code == 404
    assert stranger.post(second).status_code == 404


def test_row_63_whoever_asks_for_a_link_learns_nothing_about_the_address(
    world: World, stranger: TestClient
) -> None:
    known = stranger.post("/sign-in", data={"email": "you@example.org"})
    unknown = stranger.post("/sign-in", data={"email": "nobody@example.org"})
    assert known.text == unknown.text
    deliver_mail(world)
    assert len(links_in_mail(world, "sign-in")) == 1


def test_row_64_a_flood_of_sign_ups_sends_few_mails(world: World, stranger: TestClient) -> None:
    share_site(world)
    path = "/sites/2/subscribe"  # the site's copy for others
    form = fields_of_form(stranger.get(path).text, path)
    for number in range(40):
        fields = stamped(world, **{**form, "email": f"victim{number % 30}@example.org", "do": "save"})
        assert "Look into your mail" in stranger.post(path, data=fields).text
    deliver_mail(world)
    sent = [str(mail["To"]) for _, mail in world.box.mails]
    assert len(sent) == len(set(sent)) == LIMITS["confirm"]["network"].most


def test_signing_up_is_closed_unless_the_operator_opens_it(world: World, stranger: TestClient) -> None:
    assert stranger.get("/sign-up").status_code == 404
    assert stranger.post("/sign-up", data=stamped(world, email=FRIEND)).status_code == 404
    assert "/sign-up" not in stranger.get("/sign-in").text


@pytest.fixture
def open_house(world: World) -> Iterator[TestClient]:
    world.duskbell.settings.open_sign_up = True
    with browsing(world, shown_at=GO_TIME) as browser:
        yield browser


def test_who_signs_up_confirms_signs_in_and_adds_a_site(world: World, open_house: TestClient) -> None:
    assert "/sign-up" in open_house.get("/sign-in").text
    sent = open_house.post("/sign-up", data=stamped(world, email=FRIEND))
    assert "Look into your mail" in sent.text
    deliver_mail(world)
    open_house.post(links_in_mail(world, "confirm")[-1])
    open_house.post("/sign-in", data={"email": FRIEND})
    deliver_mail(world)
    assert open_house.post(links_in_mail(world, "sign-in")[-1]).status_code == 200
    form = {"name": "My Hill", "at": "41, -2", "months": ["7"], "do": "save"}
    assert "My Hill" in open_house.post("/sites/new", data=form).text
    assert open_house.get("/operator").status_code == 404


def test_signing_up_twice_looks_the_same_and_brings_a_link_to_sign_in(
    world: World, open_house: TestClient
) -> None:
    new_person(world, FRIEND)
    known = open_house.post("/sign-up", data=stamped(world, email=FRIEND))
    new = open_house.post("/sign-up", data=stamped(world, email="other@example.org"))
    assert known.text == new.text
    deliver_mail(world)
    assert len(links_in_mail(world, "sign-in")) == len(links_in_mail(world, "confirm")) == 1


def test_row_64_programs_that_sign_up_set_nothing_off(world: World, open_house: TestClient) -> None:
    for fields in ({"email": FRIEND}, {**stamped(world, email=FRIEND), "website": "x"}):
        assert "Look into your mail" in open_house.post("/sign-up", data=fields).text
    deliver_mail(world)
    assert world.box.mails == []


AWKWARD = {
    "row 58: a line break": ("Hill\r\nBcc: x@example.org", None),
    "row 59: markup": ("<img src=x onerror=alert(1)>", "&lt;img src=x onerror=alert(1)&gt;"),
    "row 60: a call to everyone": ("@everyone *x* [a](http://x)", "@everyone *x* [a](http://x)"),
    "row 61: a formula": ("=1+1", "=1+1"),
    "row 62: written right to left": ("Hill\u202egnp", None),
    "row 62: ten thousand letters": ("x" * 10_000, None),
    "row 62: nothing but spaces": (" \u2003 ", None),
}


@pytest.mark.parametrize(("name", "shown"), AWKWARD.values(), ids=AWKWARD)
def test_an_awkward_name_is_refused_or_only_text(name: str, shown: str | None, owner: TestClient) -> None:
    answer = owner.post("/sites/new", data={"name": name, "at": "41, -2", "months": ["7"], "do": "save"})
    if shown is None:
        assert (answer.status_code, 'id="name-fault"' in answer.text) == (400, True)
    else:
        assert answer.status_code == 200
        assert shown in answer.text
        assert "<img src=x" not in answer.text


def test_row_57_a_page_whose_template_is_broken_is_said_to_be_and_logged(
    world: World, caplog: pytest.LogCaptureFixture
) -> None:
    app = build_app(world.duskbell, shown_at=GO_TIME)
    web = app.state.web
    broken = web.pages.overlay()  # others have the same pages
    broken.loader = _Broken(web.pages.loader, "account/sign_in.html")
    object.__setattr__(web, "pages", broken)
    with TestClient(app, base_url=HOST, raise_server_exceptions=False) as browser:
        answer = browser.get("/sign-in")
        assert (answer.status_code, "it is in the log" in answer.text) == (500, True)
        assert "Traceback" not in answer.text
        assert browser.get("/").status_code == 200


class _Broken:
    """A loader with one template that can't be read."""

    def __init__(self, loader: object, name: str) -> None:
        self._loader, self._name = loader, name

    def load(self, environment: object, name: str, globals: object = None) -> object:
        if name == self._name:
            return environment.from_string("{{ nobody.knows }}")  # type: ignore[attr-defined]
        return self._loader.load(environment, name, globals)  # type: ignore[attr-defined]


def test_another_persons_browser_can_not_be_used_with_a_made_up_cookie(world: World) -> None:
    with browsing(world, shown_at=GO_TIME) as browser:
        browser.cookies.set("duskbell", "a" * 32)
        assert browser.get("/me", follow_redirects=False).status_code == 303


def test_the_cookie_is_out_of_reach_of_scripts_and_of_other_sites(world: World) -> None:
    with browsing(world) as browser:
        answer = browser.post(owner_path(world.duskbell), follow_redirects=False)
    cookie = next(each for each in answer.headers.get_list("set-cookie") if each.startswith("duskbell="))
    assert {"HttpOnly", "SameSite=lax", "Path=/"} <= set(cookie.split("; "))


def test_behind_https_the_cookie_travels_by_https_alone(world: World) -> None:
    world.duskbell.settings.public_url = "https://duskbell.example.org"
    with browsing(world) as browser:
        answer = browser.post(owner_path(world.duskbell), follow_redirects=False)
    cookies = answer.headers.get_list("set-cookie")
    assert any(each.startswith("__Host-duskbell=") and "Secure" in each for each in cookies)
