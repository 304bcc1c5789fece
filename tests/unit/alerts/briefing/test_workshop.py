"""What travels with a mail: whose pictures, drawn how often, and what happens when drawing fails."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from icalendar import Calendar
from pydantic import TypeAdapter

from alerts.briefing.facts import AlertFacts, Briefing
from alerts.briefing.render import PngPicture
from alerts.common.units import Units
from alerts.field.kit import parse_kit
from alerts.notifying.model import AlertKind
from alerts.sky.night import Night
from service.delivery import enclosures
from service.delivery.claim import AlertToSend
from service.delivery.enclosures import EnclosureBuilder
from service.store.column_types import pack_json
from service.store.repositories.alerts import Scene
from tests.unit.alerts.briefing.sample_nights import case, ephemeris, facts_of

NIGHT = TypeAdapter(Night)
GO = facts_of("july", AlertKind.GO)
AWAY = replace(facts_of("spring-arch", AlertKind.GO), site_name="Other Hill")


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The names of the pictures that were really made, in order."""
    names: list[str] = []
    real = enclosures.with_file

    def counting(picture: object) -> PngPicture:
        names.append(picture.name)  # type: ignore[attr-defined]
        return real(picture)  # type: ignore[arg-type]

    monkeypatch.setattr(enclosures, "with_file", counting)
    return names


def scene_of(name: str) -> Scene:
    found = case(name)
    return Scene(len(name), found.sample.site, pack_json(NIGHT.dump_json(found.night)).data)


def told(name: str = "july", sequence: int = 0, *, with_scene: bool = True) -> AlertToSend:
    scene = scene_of(name) if with_scene else None
    return AlertToSend("go", case(name).night.name, {}, sequence, f"key-{name}", scene)


def briefing(*alerts: AlertFacts, units: Units = Units.METRIC) -> Briefing:
    return Briefing(message_id="msg_0123456789abcdefghjkmnpqrs", alerts=alerts, units=units)


def names(workshop: EnclosureBuilder, message: Briefing, *of: AlertToSend) -> dict[int, list[str]]:
    pictures, _, problems = workshop.enclose(message, of, GO.decided_at)
    assert problems == []
    return {index: [each.picture.name for each in files] for index, files in pictures.items()}


def test_the_best_site_alone_has_pictures() -> None:
    workshop = EnclosureBuilder(ephemeris)
    shown = names(workshop, briefing(AWAY, GO), told("spring-arch"), told())
    assert shown == {0: ["night", "view", "panorama"]}


def test_a_stand_down_that_is_shown_first_leaves_the_pictures_to_the_next() -> None:
    down = facts_of("spring-arch", AlertKind.STAND_DOWN)
    assert names(EnclosureBuilder(ephemeris), briefing(GO, down), told(), told("spring-arch")) == {
        0: ["night", "view"]
    }
    assert names(EnclosureBuilder(ephemeris), briefing(down), told("spring-arch")) == {}


def test_a_heads_up_has_the_night_alone() -> None:
    ahead = facts_of("july", AlertKind.HEADS_UP)
    assert names(EnclosureBuilder(ephemeris), briefing(ahead), told()) == {0: ["night"]}


def test_two_readers_of_the_same_night_share_a_drawing_though_they_drive_from_elsewhere(
    drawn: list[str],
) -> None:
    assert GO.field is not None
    workshop = EnclosureBuilder(ephemeris)
    nearer = replace(GO, field=replace(GO.field, arrive=GO.field.arrive + timedelta(minutes=30)))
    for facts in (GO, nearer, GO):
        names(workshop, briefing(facts), told())
    assert drawn == ["night", "view"]


def test_another_kit_and_other_units_are_drawn_anew(drawn: list[str]) -> None:
    assert GO.field is not None
    workshop = EnclosureBuilder(ephemeris)
    other = replace(GO, field=replace(GO.field, kit=parse_kit("aps-c 16mm f/2.8")))
    names(workshop, briefing(GO), told())
    names(workshop, briefing(other), told())
    names(workshop, briefing(GO, units=Units.IMPERIAL), told())
    assert drawn == ["night", "view"] * 3


def test_the_shelf_of_drawings_has_an_end(drawn: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(enclosures, "MOST_KEPT", 1)
    workshop = EnclosureBuilder(ephemeris)
    for facts, name in ((GO, "july"), (AWAY, "spring-arch"), (GO, "july")):
        names(workshop, briefing(facts), told(name))
    assert drawn == ["night", "view", "night", "view", "panorama", "night", "view"]


def test_without_an_ephemeris_or_a_scene_there_are_no_pictures_and_no_problem() -> None:
    assert names(EnclosureBuilder(), briefing(GO), told()) == {0: []}
    assert names(EnclosureBuilder(ephemeris), briefing(GO), told(with_scene=False)) == {}


def test_a_night_that_another_version_wrote_is_left_out_and_said() -> None:
    strange = replace(told(), scene=replace(scene_of("july"), packed=pack_json(b'{"name": 7}').data))
    builder = EnclosureBuilder(ephemeris)
    pictures, calendar, (problem,) = builder.enclose(briefing(GO), [strange], GO.decided_at)
    assert pictures == {}
    assert calendar
    assert str(problem).startswith("A message went out without its pictures (ValidationError")


def test_the_calendar_counts_on_from_what_came_before() -> None:
    _, calendar, _ = EnclosureBuilder().enclose(
        briefing(GO, AWAY), [told(), told("spring-arch", 3)], GO.decided_at
    )
    events = Calendar.from_ical(calendar).walk("VEVENT")
    assert [(str(event["LOCATION"]), int(event["SEQUENCE"])) for event in events] == [
        ("Windpump Flat", 0), ("Windpump Flat", 0), ("Other Hill", 3), ("Other Hill", 3),
    ]  # fmt: skip
    assert len({str(event["UID"]) for event in events}) == 4
