"""All feeds at once: within one deadline, and none hurting another."""

import queue
import threading
import time

import responses

from alerts.briefing.text.obstacle_text import SWITCHES
from alerts.common.span import Span
from alerts.weather.forecast import Place
from alerts.weather.models import MODELS, OPEN_METEO
from service.common.deadline import Deadline
from service.feeds.feed_wiring import feeds_from, gather
from service.feeds.met_norway.client import MetNorway
from service.feeds.nws.client import Nws
from service.feeds.open_meteo.client import OpenMeteo, OpenMeteoAccess
from service.feeds.shared.cached_request import AskRound, MemoryCache
from service.feeds.shared.checked_answers import FeedDown
from service.feeds.shared.http_client import Limits
from service.feeds.shared.model import FeedFailure, Gathered
from service.settings import Settings
from tests.integration.feeds.feed_data import SOON_S, Clocks, held_client, quick_client, read_bytes, utc
from tests.integration.feeds.feed_server import serving

NORTON = Place(41.967, -71.189, 40)
NIGHT = Span(utc("2026-07-16T02:00"), utc("2026-07-16T06:00"))


class StandIn:
    """A feed that does what a test says."""

    off_because = None

    def __init__(self, name, do):
        self.name, self.do = name, do

    def fetch(self, places, hours, round_):
        return self.do(round_.deadline)


def told(name):
    return Gathered(failures=(FeedFailure(name, "", f"{name} says so"),))


def gather_from(*feeds, seconds=60):
    client = quick_client()
    return gather(NORTON, NIGHT, feeds, AskRound(client, MemoryCache(), Deadline(seconds)))


def test_results_come_in_the_order_of_the_feeds():
    slow = StandIn("slow", lambda deadline: threading.Event().wait(0.1) or told("slow"))
    gathered = gather_from(slow, StandIn("quick", lambda deadline: told("quick")))
    assert [failure.feed for failure in gathered.failures] == ["slow", "quick"]


def test_a_feed_that_hangs_is_left_behind_and_told():
    release = threading.Event()
    began = time.monotonic()
    hanging = StandIn("hanging", lambda deadline: release.wait(60) and told("hanging"))
    gathered = gather_from(hanging, StandIn("quick", lambda deadline: told("quick")), seconds=1)
    release.set()
    assert time.monotonic() - began < SOON_S
    assert [failure.text for failure in gathered.failures] == [
        "hanging did not answer in time.",
        "quick says so",
    ]


def test_an_error_of_a_feed_hurts_no_other():
    def fail(deadline):
        raise FeedDown("it broke")

    gathered = gather_from(StandIn("broken", fail), StandIn("quick", lambda deadline: told("quick")))
    assert [failure.text for failure in gathered.failures] == ["it broke", "quick says so"]


def test_a_fault_in_a_feed_is_told_at_once_and_hurts_no_other(monkeypatch):
    logged = queue.SimpleQueue()
    monkeypatch.setattr(threading, "excepthook", lambda fault: logged.put(fault.exc_type))
    faulty = StandIn("faulty", lambda deadline: 1 / 0)
    began = time.monotonic()
    gathered = gather_from(faulty, StandIn("quick", lambda deadline: told("quick")))
    assert time.monotonic() - began < SOON_S
    assert "nobody expected" in gathered.failures[0].text
    assert gathered.failures[1].text == "quick says so"
    assert logged.get(timeout=5) is ZeroDivisionError


def test_a_feed_that_is_off_is_not_asked_and_says_what_would_switch_it_on():
    gathered = gather_from(OpenMeteo(OpenMeteoAccess()))
    assert gathered.failures == ()
    (off,) = gathered.off
    assert (off.feed, "non-commercial" in off.text) == ("open-meteo", True)


def test_when_every_feed_hangs_it_ends_at_the_deadline():
    began = time.monotonic()
    with serving(lambda talk: talk.hang()) as server:
        feeds = [
            OpenMeteo(OpenMeteoAccess(base_url=server.url, ensemble_url=server.url)),
            MetNorway(base_url=server.url),
            Nws(base_url=server.url),
        ]
        client = quick_client(limits=Limits(60, 60, 90, tries=3))
        gathered = gather(NORTON, NIGHT, feeds, AskRound(client, MemoryCache(), client.deadline(0.6)))
    assert time.monotonic() - began < SOON_S
    assert gathered.forecasts == ()
    assert {failure.feed for failure in gathered.failures} == {"open-meteo", "metno", "nws"}


def test_one_feed_down_and_the_others_carry_on():
    clocks = Clocks("2026-07-15T20:00")
    client = held_client(clocks)
    where, grid = (
        read_bytes(name)
        for name in ("nws-points-box-2026-07-15.json", "nws-gridpoint-box-70-82-reanchored-2026-07-15.json")
    )
    with responses.RequestsMock() as mock:
        mock.add(responses.GET, "https://api.weather.gov/points/41.967,-71.189", body=where)
        mock.add(responses.GET, "https://api.weather.gov/gridpoints/BOX/70,82", body=grid)
        mock.add(responses.GET, "https://api.met.no/weatherapi/locationforecast/2.0/complete", status=503)
        feeds = [OpenMeteo(OpenMeteoAccess()), MetNorway(), Nws()]
        gathered = gather([NORTON], NIGHT, feeds, AskRound(client, MemoryCache(), client.deadline(10)))
    assert [each.source.feed for each in gathered.forecasts] == ["nws"]
    assert [failure.feed for failure in gathered.failures] == ["metno"]
    assert [off.feed for off in gathered.off] == ["open-meteo"]


def test_every_feed_is_built_where_the_settings_leave_all_on(tmp_path):
    settings = Settings(contact="ops@example.org", data_dir=tmp_path, open_meteo_noncommercial=True)
    feeds = feeds_from(settings)
    assert [feed.name for feed in feeds] == ["open-meteo", "metno", "nws", "metno-warnings", "nws-warnings"]
    assert all(feed.off_because is None for feed in feeds)


def test_each_feed_that_can_be_switched_off_is_named_with_the_setting_that_does(tmp_path):
    assert set(SWITCHES) == {row.feed for row in MODELS} - {OPEN_METEO}
    for name, switch in SWITCHES.items():
        settings = Settings(contact="ops@example.org", data_dir=tmp_path, **{switch: False})
        assert name not in [feed.name for feed in feeds_from(settings)]
