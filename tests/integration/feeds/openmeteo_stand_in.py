"""A stand-in for Open-Meteo behind `responses`, and an installation whose clocks the tests hold."""

import json
from datetime import datetime
from urllib.parse import parse_qs, urlsplit

import responses

from alerts.common.span import Span
from alerts.weather.forecast import Place
from alerts.weather.models import find_model
from service.feeds.open_meteo.client import DEFAULT_MODELS, OpenMeteo, OpenMeteoAccess
from service.feeds.shared.cached_request import AskRound, MemoryCache
from tests.integration.feeds.feed_data import Clocks, held_client, utc

FORECAST = "https://api.open-meteo.com/v1/forecast"
ENSEMBLE = "https://ensemble-api.open-meteo.com/v1/ensemble"
AIR = "https://air-quality-api.open-meteo.com/v1/air-quality"
META = "https://api.open-meteo.com/data/{}/static/meta.json"
TEIDE = Place(28.27, -16.64, 2350)
ALPS = Place(47.0, 11.5, 1500.4)
NIGHT = Span(utc("2026-10-09T20:30"), utc("2026-10-10T04:10"))
UNITS = {
    "%": ("cloud_cover", "cloud_cover_low", "cloud_cover_mid", "cloud_cover_high", "relative_humidity_2m"),
    "m": ("visibility",),
    "°C": ("temperature_2m", "dew_point_2m"),
    "m/s": ("wind_speed_10m", "wind_gusts_10m"),
    "mm": ("precipitation",),
    "wmo code": ("weather_code",),
    "": ("aerosol_optical_depth",),
    "μg/m³": ("pm2_5", "dust"),
}
UNIT_OF = {name: unit for unit, names in UNITS.items() for name in names} | {"precipitation_probability": "%"}


def element(query, lat_deg, lon_deg, shift):
    """One place's answer to a query, its values made of the hour so that they differ."""
    start, end = (
        int(datetime.fromisoformat(query[name] + "+00:00").timestamp()) for name in ("start_hour", "end_hour")
    )
    times = list(range(start, end + 1, 3600))
    names = query["hourly"].split(",")
    return {
        "latitude": lat_deg,
        "longitude": lon_deg,
        "elevation": 1500.0,
        "generationtime_ms": 0.5,
        "utc_offset_seconds": 0,
        "hourly_units": {"time": "unixtime", **{name: UNIT_OF[name] for name in names}},
        "hourly": {"time": times}
        | {name: [(at // 3600 + shift) % most(name) for at in times] for name in names},
    }


def most(name):
    """An optical depth of 40 would be no sky on Earth."""
    return 2 if name == "aerosol_optical_depth" else 40


def query_of(call):
    return {name: value[0] for name, value in parse_qs(urlsplit(call.url).query).items()}


class OpenMeteoStandIn:
    """Answers like Open-Meteo. shift: changes all values, as a new run does."""

    def __init__(self, mocked):
        self.mocked, self.shift, self.change = mocked, 0, lambda elements: elements
        mocked.add_callback(responses.GET, FORECAST, self.answer)

    def answer(self, request):
        query = query_of(request)
        spots = zip(query["latitude"].split(","), query["longitude"].split(","), strict=True)
        elements = [element(query, float(lat), float(lon), self.shift) for lat, lon in spots]
        elements = self.change(elements)
        return 200, {}, json.dumps(elements[0] if len(elements) == 1 else elements)

    def answer_with_members(self, request):
        """As `answer`, with thirty more members, each a little cloudier."""
        status, headers, body = self.answer(request)
        parts = json.loads(body)
        for part in parts if isinstance(parts, list) else [parts]:
            control = part["hourly"]["cloud_cover"]
            for member in range(1, 31):
                name = f"cloud_cover_member{member:02}"
                part["hourly"][name] = [value + member for value in control]
                part["hourly_units"][name] = "%"
        return status, headers, json.dumps(parts)

    def tell_runs(self, began: str, run="dwd_icon", available_after_h=3):
        """The model's newest run in its meta.json."""
        at = int(utc(began).timestamp())
        meta = {
            "last_run_initialisation_time": at,
            "last_run_availability_time": at + available_after_h * 3600,
            "update_interval_seconds": 21600,
        }
        self.mocked.upsert(responses.GET, META.format(run), json=meta)

    @property
    def asked(self):
        return [query_of(call.request) for call in self.mocked.calls if call.request.url.startswith(FORECAST)]


def mocked_runs():
    """Everything mocked; no model tells its runs unless a test says so."""
    mock = responses.RequestsMock(assert_all_requests_are_fired=False)
    for model in DEFAULT_MODELS:
        mock.add(responses.GET, META.format(find_model("open-meteo", model).run_name), status=404)
    return mock


class Installation:
    """A feed with its client, cache and clocks; ICON alone unless said otherwise."""

    def __init__(self, **how):
        self.clocks = Clocks()
        self.client = held_client(self.clocks)
        self.cache = MemoryCache()
        access = {name: how.pop(name) for name in tuple(how) if name in OpenMeteoAccess.__slots__}
        access = OpenMeteoAccess(**{"non_commercial": True, **access})
        self.feed = OpenMeteo(access, **{"models": ["icon_seamless"], **how})

    def fetch(self, places=(ALPS,), hours=NIGHT):
        return self.feed.fetch(places, hours, AskRound(self.client, self.cache, self.client.deadline(30)))
