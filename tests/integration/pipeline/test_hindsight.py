"""A played week looked back on: why each night rang or didn't, and the same verdicts from the same inputs."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import pytest
from sqlalchemy import delete, select, update

from alerts.common.clock_times import ClockSpan
from alerts.common.phrases import Phrase, kept, phrase
from alerts.track.observations.evidence import PersonReport, SeenSky
from alerts.weather.quality_gates import QualityCheck
from alerts.wishes.model import DEFAULT_WISHES, Wishes
from service.app import Duskbell
from service.demo.play import FLAT, PAN, RIDGE, SATURDAY, play, stage
from service.explain.argument import Argument, argue
from service.explain.stored_verdict import open_case, tell_darkness
from service.feeds.shared.checked_answers import LEFT_OUT, BadAnswer
from service.hindsight.rejudge import RejudgedNight, RejudgeInputs, rejudge
from service.hindsight.verification import judge_again
from service.settings import Settings
from service.store.repositories import judged_events, subscriptions
from service.store.repositories.forecasts import EVERYWHERE, keep_rejected, place_key
from service.store.schema.core_tables import (
    AlertRow,
    CycleRow,
    DecisionRow,
    ForecastRow,
    MessageAlertRow,
    MessageRow,
    NightRow,
    OutlookRow,
    PersonRow,
    SiteRow,
    SubscriptionRow,
)
from tests.integration.conftest import CopyStore, NewStore
from tests.integration.pipeline.world import START, open_world

FIRST, LAST = date(2027, 6, 28), date(2027, 7, 20)
SUNDAY_MORNING = datetime(2027, 7, 4, 7, 8, tzinfo=UTC)
SATURDAY_NOON = datetime(2027, 7, 3, 10, 0, tzinfo=UTC)
QUIET_AT_SIX = ClockSpan(time(17), time(20))


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory, copy_store: CopyStore) -> str:
    """The URL of the store after the demo's week."""
    folder = tmp_path_factory.mktemp("week")
    with stage(folder) as story:
        play(story, lambda _: None)
    return copy_store(f"sqlite:///{folder / 'demo.sqlite3'}", folder)


@pytest.fixture
def week(played: str, tmp_path: Path, copy_store: CopyStore) -> Iterator[Duskbell]:
    """An installation on a copy of it."""
    settings = Settings(data_dir=tmp_path, database_url=copy_store(played, tmp_path))
    duskbell = Duskbell(settings)
    yield duskbell
    duskbell.engine.dispose()


def argument(
    duskbell: Duskbell, site: str, night: date = SATURDAY, now: datetime = SUNDAY_MORNING
) -> Argument:
    """For the mail subscription of that site."""
    with duskbell.sessions() as session:
        query = (
            select(SubscriptionRow)
            .join(SiteRow, SiteRow.id == SubscriptionRow.site_id)
            .where(SiteRow.name == site)
            .order_by(SubscriptionRow.id)
        )
        row = session.scalars(query).first()
        assert row is not None
        case = open_case(session, row, night, now, lambda: duskbell.ephemeris)
        return argue(tell_darkness(session, case, duskbell.ephemeris))


def test_a_night_that_rang_says_what_when_and_what_was_answered(week: Duskbell) -> None:
    found = argument(week, FLAT.name)
    assert found.answer == (
        "It rang: a heads-up on Thu 1 July, 09:07 CEST, a go on Sat 3 July, 19:07 CEST and a stand-down on "
        "Sat 3 July, 22:37 CEST."
    )
    told = found.lines_of("told")
    assert told[0].startswith("Heads-up, Thu 1 July, 09:07 CEST, 90 % then; arrived.")
    assert sum(line.endswith("taken (250 taken).") for line in told) == 3
    assert [turn.told for turn in found.turns if turn.told.startswith("Told")] == [
        "Told: a heads-up.",
        "Told: a go.",
        "Told: a stand-down.",
    ]
    assert "lark 87 %, plover 84 %, curlew 79 %; the newest run 1 h 7 min old" in found.turns[0].sources


def test_a_silent_night_says_what_decided_and_the_best_that_was_seen(week: Duskbell) -> None:
    found = argument(week, PAN.name)
    assert found.answer == (
        "It didn't ring: the chance is 5 %, you asked for 70 %. The best chance seen was 58 %, on Wed "
        "30 June, 18:07 CEST."
    )
    wishes = found.lines_of("wishes")
    assert wishes[1].startswith("5 %: at least 30 clear minutes between ")
    assert wishes[2] == "decided: the chance is 5 %, you asked for 70 %"
    assert "yes: the window lasts 4 h 21 min, you asked for 30 min" in wishes
    assert found.lines_of("told") == ("Nothing was told.",)
    assert len(found.lines_of("forecasts")) == 3
    assert "at its highest south, 20° high" in found.lines_of("sky")[0]
    assert "The horizon is assumed level" in found.lines_of("sky")[1]


def test_a_night_ahead_says_what_it_hangs_on_and_when_it_is_decided(week: Duskbell) -> None:
    monday = date(2027, 7, 5)
    found = argument(week, PAN.name, monday)
    assert found.answer.startswith(
        "It hasn't rung: the chance is 11 %, you asked for 70 %; no model says clear yet."
    )
    assert found.lines_of("hangs_on")[-1] == "We decide on Mon 5 July at 19:10 CEST."


def test_it_says_afterwards_what_the_night_was_like(week: Duskbell) -> None:
    with week.sessions.begin() as session:
        site_id = session.scalars(select(SiteRow.id).where(SiteRow.name == RIDGE.name)).one()
        person_id = session.scalars(select(PersonRow.id)).first()
        assert person_id is not None
        said = PersonReport("", SeenSky.CLEAR, SUNDAY_MORNING)
        judged_events.add_person_report(session, site_id, SATURDAY, person_id, said)
        judge_again(session, site_id, SATURDAY, SUNDAY_MORNING)
    lines = argument(week, RIDGE.name).lines_of("afterwards")
    assert "it was clear, judged by people's reports" in lines[0]


def said_of(feed: str, what: str) -> Phrase:
    return BadAnswer.about(feed, kept(what), QualityCheck.BODY).what


REFUSED = {
    "a part of a model's answer": (
        (place_key(FLAT), "lark", "lark", phrase(LEFT_OUT, what=said_of("lark lark", "gusts of 900 m/s."))),
        "Refused on Sat 3 July, 12:00 CEST: lark: gusts of 900 m/s. It counts as unknown; the rest of the "
        "answer is used.",
    ),
    "one of which an older version kept the text alone": (
        (place_key(FLAT), "lark", "lark", kept("Lark: the hours have gaps.")),
        "Refused on Sat 3 July, 12:00 CEST: lark: Lark: the hours have gaps.",
    ),
    "a model's answer": (
        (place_key(FLAT), "lark", "lark", said_of("lark lark", "the hours have gaps.")),
        "Refused on Sat 3 July, 12:00 CEST: lark: the hours have gaps.",
    ),
    "a feed that gave nothing for the place": (
        (place_key(FLAT), "lark", "", said_of("lark", "no series in the answer.")),
        "Nothing usable from lark on Sat 3 July, 12:00 CEST: no series in the answer.",
    ),
    "a feed that gave nothing at all": (
        (EVERYWHERE, "lark", "", phrase("feeds.unreachable", name="api.example.org")),
        "Nothing usable from lark on Sat 3 July, 12:00 CEST: api.example.org can't be reached.",
    ),
}


@pytest.mark.parametrize(("refused", "says"), REFUSED.values(), ids=REFUSED.keys())
def test_what_came_and_could_not_be_used_is_told_with_its_reason(
    week: Duskbell, refused: tuple[str, str, str, Phrase], says: str
) -> None:
    place, feed, model, reason = refused
    with week.sessions.begin() as session:
        keep_rejected(session, place, feed=feed, model=model, reason=reason, fetched_at=SATURDAY_NOON)
    assert argument(week, FLAT.name).lines_of("forecasts")[-1] == says


@pytest.mark.parametrize(
    ("status", "says"),
    [
        ("expired", "The go came too late to help, so it wasn't sent."),
        ("superseded", "The go was overtaken by newer news, so it wasn't sent."),
        ("failed", "The go failed."),
    ],
)
def test_a_message_that_did_not_arrive_is_in_the_answer(week: Duskbell, status: str, says: str) -> None:
    with week.sessions.begin() as session:
        carried = (
            select(MessageAlertRow.message_id)
            .join(AlertRow, AlertRow.id == MessageAlertRow.alert_id)
            .where(AlertRow.kind == "go")
        )
        session.execute(update(MessageRow).where(MessageRow.id.in_(carried)).values(status=status))
    assert argument(week, RIDGE.name).answer.endswith(says)


Change = Callable[[SubscriptionRow], None]


def _unconfirmed(row: SubscriptionRow) -> None:
    row.address.confirmed_at = None


def _off(row: SubscriptionRow) -> None:
    row.address.off_since, row.address.off_reason = SATURDAY_NOON, "the receiver said that it wants no more"


def _paused(row: SubscriptionRow) -> None:
    row.paused_until = SUNDAY_MORNING + timedelta(days=9)


def _late(row: SubscriptionRow) -> None:
    row.created_at = SUNDAY_MORNING


def _unchanged(_: SubscriptionRow) -> None:
    """As it is."""


@pytest.mark.parametrize(
    ("change", "night", "says"),
    [
        (
            _unconfirmed,
            SATURDAY,
            "Nothing is judged for this address before it is confirmed: duskbell address",
        ),
        (_off, SATURDAY, "The address is off since Sat 3 July, 12:00 CEST: the receiver said"),
        (_paused, SATURDAY, "The subscription is paused until Tue 13 July, 09:08 CEST."),
        (
            _late,
            date(2027, 7, 2),
            "It couldn't ring: nobody had subscribed yet; this subscription is from Sun",
        ),
        (
            _unchanged,
            SATURDAY,
            "It was never judged: it came before you asked for such nights, or in a pause.",
        ),
        (_unchanged, date(2026, 7, 3), "It couldn't ring: nobody had subscribed yet"),
        (_unchanged, date(2027, 7, 9), "This night has not been judged yet: the next cycle looks at it."),
        (
            _unchanged,
            date(2027, 7, 22),
            "This night has not been judged yet: nights are judged for you from 5 days ahead, this one from "
            "Sat 17 July on. From the sky alone there is nothing to ring for: the Moon is up",
        ),
    ],
    ids=["unconfirmed", "off", "paused", "subscribed late", "past", "a year ago", "next", "far ahead"],
)
def test_a_night_that_was_never_judged_says_why(
    week: Duskbell, change: Change, night: date, says: str
) -> None:
    with week.sessions.begin() as session:
        site_id = session.scalars(select(SiteRow.id).where(SiteRow.name == FLAT.name)).one()
        row = session.scalars(select(SubscriptionRow).where(SubscriptionRow.site_id == site_id)).first()
        assert row is not None
        change(row)
        session.execute(delete(MessageAlertRow))
        session.execute(delete(AlertRow))
        session.execute(delete(DecisionRow))
    assert argument(week, FLAT.name, night).answer.startswith(says)


def test_a_night_without_any_cycle_asks_whether_the_service_ran(week: Duskbell) -> None:
    with week.sessions.begin() as session:
        for table in (MessageAlertRow, AlertRow, DecisionRow, CycleRow):
            session.execute(delete(table))
    said = argument(week, FLAT.name).answer
    assert said == "It was never judged: no cycle ran in the days before it. Was the service running?"


def test_a_night_of_which_nothing_is_kept_any_more_says_so(week: Duskbell) -> None:
    with week.sessions.begin() as session:
        session.execute(update(SubscriptionRow).values(created_at=START - timedelta(days=400)))
    said = argument(week, FLAT.name, date(2027, 6, 12)).answer
    assert said == "Nothing is kept any more of nights before Wednesday 30 June, so it can't be said."


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"quiet": QUIET_AT_SIX}, "waits for the end of quiet hours, Wed 20:00 CEST"),
        ({"days_ahead": 2}, "has not been judged yet: nights are judged for you from 2 days ahead"),
    ],
    ids=["quiet hours", "too far ahead"],
)
def test_what_held_a_word_back_is_the_answer(
    tmp_path: Path, new_store: NewStore, changes: dict[str, object], says: str
) -> None:
    wishes: Wishes = replace(DEFAULT_WISHES, **changes)  # type: ignore[arg-type]  # fields by name
    with open_world(tmp_path, new_store(tmp_path), cloud_pct=-6.0) as world:
        with world.duskbell.sessions.begin() as session:
            for row in subscriptions.running_subscriptions(session):
                subscriptions.change_wishes(session, row, wishes)
        later = START + timedelta(minutes=30)
        for now in (START, later):
            world.cycle(now)
        assert says in argument(world.duskbell, FLAT.name, now=later).answer


# ---- judged again


def again(duskbell: Duskbell, wishes: Wishes | None = None, **more: int) -> tuple[RejudgedNight, ...]:
    with duskbell.sessions() as session:
        return rejudge(RejudgeInputs(session, duskbell.ephemeris, wishes), FIRST, LAST, **more)


def test_the_same_rules_and_wishes_give_the_same_verdicts_for_the_same_reasons(week: Duskbell) -> None:
    decisions = [each for night in again(week) for each in night.decisions]
    with week.sessions() as session:
        assert len(decisions) == len(list(session.scalars(select(DecisionRow.id))))
    assert len(decisions) > 50
    assert {each.was.verdict for each in decisions} == {"go", "wait", "stay"}
    assert [each.would_be for each in decisions] == [each.was for each in decisions]


def test_the_same_rules_and_wishes_tell_the_same_at_the_same_times_for_the_same_reasons(
    week: Duskbell,
) -> None:
    nights = again(week)
    assert [night.would_tell for night in nights] == [night.was_told for night in nights]
    kinds = [ring.kind for night in nights for ring in night.was_told]
    assert {*kinds} == {"heads_up", "go", "stand_down"}


def test_other_quiet_hours_and_notice_change_no_verdict_but_what_is_told_when(week: Duskbell) -> None:
    later = replace(DEFAULT_WISHES, quiet=QUIET_AT_SIX, notice=timedelta(hours=4))
    nights = again(week, later)
    assert not any(night.last_other for night in nights)
    (ridge,) = (each for each in nights if (each.site_name, each.night) == (RIDGE.name, SATURDAY))
    assert [(ring.kind, ring.at.hour) for ring in ridge.was_told] == [("heads_up", 7), ("go", 17)]
    assert [(ring.kind, ring.at.hour) for ring in ridge.would_tell] == [("heads_up", 7), ("go", 18)]


def test_a_weekly_limit_counts_over_all_nights_and_sites_of_an_address(week: Duskbell) -> None:
    once = replace(DEFAULT_WISHES, most_a_week=1)
    rings = [ring for night in again(week, once) for ring in night.would_tell]
    assert {ring.kind for ring in rings} == {"heads_up"}
    assert len({ring.at for ring in rings}) == 1


def test_an_evening_that_was_ruled_out_is_judged_on_the_forecasts_that_were_at_hand(week: Duskbell) -> None:
    with week.sessions.begin() as session:
        for each in session.scalars(select(DecisionRow)):
            each.forecast_ids, each.outlook_ids = [], []
    nights = again(week, replace(DEFAULT_WISHES, chance_go_pct=69))
    assert any(night.would_be_go for night in nights)


def test_other_wishes_say_which_nights_would_have_been_another_word(week: Duskbell) -> None:
    choosy = replace(DEFAULT_WISHES, chance_go_pct=88, chance_back_pct=60)
    nights = {(each.site_name, each.night): each for each in again(week, choosy)}
    flat, ridge = nights[FLAT.name, SATURDAY], nights[RIDGE.name, SATURDAY]
    assert (flat.was_go, flat.would_be_go) == (True, False)
    assert (ridge.was_go, ridge.would_be_go) == (True, True)
    assert flat.last_other is not None
    assert flat.last_other.would_be is not None
    assert (flat.last_other.was.verdict, flat.last_other.would_be.verdict) == ("go", "wait")
    assert flat.last_other.would_be.text.startswith("the chance is 85 %, you asked for 88 %")


def test_nights_under_keys_of_an_earlier_version_are_still_found(week: Duskbell) -> None:
    with week.sessions.begin() as session:
        session.execute(update(NightRow).values(sky_key="as it was written once"))
    decisions = [each for night in again(week, site_id=1) for each in night.decisions]
    assert decisions
    assert [each.would_be for each in decisions] == [each.was for each in decisions]


def test_only_the_site_asked_for_is_judged_again(week: Duskbell) -> None:
    with week.sessions() as session:
        site_id = session.scalars(select(SiteRow.id).where(SiteRow.name == PAN.name)).one()
    assert {night.site_name for night in again(week, site_id=site_id)} == {PAN.name}


def test_decisions_whose_forecasts_are_gone_are_left_out_and_not_guessed(week: Duskbell) -> None:
    with week.sessions.begin() as session:
        session.execute(delete(ForecastRow))
    decisions = [each for night in again(week) for each in night.decisions]
    gone = [each for each in decisions if each.would_be is None]
    assert gone
    assert not any(each.is_same or each.is_other_word for each in gone)


def test_judging_again_changes_nothing_in_the_store(week: Duskbell) -> None:
    def rows() -> list[int]:
        with week.sessions() as session:
            named = (
                DecisionRow,
                NightRow,
                AlertRow,
                MessageRow,
                OutlookRow,
            )
            return [len(list(session.scalars(select(table.id)))) for table in named]  # type: ignore[attr-defined]

    before = rows()
    again(week, replace(DEFAULT_WISHES, chance_go_pct=40, chance_back_pct=30))
    assert rows() == before
