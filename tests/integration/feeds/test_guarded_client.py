"""The client under a guard: who is left alone isn't asked, what is asked is counted, how it went is told."""

from contextlib import contextmanager
from datetime import timedelta

import pytest
import responses

from service.feeds.shared.checked_answers import AllowanceSpent, FeedDown, FeedRefused
from service.feeds.shared.http_client import PoliteClient, Request
from tests.integration.feeds.feed_data import Clocks, held_client
from tests.integration.feeds.openmeteo_stand_in import (
    ALPS,
    FORECAST,
    META,
    NIGHT,
    Installation,
    OpenMeteoStandIn,
    mocked_runs,
)

URL = "https://weather.example/v1/x"


class Book:
    """Guards that write down what they are told. leave_alone: refuse these; full: allow no more."""

    spent = ()

    def __init__(self):
        self.turns, self.notes, self.leave_alone, self.full = [], [], {}, False

    def refusal(self, feed):
        return self.leave_alone.get(feed)

    @contextmanager
    def turn(self, feed, weight, deadline):
        if self.full:
            raise AllowanceSpent("the day is used up.", retry_after=timedelta(hours=3))
        self.turns.append((feed, weight))
        yield

    def note(self, feed, error):
        self.notes.append((feed, type(error).__name__ if error else "well"))


@pytest.fixture
def book():
    return Book()


@pytest.fixture
def client(book):
    return held_client(Clocks(), guards=book)


@pytest.fixture
def mocked():
    with mocked_runs() as mock:
        yield mock


def test_a_request_is_counted_with_its_weight_and_its_outcome_told(client, book, mocked):
    mocked.add(responses.GET, URL, json={})
    client.get(Request(URL, feed="nws", weight=2.5))
    assert (book.turns, book.notes) == ([("nws", 2.5)], [("nws", "well")])


def test_every_try_is_counted_and_the_end_told_once(client, book, mocked):
    mocked.add(responses.GET, URL, status=502)
    with pytest.raises(FeedDown):
        client.get(Request(URL, feed="nws"))
    assert (len(book.turns), book.notes) == (3, [("nws", "FeedDown")])


def test_a_redirect_is_a_request_of_its_own(client, book, mocked):
    mocked.add(responses.GET, URL, status=301, headers={"Location": f"{URL}/moved"})
    mocked.add(responses.GET, f"{URL}/moved", json={})
    client.get(Request(URL, feed="nws"))
    assert len(book.turns) == 2


def test_who_is_left_alone_is_not_asked(client, book, mocked):
    book.leave_alone["nws"] = FeedRefused("nws has refused us.", status=403)
    with pytest.raises(FeedRefused):
        client.get(Request(URL, feed="nws"))
    assert (len(mocked.calls), book.notes) == (0, [])


def test_our_own_limit_is_not_tried_again(client, book, mocked):
    book.full = True
    with pytest.raises(AllowanceSpent):
        client.get(Request(URL, feed="nws"))
    assert len(mocked.calls) == 0


def test_a_request_of_nobody_is_not_counted(client, book, mocked):
    mocked.add(responses.GET, URL, json={})
    client.get(Request(URL))
    assert (book.turns, book.notes) == ([], [])


# Open-Meteo under a guard
class Guarded(Installation):
    def __init__(self, book, **how):
        super().__init__(**how)
        self.client = PoliteClient(
            "Duskbell/0 (ops@example.org)",
            times=self.clocks.as_times(),
            guards=book,
        )


def test_what_a_request_weighs_is_said_by_the_service_s_own_rule(book, mocked):
    """Thirteen variables at one place count 1.3; its table of runs isn't counted."""
    OpenMeteoStandIn(mocked)
    Guarded(book).fetch()
    assert book.turns == [("open-meteo", 1.3)]


def test_a_feed_that_is_left_alone_answers_from_the_cache(book, mocked):
    """Row 20: its last good answer stands in, with its age, beside the failure."""
    OpenMeteoStandIn(mocked)
    here = Guarded(book)
    first = here.fetch()
    here.clocks.forward(hours=4)
    asked = len(mocked.calls)
    book.leave_alone["open-meteo"] = FeedRefused("open-meteo has refused us.", status=403)
    again = here.fetch()
    assert len(mocked.calls) == asked
    assert again.forecasts[0].hours == first.forecasts[0].hours
    assert again.failures[0].status == 403


def test_a_spent_allowance_ends_the_round_and_keeps_what_is_good(book, mocked):
    OpenMeteoStandIn(mocked)
    here = Guarded(book, models=["icon_seamless", "gfs_seamless"])
    here.fetch()
    here.clocks.forward(hours=4)
    book.full = True
    gathered = here.fetch()
    assert len(gathered.forecasts) == 2
    assert {failure.retry_after for failure in gathered.failures} == {timedelta(hours=3)}


def test_the_window_and_the_place_are_what_they_were(book, mocked):
    OpenMeteoStandIn(mocked)
    (forecast,) = Guarded(book).fetch((ALPS,), NIGHT).forecasts
    assert forecast.place == ALPS
    assert [call.request.url.split("?")[0] for call in mocked.calls] == [META.format("dwd_icon"), FORECAST]
