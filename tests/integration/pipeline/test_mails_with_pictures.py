"""The mail that is really sent: pictures for the kit, a calendar that follows the night, and what fails."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest
from icalendar import Calendar
from sqlalchemy import select

from alerts.wishes.model import DEFAULT_WISHES, Distance, Temperature, UnitWishes, Wishes
from service.app import Duskbell
from service.delivery import enclosures
from service.store.json_values import from_json
from service.store.repositories import people, subscriptions
from service.store.repositories.messages import Status
from service.store.schema.core_tables import PersonRow, SiteRow, SubscriptionRow
from service.store.schema.delivery_tables import TroubleRow
from tests.integration.conftest import NewStore
from tests.integration.pipeline.world import GO_TIME, LATER, ON_THE_DAY, START, World, open_world

MAIL_LIMIT_BYTES = 200_000
PNG = b"\x89PNG\r\n\x1a\n"


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory, new_store: NewStore) -> Iterator[World]:
    """Heads-up, go and stand-down of one night, for somebody with a kit who reads miles."""
    folder = tmp_path_factory.mktemp("story")
    with open_world(folder, new_store(folder)) as world:
        change(world, kit="aps-c 16mm f/2.8", units=UnitWishes(Temperature.FAHRENHEIT, Distance.MILES))
        for now in (START, ON_THE_DAY, GO_TIME):
            world.cycle(now)
        world.weather.cloud_pct = 85.0
        world.cycle(LATER)
        yield world


@pytest.fixture
def world(tmp_path: Path, new_store: NewStore) -> Iterator[World]:
    with open_world(tmp_path, new_store(tmp_path)) as world:
        yield world


def change(world: World, *, kit: str, units: UnitWishes) -> None:
    with world.duskbell.sessions.begin() as session:
        for subscription in session.scalars(select(SubscriptionRow)):
            subscriptions.change_kit(session, subscription, kit)
            wishes = from_json(Wishes, subscription.wishes)
            subscriptions.change_wishes(session, subscription, replace(wishes, units=units))


def mails(world: World) -> dict[str, EmailMessage]:
    """By what the subject begins with."""
    kinds = {"Heads-up": "heads_up", "Go tonight": "go", "Stand down": "stand_down"}
    found = {}
    for _, mail in world.box.mails:
        subject = str(mail["Subject"]).removeprefix("[Invented] ")
        found[next(kind for words, kind in kinds.items() if subject.startswith(words))] = mail
    return found


def files_of(mail: EmailMessage, media_type: str) -> list[Any]:
    return [part for part in mail.walk() if part.get_content_type() == media_type]


def body(mail: EmailMessage, kind: str) -> str:
    part = mail.get_body((kind,))
    assert part is not None
    return str(part.get_content()).replace("\r\n", "\n")


def events_of(mail: EmailMessage) -> dict[str, Any]:
    """The window and the leaving of a mail's calendar, by the first word of their titles."""
    (file,) = files_of(mail, "text/calendar")
    assert file.get_content_charset() == "utf-8"
    events = Calendar.from_ical(file.get_payload(decode=True)).walk("VEVENT")
    return {str(event["SUMMARY"]).removeprefix("[Invented] ").split()[0]: event for event in events}


def test_a_go_shows_the_night_and_the_view_and_the_html_shows_each_of_them(story: World) -> None:
    go = mails(story)["go"]
    pictures = files_of(go, "image/png")
    assert [part.get_filename() for part in pictures][:2] == ["night-1.png", "view-1.png"]
    for part in pictures:
        assert part.get_payload(decode=True).startswith(PNG)
        cid = str(part["Content-ID"]).strip("<>")
        assert f'src="cid:{cid}"' in body(go, "html")
    assert len(go.as_bytes()) < MAIL_LIMIT_BYTES


@pytest.mark.parametrize("kind", ["heads_up", "go", "stand_down"])
def test_every_mail_keeps_to_the_mail_standards(kind: str, story: World) -> None:
    """RFC 5322: lines of at most 998 octets (2.1.1), one Date, From, Message-ID (3.6); ASCII on the wire."""
    mail = mails(story)[kind]
    path = next(path for path, each in story.box.mails if each is mail)
    raw = path.read_bytes()
    assert max(len(line) for line in raw.split(b"\r\n")) <= 998
    assert raw.isascii()
    assert all(len(mail.get_all(name, [])) == 1 for name in ("Date", "From", "To", "Subject", "Message-ID"))
    assert mail["List-Unsubscribe"].startswith("<http")
    assert not [defect for part in mail.walk() for defect in part.defects]
    assert body(mail, "plain").strip()


def test_a_heads_up_shows_the_night_alone_and_a_stand_down_nothing(story: World) -> None:
    shown = {kind: files_of(mail, "image/png") for kind, mail in mails(story).items()}
    assert [part.get_filename() for part in shown["heads_up"]] == ["night-1.png"]
    assert shown["stand_down"] == []


def test_the_words_are_for_the_kit_and_the_units_of_the_subscription(story: World) -> None:
    text = body(mails(story)["go"], "plain")
    assert "16 mm f/2.8 on aps-c sees" in text
    assert "No camera is named" not in text
    assert " miles" in text
    assert " km" not in text.replace("km²", "")
    assert "°C" not in text


def test_who_named_no_kit_gets_the_usual_one_and_is_told(world: World) -> None:
    world.cycle(ON_THE_DAY)
    world.cycle(GO_TIME)
    text = body(mails(world)["go"], "plain")
    assert "No camera is named: this reckons with a full-frame sensor of 24 megapixels." in text
    assert "No lens is named: this reckons with a 20 mm f/2.8." in text


def test_one_event_follows_the_night_from_tentative_to_cancelled(story: World) -> None:
    """RFC 5545: UID stays (3.8.4.7), SEQUENCE grows (3.8.7.4), STATUS says cancelled (3.8.1.11)."""
    calendars = [events_of(mails(story)[kind]) for kind in ("heads_up", "go", "stand_down")]
    windows = [events["Dark"] for events in calendars]
    assert len({str(event["UID"]) for event in windows}) == 1
    assert [int(event["SEQUENCE"]) for event in windows] == [1, 2, 3]
    assert [str(event["STATUS"]) for event in windows] == ["TENTATIVE", "CONFIRMED", "CANCELLED"]
    assert "Leave" not in calendars[0]
    leaving = [events["Leave"] for events in calendars[1:]]
    assert len({str(event["UID"]) for event in leaving}) == 1
    assert [str(event["STATUS"]) for event in leaving] == ["CONFIRMED", "CANCELLED"]


def test_the_person_can_manage_and_leave_from_the_mail(story: World) -> None:
    text = body(mails(story)["go"], "plain")
    assert "What you are told and when: http://127.0.0.1:8765/" in text
    assert "No more of these messages: http://127.0.0.1:8765/unsubscribe/" in text


def test_a_chat_has_no_files_and_the_same_facts(story: World) -> None:
    go = next(post for _, post in story.room.posts if post["type"] == "alert.go")
    alert = go["data"]["alerts"][0]
    assert go["data"]["units"] == "imperial"
    assert alert["field"]["kit"]["lens"] == "16 mm f/2.8"
    assert alert["sky"]["towns"]


def test_two_who_get_the_same_share_one_drawing(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    drawn = []
    real = enclosures.with_file
    monkeypatch.setattr(enclosures, "with_file", lambda picture: drawn.append(picture.name) or real(picture))
    with world.duskbell.sessions.begin() as session:
        owner = session.scalars(select(PersonRow)).one()
        site = session.scalars(select(SiteRow)).one()
        other = people.add_address(session, owner, "email", "b@example.org", secrets=[], now=START)
        subscriptions.subscribe(session, other, site, DEFAULT_WISHES, now=START)
    world.cycle(ON_THE_DAY)
    world.cycle(GO_TIME)
    assert sum("Go tonight" in subject for subject in world.subjects()) == 2
    assert drawn.count("view") == 1


def test_a_drawing_that_fails_is_left_out_and_the_operator_is_told(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(_picture: object) -> None:
        raise ValueError("no such font")

    monkeypatch.setattr(enclosures, "with_file", broken)
    world.cycle(ON_THE_DAY)
    world.cycle(GO_TIME)
    go = mails(world)["go"]
    assert files_of(go, "image/png") == []
    assert "The evening" in body(go, "plain")
    assert set(world.statuses()) == {Status.SENT}
    (said,) = {text for key, text in troubles(world).items() if key.startswith("composing")}
    assert said == "A message went out without its pictures (ValueError: no such font)."


def troubles(world: World) -> dict[str, str]:
    with world.duskbell.sessions() as session:
        return {row.key: row.text for row in session.scalars(select(TroubleRow))}


def with_templates(world: World, folder: Path) -> Duskbell:
    """The same installation, started with templates of its own."""
    settings = world.duskbell.settings.model_copy(update={"template_dir": folder})
    world.duskbell.engine.dispose()
    world.duskbell = Duskbell(settings, invented_weather=world.weather.gather)
    world.duskbell.clock = lambda: world.wall
    return world.duskbell


def test_an_operators_template_writes_the_mail(world: World, tmp_path: Path) -> None:
    (tmp_path / "go.line.txt.j2").write_text("Off to {{ alert.name }}.\n", encoding="utf-8")
    with_templates(world, tmp_path)
    world.cycle(ON_THE_DAY)
    world.cycle(GO_TIME)
    assert "\nOff to Windpump Flat.\n" in body(mails(world)["go"], "plain")
    assert troubles(world) == {}


@pytest.mark.parametrize("is_folder_there", [True, False], ids=["broken", "missing"])
def test_broken_templates_keep_no_message_back_and_the_operator_is_told(
    is_folder_there: bool, world: World, tmp_path: Path
) -> None:
    folder = tmp_path / "own"
    if is_folder_there:
        folder.mkdir()
        (folder / "go.line.txt.j2").write_text("{% if %}", encoding="utf-8")
    with_templates(world, folder)
    world.cycle(ON_THE_DAY)
    world.cycle(GO_TIME)
    assert "at least 30 clear minutes between" in body(mails(world)["go"], "plain")
    (said,) = troubles(world).values()
    assert said.startswith("Your message templates")
    assert "built-in" in said
