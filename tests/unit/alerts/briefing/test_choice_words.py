"""The last word, the unsettled night, the fork between close sites, and the other sites, in every form."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import pytest

from alerts.briefing.facts import AlertFacts
from alerts.briefing.payload import build_payload
from alerts.briefing.render import CHAT_LINES, render_mail
from alerts.common.span import Span
from alerts.judging.comparison import OtherSite
from alerts.judging.verdict import VerdictWord
from tests.unit.alerts.briefing.briefing_samples import CHANGED, GO, STAND_DOWN, briefing, chat_text, july

FORK = "leave by 19:40 either way; decide at 21:30: Windpump Flat 81 %, Salt Pan East 74 %"
SAID_FORK = "Leave by 19:40 either way; decide at 21:30: Windpump Flat 81 %, Salt Pan East 74 %."
DARK = Span(july(18, 21), july(18, 23))
EAST = OtherSite("Salt Pan East", VerdictWord.GO, 74, DARK, july(18, 17, 50))
RIDGE = OtherSite("Cairn Ridge", VerdictWord.WAIT, 41, DARK, july(18, 22, 30))
LAST = {"is_last_word": True, "signal_lost_at": july(18, 18, 30)}
TOLD = {"told_at": july(18, 10), "told_chance_pct": 81}
AT = "Last word before you lose signal at 20:30: "
NO_MORE = "No message after this means nothing."
DOUBT = "under your limit of 50 % but not by the 5 points that would turn you round"
CHANGING = "this night keeps changing (chance 60 %); no more is said of it, look yourself"


@pytest.mark.parametrize(
    ("facts", "subject", "says"),
    [
        (
            replace(GO, **LAST, **TOLD, chance_pct=78),  # type: ignore[arg-type]  # fields by name
            "Last word: Windpump Flat, still go (78 %)",
            f"{AT}still go (78 %). {NO_MORE}",
        ),
        (
            replace(GO, **LAST, **TOLD, chance_pct=47, doubt=DOUBT),  # type: ignore[arg-type]
            "Last word: Windpump Flat, still go (47 %)",
            f"{AT}still go (47 %), {DOUBT}. {NO_MORE}",
        ),
        (
            replace(GO, **LAST),  # type: ignore[arg-type]  # fields by name
            "Go tonight: Windpump Flat, leave by 19:40",
            f"{AT}go (81 %). {NO_MORE}",
        ),
        (
            replace(STAND_DOWN, **LAST),  # type: ignore[arg-type]  # fields by name
            "Stand down: Windpump Flat, now 34 % (at noon 81 %)",
            f"{AT}stand down. {NO_MORE}",
        ),
        (
            replace(
                GO,
                **LAST,  # type: ignore[arg-type]  # fields by name
                **TOLD,  # type: ignore[arg-type]  # fields by name
                verdict=VerdictWord.UNKNOWN,
                chance_pct=None,
                cause="it can't be confirmed: no forecast says, told at 81 %",
            ),
            "Last word: Windpump Flat, can't be confirmed",
            f"{AT}it can't be confirmed: no forecast says, told at 81 %. {NO_MORE}",
        ),
        (
            replace(CHANGED, is_unsettled=True, cause=CHANGING),
            "Unsettled, look yourself: Windpump Flat, Saturday 18 July",
            "This night keeps changing (chance 60 %); no more is said of it, look yourself.",
        ),
    ],
    ids=[
        "confirmed",
        "confirmed under the limit",
        "first and last",
        "stood down",
        "unconfirmed",
        "unsettled",
    ],
)
def test_what_only_this_message_says_is_in_its_subject_and_first_lines(
    facts: AlertFacts, subject: str, says: str
) -> None:
    mail = render_mail(briefing(facts))
    assert mail.subject == subject
    assert says in mail.text.splitlines()[0]
    assert says.replace("'", "&#39;") in mail.html or says in mail.html
    assert says in chat_text(briefing(facts))


def test_a_fork_and_the_other_sites_stand_below_the_first_line_in_every_form() -> None:
    message = briefing(replace(GO, others=(EAST, RIDGE), fork=FORK))
    mail, chat = render_mail(message), chat_text(message)
    for said in (mail.text, mail.html, chat):
        assert SAID_FORK in said
        assert "Salt Pan East: go, 74 %, leave by 19:50" in said
        assert "Cairn Ridge: not sure yet, 41 %, leave by Sunday 00:30" in said
    assert mail.text.index(SAID_FORK) < mail.text.index("Leave by    ")
    assert mail.text.index("Salt Pan East: go") < mail.text.index("Cairn Ridge: not sure")


def test_a_message_with_both_sites_names_the_fork_once_and_neither_as_another() -> None:
    east = replace(GO, site_name="Salt Pan East", chance_pct=74, others=(EAST, RIDGE), fork=FORK)
    message = briefing(replace(GO, others=(EAST, RIDGE), fork=FORK), east)
    text, chat = render_mail(message).text, chat_text(message)
    assert text.count(SAID_FORK) == 1
    assert "Salt Pan East: go" not in text
    assert text.count("Cairn Ridge: not sure yet") == 1
    assert "Also: Go Salt Pan East 74 %, leave by 19:40." in chat.splitlines()
    assert len(chat.splitlines()) <= CHAT_LINES


@pytest.mark.parametrize(
    ("latest", "says"),
    [(july(18, 23, 54), "Salt Pan East: go, 74 %, worth leaving until Sunday 01:54"),
     (None, "Salt Pan East: go, 74 %")],
    ids=["there is time", "unknown"],
)  # fmt: skip
def test_a_leave_by_that_is_past_is_not_said_of_another_site(latest: datetime | None, says: str) -> None:
    east = replace(EAST, latest_departure=latest)
    text = render_mail(briefing(replace(STAND_DOWN, others=(east,)))).text
    assert f"- {says}" in text.splitlines()


def test_a_site_called_like_a_mention_calls_nobody_from_the_fork() -> None:
    loud = replace(EAST, site_name="@everyone")
    chat = chat_text(briefing(replace(GO, others=(loud,), fork="two sites are close: @everyone 74 %")))
    assert "@everyone" not in chat
    assert "everyone: go" in chat


def test_a_plain_go_says_nothing_of_signal_forks_or_other_sites() -> None:
    text = render_mail(briefing(GO)).text
    for word in ("signal", "either way", "other sites", "Unsettled"):
        assert word not in text


def test_a_webhook_gets_them_as_values() -> None:
    message = briefing(replace(GO, **LAST, others=(EAST, RIDGE), fork=FORK))  # type: ignore[arg-type]
    (alert,) = build_payload(message)["data"]["alerts"]  # type: ignore[index]
    assert alert["is_last_word"] is True
    assert alert["signal_lost_at"] == "2026-07-18T18:30:00Z"
    assert alert["is_unsettled"] is False
    assert alert["fork"] == FORK
    assert [(each["site"], each["verdict"], each["chance_pct"]) for each in alert["others"]] == [
        ("Salt Pan East", "go", 74),
        ("Cairn Ridge", "wait", 41),
    ]
