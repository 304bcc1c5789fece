"""One feed fails in every way it can, another is well: the night is judged on what is left, and never a go.

Both are real servers on loopback. Each row is a way of failing, from what goes over the wire to what a person
is told.
"""

import copy
import gzip
import json
from datetime import timedelta
from urllib.parse import parse_qs, urlsplit

import pytest

from alerts.common.span import Span
from alerts.judging.assess import JudgingInputs
from alerts.judging.rules import Result
from alerts.judging.verdict import VerdictWord, hangs_on
from alerts.sites.model import Site
from alerts.sky.ephemeris import Ephemeris
from alerts.sky.night import SkyWishes, Target, TargetKind
from alerts.sky.nights.night_builder import night_named
from alerts.weather.forecast import Place
from alerts.wishes.model import Wishes
from service.feeds.feed_wiring import gather
from service.feeds.met_norway.client import MetNorway
from service.feeds.open_meteo.client import OpenMeteo, OpenMeteoAccess
from service.feeds.shared.cached_request import AskRound, MemoryCache
from service.feeds.shared.http_client import Limits, TimeSource
from tests.integration.feeds.feed_data import quick_client, utc
from tests.integration.feeds.feed_server import response, say, serving
from tests.integration.feeds.openmeteo_stand_in import element

SITE = Site("Here", 0.3, 36.0, 1500.0, "Africa/Nairobi")
PLACE = Place(0.3, 36.0, 1500.0)
NOW = utc("2026-10-09T12:00")
SKY = SkyWishes(Target(TargetKind.NONE), moonless=False, lowest_altitude_deg=None)
WISHES = Wishes(sky=SKY)
FAST = Limits(connect_s=5, read_s=1.0, whole_s=1.5, tries=1)
UNITS = {
    "air_temperature": "celsius",
    "cloud_area_fraction": "%",
    "cloud_area_fraction_high": "%",
    "cloud_area_fraction_low": "%",
    "cloud_area_fraction_medium": "%",
    "dew_point_temperature": "celsius",
    "precipitation_amount": "mm",
    "wind_speed": "m/s",
}
CLEAR = {name: 0.0 for name in UNITS if name.startswith("cloud")}
WELL = {"temperature_2m": 15.0, "dew_point_2m": 4.0, "visibility": 30_000.0}
CALM = {"air_temperature": 15.0, "dew_point_temperature": 4.0, "wind_speed": 2.0}


def step(at):
    hour = {"summary": {"symbol_code": "clearsky_night"}, "details": {"precipitation_amount": 0.0}}
    data = {"instant": {"details": CLEAR | CALM}, "next_1_hours": hour}
    return {"time": f"{at:%Y-%m-%dT%H:%M:%SZ}", "data": data}


ANSWER = {
    "type": "Feature",
    "geometry": {"type": "Point", "coordinates": [36.0, 0.3, 1500]},
    "properties": {
        "meta": {"updated_at": "2026-10-09T11:00:00Z", "units": UNITS},
        "timeseries": [step(NOW + timedelta(hours=k)) for k in range(40)],
    },
}


def metno(change=None, **headers):
    """MET Norway's clear night, changed in place."""
    answer = copy.deepcopy(ANSWER)
    if change is not None:
        change(answer["properties"]["timeseries"], answer)
    return response(body=json.dumps(answer).encode(), Content_Type="application/json", **headers)


def open_meteo(talk):
    """A clear night too, by another family and provider."""
    query = {name: value[0] for name, value in parse_qs(urlsplit(talk.path).query).items()}
    if "hourly" not in query:
        talk.say(response(404))
        return
    answer = element(query, 0.3, 36.0, 0)
    for name, column in answer["hourly"].items():
        if name != "time":
            answer["hourly"][name] = [WELL.get(name, 0.0)] * len(column)
    if talk.stopping.is_set():
        return
    talk.say(response(body=json.dumps(answer).encode()))


def details(steps):
    return [each["data"]["instant"]["details"] for each in steps]


def set_all(name, value):
    return lambda steps, _: [each.update({name: value}) for each in details(steps)]


def swapped(steps, _):
    steps[3], steps[4] = steps[4], steps[3]


def doubled(steps, _):
    steps.insert(4, steps[4])


def without_offset(steps, _):
    for each in steps:
        each["time"] = each["time"].rstrip("Z")


def in_eighths(_, answer):
    answer["properties"]["meta"]["units"] = {**UNITS, "cloud_area_fraction": "oktas"}


def elsewhere(_, answer):
    answer["geometry"]["coordinates"] = [36.0, 1.3, 1500]


def written(body):
    return say(response(body=body, Content_Type="application/json"))


BODY = json.dumps(ANSWER).encode()
BOMB = gzip.compress(b"[" + b"0," * 4_000_000 + b"0]")
FAILS = {
    "row 18: throttled": (say(response(429, Retry_After="120")), "ask too often"),
    "row 19: an error of its own": (say(response(503)), "error of its own (503)"),
    "row 20: silence": (lambda talk: talk.hang(), "did not answer in time"),
    "row 20: hung up": (lambda talk: None, "can't be reached|broke off|did not answer"),
    "row 21: a byte at a time": (lambda talk: talk.drip(response(body=b"x" * 999)), "took too long"),
    "row 22: cut off": (written(BODY[:-50]), "cut off or broken JSON"),
    "row 22: a web page": (written(b"<!doctype html><p>502 Bad Gateway"), "a web page, not data"),
    "row 22: another kind of content": (written(b"\x89PNG\r\n\x1a\n"), "no JSON"),
    "row 23: NaN": (written(BODY.replace(b"0.0", b"NaN", 1)), "NaN is no number"),
    "row 23: 1e999": (written(BODY.replace(b"0.0", b"1e999", 1)), "too large for a number"),
    "row 25: 137 %": (say(metno(set_all("cloud_area_fraction", 137.0))), "137"),
    "row 25: -1 %": (say(metno(set_all("cloud_area_fraction", -1.0))), "-1|−1"),
    "row 26: another unit": (say(metno(in_eighths)), "oktas"),
    "row 27: unsorted": (say(metno(swapped)), "15:00Z follows 2026-10-09T16:00Z"),
    "row 27: twice": (say(metno(doubled)), "16:00Z follows 2026-10-09T16:00Z"),
    "row 28: no offset": (say(metno(without_offset)), "no time"),
    "row 29: another place": (say(metno(elsewhere)), "km"),
    "row 31: a bomb": (say(response(body=BOMB, Content_Encoding="gzip")), "more than 2,000,000 bytes"),
    "row 32: sent elsewhere": (say(response(302, Location="http://127.0.0.1:9/x")), "redirects elsewhere"),
    "row 32: in circles": (lambda talk: talk.say(response(302, Location=talk.path)), "in circles"),
}


def ask(failing, well, now=NOW):
    feeds = [
        MetNorway(base_url=failing.url),
        OpenMeteo(OpenMeteoAccess(base_url=well.url), models=["icon_seamless"]),
    ]
    client = quick_client(limits=FAST, times=TimeSource(now=lambda: now))
    hours = Span(now, now + timedelta(hours=18))
    return gather(PLACE, hours, feeds, AskRound(client, MemoryCache(), client.deadline(30)))


def judge(gathered, now=NOW):
    night = night_named(SITE, NOW.date(), SKY, Ephemeris.open())
    return JudgingInputs(site=SITE, now=now, forecasts=gathered.forecasts).judge([night], WISHES)


@pytest.mark.parametrize(("script", "says"), FAILS.values(), ids=FAILS.keys())
def test_the_other_feed_carries_on_and_one_family_alone_makes_no_go(script, says):
    with serving(script) as failing, serving(open_meteo) as well:
        gathered = ask(failing, well)
    assert [forecast.source.feed for forecast in gathered.forecasts] == ["open-meteo"]
    (failure,) = gathered.failures
    assert failure.feed == "metno"
    assert any(part in failure.text for part in says.split("|")), failure.text
    verdict = judge(gathered)
    assert verdict.word is not VerdictWord.GO
    assert "one model family alone answered (ICON)" in " ".join(
        str(reason.text) for reason in verdict.reasons
    )


def test_row_33_a_certificate_nobody_vouches_for_is_a_failure_like_any_other():
    with serving(say(metno()), certificate="self-signed.pem") as failing, serving(open_meteo) as well:
        gathered = ask(failing, well)
    assert [forecast.source.feed for forecast in gathered.forecasts] == ["open-meteo"]
    assert "certificate that can't be trusted" in gathered.failures[0].text


def test_with_both_feeds_well_the_same_night_is_a_go():
    with serving(say(metno())) as one, serving(open_meteo) as other:
        verdict = judge(ask(one, other))
    assert verdict.word is VerdictWord.GO, verdict.reasons


UNKNOWN = {
    "row 24: a key is gone": lambda steps, _: [
        each.pop("cloud_area_fraction") for each in details(steps)[5:20]
    ],
    "row 24: the hours end too soon": lambda steps, _: steps.__delitem__(slice(8, None)),
    "row 30: an old answer under a fresh date": lambda _, answer: answer["properties"]["meta"].update(
        updated_at="2026-10-08T06:00:00Z"
    ),
}


@pytest.mark.parametrize("change", UNKNOWN.values(), ids=UNKNOWN.keys())
def test_what_a_feed_does_not_know_any_more_is_not_clear(change):
    date = "Fri, 09 Oct 2026 12:00:00 GMT"
    with serving(say(metno(change, Date=date))) as partly, serving(open_meteo) as well:
        verdict = judge(ask(partly, well))
    assert verdict.word is not VerdictWord.GO
    assert verdict.outlook.lineages == ("icon",)
    (note,) = [note for note in verdict.outlook.notes if "MET Norway" in str(note)]
    assert "not used" in str(note)


def test_row_34_two_models_that_differ_are_named_and_not_mixed():
    overcast = metno(lambda steps, _: [each.update(dict.fromkeys(CLEAR, 100.0)) for each in details(steps)])
    with serving(say(overcast)) as cloudy, serving(open_meteo) as clear:
        verdict = judge(ask(cloudy, clear))
    said = {entry.source.model: entry.chance for entry in verdict.outlook.per_source}
    assert said["global"] < 0.3 < 0.7 < said["icon_seamless"]
    assert verdict.word is not VerdictWord.GO
    assert verdict.outlook.agreement == (1, 2)
    assert str(hangs_on(verdict.outlook)) == "it hangs on MET Norway"


def test_with_all_feeds_down_the_last_good_data_is_used_with_its_age_and_later_nothing_is_known():
    cache = MemoryCache()

    def later(now, *scripts):
        with serving(scripts[0]) as one, serving(scripts[1]) as other:
            feeds = [
                MetNorway(base_url=one.url),
                OpenMeteo(OpenMeteoAccess(base_url=other.url), models=["icon_seamless"]),
            ]
            client = quick_client(limits=FAST, times=TimeSource(now=lambda: now))
            hours = Span(NOW, NOW + timedelta(hours=18))
            return gather(PLACE, hours, feeds, AskRound(client, cache, client.deadline(30)))

    down = say(response(503))
    later(NOW, say(metno()), open_meteo)
    soon = later(NOW + timedelta(hours=4), down, down)
    assert {each.source.fetched_at for each in soon.forecasts} == {NOW}
    assert {failure.feed for failure in soon.failures} == {"metno", "open-meteo"}
    gone = later(NOW + timedelta(hours=13), down, down)
    assert gone.forecasts == ()
    verdict = judge(gone, NOW + timedelta(hours=5))
    assert verdict.word is VerdictWord.UNKNOWN
    assert verdict.deciding.result is Result.UNKNOWN
