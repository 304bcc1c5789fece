"""What each kind of alert says: subject, first line, key facts, cautions, credits."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from html.parser import HTMLParser
from zoneinfo import ZoneInfo

import pytest

from alerts.briefing.facts import AlertFacts, Attribution, Briefing
from alerts.briefing.render import render_mail
from alerts.briefing.text.alert_lines import CAUTIONS
from alerts.common.span import Span
from alerts.judging.verdict import VerdictWord
from alerts.notifying.model import AlertKind
from alerts.sky.night import TrackPoint
from tests.unit.alerts.briefing.briefing_samples import (
    CHANGED,
    GO,
    HEADS_UP,
    KINDS,
    STAND_DOWN,
    briefing,
    chat_text,
    july,
)


class Page(HTMLParser):
    """The words and tags of a page, as a reader's eye and a link checker meet them."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self._hidden = False
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._hidden = tag in ("style", "title") or (self._hidden and tag != "body")

    def handle_data(self, data: str) -> None:
        if not self._hidden and data.strip():
            self.words.append(" ".join(data.split()))


LINE = (
    "81 %: at least two clear hours between 23:20 and 01:50, most likely 23:40 to 01:50, core in the south, "
    "no Moon. Three of four models agree."
)


@pytest.mark.parametrize(
    ("facts", "subject", "first_line"),
    [
        (GO, "Go tonight: Windpump Flat, leave by 19:40", LINE),
        (
            HEADS_UP,
            "Heads-up: Windpump Flat, Saturday 18 July, 64 %",
            LINE.replace("81 %", "64 % so far")
            + " It hangs on the cloud bank after 23:00; we decide on Saturday 18 July at 15:00.",
        ),
        (
            CHANGED,
            "Still go, changed: Windpump Flat, leave by 19:40",
            "The sky clears later than we said. " + LINE.replace("81 %", "76 % now"),
        ),
        (
            STAND_DOWN,
            "Stand down: Windpump Flat, now 34 % (at noon 81 %)",
            "Stand down: Windpump Flat. Cloud now likely from the south-west after 23:00 "
            "(34 %, at noon 81 %).",
        ),
    ],
    ids=["go", "heads_up", "changed", "stand_down"],
)
def test_subject_and_first_line_tell_the_story(facts: AlertFacts, subject: str, first_line: str) -> None:
    mail = render_mail(briefing(facts))
    assert mail.subject == subject
    assert mail.text.splitlines()[0] == first_line
    assert first_line in Page(mail.html).words
    assert chat_text(briefing(facts)).splitlines()[:2] == [subject, first_line]


GO_LINES = """\
Windpump Flat, night of Saturday 18 July. Times are CEST (UTC+2, Europe/Madrid).
Leave by    Sat 18 July, 19:40 CEST
Window      Sat 18 July, 23:20 to Sun 19 July, 01:50 CEST (2 h 30 min)
Clearest    Sat 18 July, 23:40 to Sun 19 July, 01:50 CEST
Core        23:20 south-south-east, 20° high; 00:35 south, 19° high; 01:50 south-west, 10° high
Milky Way   Arch 34° high until 00:30, then leaning band
Moon        No Moon
Dark        Sat 18 July, 23:10 to Sun 19 July, 05:00 CEST
Sun         Sets Sat 18 July, 21:40 CEST; rises Sun 19 July, 06:50 CEST
Home about  Sun 19 July, 03:20 CEST
- The chance is 81 %, you asked for 70 %.
- Core reaches 20°, you asked for 10°.
- Dew likely on the lens after 01:00.
Decided Sat 18 July, 17:00 CEST. Newest forecast: Sat 18 July, 14:00 CEST (3 h old).
- Data from MET Norway (CC BY 4.0) https://api.met.no/
- Weather data by Open-Meteo.com https://open-meteo.com/
What you are told and when: https://duskbell.example.org/m/abc
No more of these messages: https://duskbell.example.org/u/abc
""".splitlines()


def test_text_of_a_go_says_every_fact_in_this_order() -> None:
    said = [line for line in render_mail(briefing(GO)).text.splitlines() if line in GO_LINES]
    assert said == GO_LINES


def test_html_of_a_go_says_the_same_as_its_text() -> None:
    words = " ".join(Page(render_mail(briefing(GO)).html).words)
    for line in GO_LINES[1:-4]:
        for part in line.removeprefix("- ").split("  "):
            assert part.strip() in words, part


def test_a_change_says_what_was_said_before() -> None:
    text = render_mail(briefing(CHANGED)).text
    assert "Leave by    Sat 18 July, 19:40 CEST (was 19:10)" in text
    assert "(2 h 30 min; was Sat 18 July, 22:50 to Sun 19 July, 01:50 CEST)" in text


def test_a_stand_down_turns_people_round_and_says_nothing_of_leaving() -> None:
    for said in (render_mail(briefing(STAND_DOWN)).text, chat_text(briefing(STAND_DOWN))):
        assert "If you are on the way, turn round where it is safe." in said
        assert "Leave by" not in said
        assert "Home about" not in said


@pytest.mark.parametrize(
    ("changes", "subject", "first_line"),
    [
        ({"cause": "storm warning"}, "Stand down: Windpump Flat. Storm warning",
         "Stand down: Windpump Flat. Storm warning (34 %, at noon 81 %)."),
        ({"cause": "", "chance_pct": 78}, "Stand down: Windpump Flat, don't go tonight",
         "Stand down: Windpump Flat. It no longer holds tonight (78 %, at noon 81 %)."),
        ({"cause": "no forecast reached us since 14:10", "chance_pct": None},
         "Stand down: Windpump Flat, don't go tonight",
         "Stand down: Windpump Flat. No forecast reached us since 14:10 (at noon 81 %)."),
        ({"told_at": july(17, 18)}, "Stand down: Windpump Flat, now 34 % (on Friday 81 %)",
         "Stand down: Windpump Flat. Cloud now likely from the south-west after 23:00 "
         "(34 %, on Friday 81 %)."),
        ({"told_chance_pct": None, "told_at": None}, "Stand down: Windpump Flat, don't go tonight",
         "Stand down: Windpump Flat. Cloud now likely from the south-west after 23:00 (34 %)."),
    ],
    ids=["another cause", "not for the chance", "no forecast", "told another day", "never told a chance"],
)  # fmt: skip
def test_a_stand_down_says_why_in_its_own_words(
    changes: dict[str, object], subject: str, first_line: str
) -> None:
    mail = render_mail(briefing(replace(STAND_DOWN, **changes)))  # type: ignore[arg-type]
    assert (mail.subject, mail.text.splitlines()[0]) == (subject, first_line)


@pytest.mark.parametrize(
    ("facts", "warned"),
    [
        (GO, True),
        (CHANGED, True),
        (replace(CHANGED, verdict=VerdictWord.WAIT), False),
        (HEADS_UP, False),
        (STAND_DOWN, False),
    ],
    ids=["go", "changed, still go", "changed, now wait", "heads_up", "stand_down"],
)
def test_whoever_is_sent_out_is_warned(facts: AlertFacts, warned: bool) -> None:
    mail = render_mail(briefing(facts))
    words = Page(mail.html).words
    for caution in map(str, CAUTIONS):
        assert (f"- {caution}" in mail.text.splitlines()) is warned
        assert (caution in words) is warned
    assert ("Official warnings and local rules come first" in chat_text(briefing(facts))) is warned


def test_cautions_name_every_danger_and_who_has_the_last_word() -> None:
    said = " ".join(map(str, CAUTIONS)).lower()
    for word in (
        "driving",
        "tired",
        "colder",
        "weather can turn",
        "dark",
        "tell someone",
        "official",
        "rescue",
    ):
        assert word in said


@pytest.mark.parametrize("facts", KINDS.values(), ids=KINDS)
def test_every_message_credits_its_feeds_and_tells_the_forecasts_age(facts: AlertFacts) -> None:
    mail = render_mail(briefing(facts))
    for said in (mail.text, mail.html, chat_text(briefing(facts))):
        assert "Data from MET Norway (CC BY 4.0)" in said
        assert "Weather data by Open-Meteo.com" in said
        assert " h old)" in said


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"forecast_issued_at": None}, "Decided Sat 18 July, 17:00 CEST. The feeds named no issue time."),
        (
            {"forecast_issued_at": None, "attributions": ()},
            "Decided Sat 18 July, 17:00 CEST. No forecast was used.",
        ),
    ],
    ids=["no issue time", "the sky alone"],
)
def test_unknown_age_is_said(changes: dict[str, object], said: str) -> None:
    assert said in render_mail(briefing(replace(GO, **changes))).text  # type: ignore[arg-type]


@pytest.mark.parametrize("facts", KINDS.values(), ids=KINDS)
def test_an_invented_alert_is_marked_everywhere(facts: AlertFacts) -> None:
    message = briefing(replace(facts, invented=True))
    mail = render_mail(message)
    assert mail.subject.startswith("[Invented] ")
    assert len(mail.subject) <= 60
    assert mail.text.startswith("INVENTED.")
    assert Page(mail.html).words[0].startswith("Invented.")
    assert chat_text(message).startswith("[Invented] ")


@pytest.mark.parametrize("facts", KINDS.values(), ids=KINDS)
def test_chat_fits_into_ten_lines_and_holds_nobodys_own_links(facts: AlertFacts) -> None:
    chat = chat_text(briefing(facts, replace(facts, site_name="Tarn Edge")))
    assert len(chat.splitlines()) <= 10
    assert max(map(len, chat.splitlines())) <= 300
    assert "duskbell.example.org" not in chat
    assert "Tarn Edge" in chat


@pytest.mark.parametrize("facts", KINDS.values(), ids=KINDS)
def test_html_needs_nothing_from_outside(facts: AlertFacts) -> None:
    html = render_mail(briefing(facts)).html
    page = Page(html)
    assert {tag for tag, _ in page.tags}.isdisjoint({"img", "link", "script", "iframe", "object", "form"})
    assert all("src" not in attributes for _, attributes in page.tags)
    assert "url(" not in html
    assert "@import" not in html


def test_html_brings_its_styles_inline_and_for_dark_screens() -> None:
    html = render_mail(briefing(GO)).html
    row = next(a for tag, a in Page(html).tags if tag == "td" and a.get("class") == "lamp")
    assert "color: #8a4a00" in str(row["style"])
    assert "prefers-color-scheme: dark" in html
    assert "#f0b34e" in html


def test_links_are_left_out_where_there_are_none() -> None:
    mail = render_mail(briefing(GO, links=False))
    assert "No more of these" not in mail.text + mail.html


def test_best_site_comes_first_and_the_others_below() -> None:
    tarn = replace(GO, site_name="Tarn Edge", chance_pct=74, leave_by=july(18, 18, 5))
    mail = render_mail(briefing(GO, tarn, replace(GO, site_name="Old Quarry", chance_pct=70)))
    assert mail.subject == "Go tonight: Windpump Flat, leave by 19:40 (+2 more)"
    headings = [line for line in mail.text.splitlines() if line[:3] in ("1. ", "2. ", "3. ")]
    assert headings == ["1. Go: Windpump Flat", "2. Go: Tarn Edge", "3. Go: Old Quarry"]
    assert mail.text.count("Before you go") == mail.text.count("Data from MET Norway") == 1
    also = "Also: Go Tarn Edge 74 %, leave by 20:05; Go Old Quarry 70 %, leave by 19:40."
    assert also in chat_text(briefing(GO, tarn, replace(GO, site_name="Old Quarry", chance_pct=70)))


def test_who_is_called_back_reads_that_first_and_where_to_go_instead() -> None:
    mail = render_mail(briefing(replace(GO, site_name="Tarn Edge"), STAND_DOWN))
    assert mail.subject == "Stand down: Windpump Flat. Go: Tarn Edge, leave by 19:40"
    assert mail.text.index("Stand down: Windpump Flat") < mail.text.index("2. Go: Tarn Edge")


LONG = "The far end of the old salt works behind the second dyke, north side, near the sluice"


@pytest.mark.parametrize("facts", KINDS.values(), ids=KINDS)
@pytest.mark.parametrize("invented", [False, True], ids=["real", "invented"])
def test_a_long_name_is_shortened_so_that_the_subject_keeps_to_60(facts: AlertFacts, invented: bool) -> None:
    subject = render_mail(briefing(replace(facts, site_name=LONG, invented=invented))).subject
    assert len(subject) <= 60
    assert "The far end" in subject


def test_a_window_after_midnight_says_the_mornings_day() -> None:
    facts = replace(
        GO,
        night=date(2026, 2, 19),
        zone="America/Phoenix",
        decided_at=july(18, 20) - timedelta(days=149),
        window=Span(july(18, 12, 9) - timedelta(days=148), july(18, 12, 43) - timedelta(days=148)),
        leave_by=july(18, 8, 39) - timedelta(days=148),
        best=None,
    )
    mail = render_mail(briefing(facts))
    assert mail.subject == "Go tonight: Windpump Flat, leave by Friday 01:39"
    assert "between 05:09 and 05:43 on Friday 20 February" in mail.text
    assert "Window      Fri 20 February, 05:09 to 05:43 MST (34 min)" in mail.text


def test_when_the_clocks_change_every_time_says_which_clock() -> None:
    facts = replace(
        GO,
        night=date(2026, 10, 24),
        decided_at=july(18, 15) + timedelta(days=98),
        window=Span(july(19, 0, 30) + timedelta(days=98), july(19, 1, 30) + timedelta(days=98)),
        best=None,
    )
    text = render_mail(briefing(facts)).text
    assert "between 02:30 CEST and 02:30 CET on Sunday 25 October" in text
    assert "Window      Sun 25 October, 02:30 CEST to 02:30 CET (1 h)" in text


def test_leaving_and_coming_home_are_in_the_persons_own_zone_and_say_so() -> None:
    mail = render_mail(briefing(replace(GO, person_zone="Europe/Lisbon")))
    assert mail.subject == "Go tonight: Windpump Flat, leave by 18:40 WEST"
    assert "Leave by    Sat 18 July, 18:40 WEST" in mail.text
    assert "Window      Sat 18 July, 23:20 to Sun 19 July, 01:50 CEST" in mail.text
    assert "Leaving, coming home and deciding are WEST (UTC+1, Europe/Lisbon)." in mail.text


@pytest.mark.parametrize(
    ("azimuth_deg", "said"),
    [(180.0, "core in the south"), (222.0, "core in the south-west"), (359.0, "core in the north")],
)
def test_first_line_says_where_the_core_stands_in_the_middle(azimuth_deg: float, said: str) -> None:
    track = (TrackPoint(july(18, 22), 15.0, azimuth_deg),)
    assert said in render_mail(briefing(replace(GO, core=track))).text.splitlines()[0]


def test_bare_facts_still_make_a_message() -> None:
    bare = AlertFacts(
        kind=AlertKind.STAND_DOWN,
        site_name="Windpump Flat",
        night=date(2026, 7, 18),
        zone="Europe/Madrid",
        decided_at=july(18, 18),
        verdict=VerdictWord.UNKNOWN,
    )
    for kind in AlertKind:
        mail = render_mail(briefing(replace(bare, kind=kind), links=False))
        assert "Windpump Flat" in mail.subject
        assert "No forecast was used" in mail.text
        assert "None" not in mail.text + mail.html


def test_a_briefing_without_an_alert_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one"):
        Briefing(message_id="msg_x", alerts=())


def test_only_web_addresses_become_links() -> None:
    odd = replace(GO, attributions=(Attribution("Odd feed", "javascript:alert(1)"),))
    hrefs = [a.get("href") for tag, a in Page(render_mail(briefing(odd)).html).tags if tag == "a"]
    assert hrefs == ["https://duskbell.example.org/m/abc", "https://duskbell.example.org/u/abc"]


def test_the_samples_stand_in_summer_time() -> None:
    assert july(18, 21, 20).astimezone(ZoneInfo("Europe/Madrid")).hour == 23
