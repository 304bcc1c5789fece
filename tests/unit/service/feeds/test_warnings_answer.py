"""Official warnings as the NWS and MET Norway send them."""

import pytest

from alerts.common.span import Span
from alerts.weather.forecast import Severity
from alerts.weather.quality_gates import QualityCheck
from service.feeds.met_norway import client as met_norway
from service.feeds.nws import client as nws
from service.feeds.shared.checked_answers import BadAnswer
from service.feeds.shared.warnings_by_place import parse_bulletin
from tests.unit.service.feeds.feed_files import as_bytes, read_bytes, read_json, utc

NWS, MET = nws.WARNINGS, met_norway.WARNINGS
THREE = "nws-alerts-three-reanchored-2026-07-15.json"
EDGES = "invented-nws-alerts-edge-cases.json"
METNO = "invented-metno-alerts.json"
ASKED = utc("2026-07-15T20:01")


def nws(body):
    return parse_bulletin(body, NWS, asked_at=ASKED)


def test_real_alerts_are_read_with_their_spans_severities_and_links():
    bulletin = nws(read_bytes(THREE))
    flood, statement, advisory = bulletin.warnings
    assert (flood.event, flood.severity) == ("Flash Flood Warning", Severity.SEVERE)
    assert flood.span == Span(utc("2026-07-15T20:00"), utc("2026-07-15T21:14:59"))
    assert flood.area == "Chaffee, CO"
    assert flood.url.startswith("https://api.weather.gov/alerts/urn:oid:2.49.0.1.840.0.46764a246ef7")
    assert flood.headline.startswith("Flash Flood Warning issued July 15 at 2:00PM MDT")
    assert (statement.severity, statement.span.end) == (Severity.MODERATE, utc("2026-07-15T20:29:59"))
    assert (advisory.severity, advisory.area) == (Severity.MINOR, "Jackson, TX; Wharton, TX")
    assert (bulletin.authority, bulletin.asked_at) == ("NOAA / National Weather Service", ASKED)


def test_tests_cancelled_alerts_and_those_of_no_time_do_not_count():
    wind, smoke = nws(read_bytes(EDGES)).warnings
    assert (wind.event, wind.severity) == ("High Wind Warning", Severity.EXTREME)
    assert wind.span == Span(utc("2026-07-15T20:00"), utc("2026-07-16T08:00"))  # effective, no onset
    assert (smoke.event, smoke.severity) == ("Air Quality Alert", Severity.UNKNOWN)


def test_foreign_texts_are_put_on_one_line_and_cut():
    _, smoke = nws(read_bytes(EDGES)).warnings
    assert smoke.headline.startswith("Smoke xxx")
    assert len(smoke.headline) == 300
    assert smoke.headline.endswith("…")


def test_an_alert_without_a_web_address_links_to_the_service():
    answer = read_json(THREE)
    answer["features"][0]["properties"]["@id"] = "javascript:alert(1)"
    assert nws(as_bytes(answer)).warnings[0].url == "https://www.weather.gov/"


def test_met_norway_s_warnings_are_read():
    storm, snow = parse_bulletin(read_bytes(METNO), MET, asked_at=None).warnings
    assert (storm.event, storm.severity, storm.url) == (
        "Storm",
        Severity.SEVERE,
        "https://www.met.no/invented",
    )
    assert storm.span == Span(utc("2026-01-15T18:00"), utc("2026-01-16T06:00"))
    assert (snow.event, snow.severity, snow.url) == ("Snow", Severity.MODERATE, "https://www.met.no/")
    assert snow.span == Span(utc("2026-01-16T11:00"), utc("2026-01-16T22:00"))


def test_no_alert_is_an_answer():
    assert nws(as_bytes({"type": "FeatureCollection", "features": []})).warnings == ()


BROKEN = {
    "no features": ({"type": "FeatureCollection"}, QualityCheck.SHAPE),
    "a feature that is none": ({"features": ["wind"]}, QualityCheck.SHAPE),
    "a feature without properties": ({"features": [{"id": "1"}]}, QualityCheck.SHAPE),
    "too many": ({"features": [{}] * 501}, QualityCheck.SHAPE),
}


@pytest.mark.parametrize(("answer", "gate"), BROKEN.values(), ids=BROKEN.keys())
@pytest.mark.parametrize("service", [NWS, MET], ids=["nws", "metno"])
def test_what_cannot_be_read_is_refused_whole(service, answer, gate):
    with pytest.raises(BadAnswer) as caught:
        parse_bulletin(as_bytes(answer), service, asked_at=None)
    assert caught.value.gate is gate


@pytest.mark.parametrize(
    ("name", "value"), [("onset", "soon"), ("expires", None), ("event", 7), ("id", None)]
)
def test_row_158_one_alert_that_cannot_be_read_leaves_the_others_and_is_named(name, value):
    answer = read_json(THREE)
    whole = nws(as_bytes(answer)).warnings
    answer["features"][1]["properties"][name] = value
    bulletin = nws(as_bytes(answer))
    assert bulletin.warnings == (whole[0], *whole[2:])
    (text,) = map(str, bulletin.unread)
    assert text.endswith("The other warnings are used.")


@pytest.mark.parametrize(
    ("service", "sample", "names"),
    [(NWS, THREE, ("event", "headline")), (MET, METNO, ("eventAwarenessName", "event", "title"))],
    ids=["nws", "metno"],
)
def test_row_234_an_alert_without_a_name_is_told_by_its_headline_or_said_to_be_unread(service, sample, names):
    answer = read_json(sample)
    whole = parse_bulletin(as_bytes(answer), service, asked_at=ASKED).warnings
    alert = answer["features"][0]["properties"]
    *others, headline = names
    alert.update(dict.fromkeys(others, " "))
    told = parse_bulletin(as_bytes(answer), service, asked_at=ASKED)
    assert told.warnings[0].event == whole[0].headline == " ".join(alert[headline].split())
    alert[headline] = "\n"
    nameless = parse_bulletin(as_bytes(answer), service, asked_at=ASKED)
    assert (nameless.warnings, len(nameless.unread)) == (whole[1:], 1)


def test_row_158_many_alerts_with_two_that_cannot_be_read():
    bulletin = nws(read_bytes("invented-nws-alerts-forty.json"))
    assert (len(bulletin.warnings), len(bulletin.unread)) == (38, 2)


def test_a_time_without_its_offset_is_refused():
    answer = read_json(METNO)
    answer["features"][0]["when"]["interval"][0] = "2026-01-15T18:00:00"
    del answer["features"][1:]
    with pytest.raises(BadAnswer) as caught:
        parse_bulletin(as_bytes(answer), MET, asked_at=None)
    assert caught.value.gate is QualityCheck.TIMES


def test_an_interval_that_is_no_pair_is_refused():
    answer = read_json(METNO)
    del answer["features"][1:]
    answer["features"][0]["when"]["interval"] = ["2026-01-15T18:00:00+00:00"]
    with pytest.raises(BadAnswer):
        parse_bulletin(as_bytes(answer), MET, asked_at=None)
