"""The invented week: who, where, and what three made-up models say when; and how it is played.

Made-up names, since no provider is to be credited with invented values. All else is real: store, stages and
deliveries, with receivers on loopback.
"""

from __future__ import annotations

import json
import math
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from email import message_from_bytes, policy
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from socketserver import BaseServer, StreamRequestHandler, ThreadingTCPServer
from typing import Any

from alerts.common.phrases import say
from alerts.common.span import Span
from alerts.sites.model import Site
from alerts.weather.forecast import Forecast, LayerScheme, Place, Source
from alerts.weather.hours import HourlyWeather, Hours
from alerts.wishes.model import DEFAULT_WISHES
from service.app import Duskbell
from service.channels.webhook import new_secret
from service.feeds.shared.model import Gathered
from service.pipeline.run_cycle import run_cycle
from service.settings import Settings
from service.store.repositories import people, subscriptions
from service.store.repositories.sites import add_site

ZONE = "Europe/Madrid"
SATURDAY = date(2027, 7, 3)
"""A night before new moon: 2027-07-04 03:02 UTC."""

FLAT = Site("Windpump Flat", 40.31, -1.42, 1180.0, ZONE)
PAN = Site("Salt Pan East", 39.95, -1.85, 890.0, ZONE)
RIDGE = Site("Cairn Ridge", 40.75, -1.05, 1540.0, ZONE)
SITES = (FLAT, PAN, RIDGE)

YOU = "you@example.org"
"""Reserved for examples (RFC 2606); its mail goes to the demo's own server."""


@dataclass(frozen=True, slots=True)
class Tick:
    """One cycle of the story. text: what happens in the world, by its key in the catalogue."""

    at: datetime
    text: str


def _utc(day: int, hour: int, minute: int, month: int = 7) -> datetime:
    return datetime(2027, month, day, hour, minute, tzinfo=UTC)


TICKS = (
    Tick(_utc(30, 16, 7, month=6), "demo.wednesday"),
    Tick(_utc(1, 7, 7), "demo.thursday-morning"),
    Tick(_utc(1, 16, 7), "demo.thursday-evening"),
    Tick(_utc(2, 7, 7), "demo.friday-morning"),
    Tick(_utc(2, 16, 7), "demo.friday-evening"),
    Tick(_utc(3, 7, 7), "demo.saturday-morning"),
    Tick(_utc(3, 17, 7), "demo.saturday-to-leave"),
    Tick(_utc(3, 18, 37), "demo.saturday-on-the-road"),
    Tick(_utc(3, 20, 37), "demo.saturday-sours"),
    Tick(_utc(3, 21, 7), "demo.saturday-cloud"),
    Tick(_utc(4, 7, 7), "demo.sunday-morning"),
)

_WEDNESDAY_RUN = _utc(30, 12, 0, month=6)


def invented_sky() -> InventedSky:
    """The script: a clear Saturday that comes true on the ridge, and not on the flat or the pan."""
    return InventedSky(
        {
            _place(FLAT): (
                Turn(_WEDNESDAY_RUN, SATURDAY, 0.0),
                Turn(_utc(3, 3, 0), SATURDAY, 9.0),
                Turn(_utc(3, 18, 0), SATURDAY, 82.0),
            ),
            _place(PAN): (Turn(_WEDNESDAY_RUN, SATURDAY, 28.0), Turn(_utc(2, 3, 0), SATURDAY, 88.0)),
            _place(RIDGE): (Turn(_WEDNESDAY_RUN, SATURDAY, 0.0), Turn(_utc(3, 3, 0), SATURDAY, 1.0)),
        }
    )


def _place(site: Site) -> Place:
    return Place(site.lat_deg, site.lon_deg, site.elevation_m)


HOUR = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class InventedModel:
    """A made-up model. bias_pct: how much cloudier than the script it sees things."""

    name: str
    lineage: str
    provider: str
    bias_pct: float


MODELS = (
    InventedModel("lark", "invented-lark", "Invented Weather Office", -4.0),
    InventedModel("plover", "invented-plover", "Invented Weather Office", 2.0),
    InventedModel("curlew", "invented-curlew", "Made-up Met Bureau", 6.0),
)


@dataclass(frozen=True, slots=True)
class Turn:
    """From `issued_from` on, the models see this cloud (percent) over the night of that name."""

    issued_from: datetime
    night: date
    cloud_pct: float
    wind_ms: float = 3.0


@dataclass(frozen=True, slots=True)
class InventedSky:
    """Answers like the feeds do, from a script: one list of turns a place, newest last."""

    script: Mapping[Place, Sequence[Turn]]
    default_cloud_pct: float = 85.0

    def gather(self, places: Sequence[Place], hours: Span) -> Gathered:
        """What the made-up models say at `hours.start` for those places."""
        now = hours.start
        return Gathered(
            forecasts=tuple(self._forecast(place, model, now, hours) for place in places for model in MODELS)
        )

    def _forecast(self, place: Place, model: InventedModel, now: datetime, hours: Span) -> Forecast:
        out = now - HOUR  # the newest three-hourly run that is out; an hour after it begins
        issued_at = out.replace(hour=out.hour - out.hour % 3, minute=0, second=0, microsecond=0)
        first = hours.start.replace(minute=0, second=0, microsecond=0)
        count = math.ceil((hours.end - first) / HOUR) + 1
        records = Hours.of(self._hour(place, model, issued_at, first + i * HOUR) for i in range(count))
        source = Source(
            feed="invented",
            provider=model.provider,
            lineage=model.lineage,
            model=model.name,
            attribution=f"Invented weather of the made-up model {model.name}",
            attribution_url="",
            issued_at=issued_at,
            fetched_at=now,
        )
        return Forecast(
            source, place.lat_deg, place.lon_deg, place.elevation_m, LayerScheme.NONE, records, place=place
        )

    def _hour(self, place: Place, model: InventedModel, issued_at: datetime, at: datetime) -> HourlyWeather:
        # the newest turn known for the night that it falls in (noon to noon UTC)
        night = (at - timedelta(hours=12)).date()
        known = [t for t in self.script.get(place, ()) if t.issued_from <= issued_at and t.night == night]
        turn = known[-1] if known else None
        cloud = turn.cloud_pct if turn else self.default_cloud_pct
        chill = 6 * math.cos((at.hour - 14) * math.tau / 24)
        return HourlyWeather(
            starts=at - HOUR / 2,
            ends=at + HOUR / 2,
            cloud_total_pct=min(100.0, max(0.0, cloud + model.bias_pct)),
            temperature_c=16 + chill,
            dew_point_c=7.0,
            wind_ms=turn.wind_ms if turn else 3.0,
            gust_ms=(turn.wind_ms if turn else 3.0) * 1.6,
            visibility_m=30_000.0,
            precipitation_probability_pct=5.0,
            precipitation_mm=0.0,
        )


Tell = Callable[[str], None]
Take = Callable[[bytes], None]
"""Given what arrives, one after the other."""


@dataclass(frozen=True, slots=True)
class Played:
    """What is left of the story: the installation, and what arrived."""

    duskbell: Duskbell
    box: MailBox
    room: ChatRoom


@contextmanager
def stage(folder: Path) -> Iterator[Played]:
    """A wired installation in that folder, with its receivers listening until the end."""
    arrived = folder / "arrived"
    arrived.mkdir(parents=True)
    box, room = MailBox(arrived), ChatRoom(arrived)
    with ExitStack() as stack:
        smtp_port = stack.enter_context(mail_server(box.take))
        chat_port = stack.enter_context(chat_server(room.take))
        duskbell = Duskbell(_settings(folder, smtp_port, chat_port), invented_weather=invented_sky().gather)
        _people_and_places(duskbell, f"http://{LOOPBACK}:{chat_port}/club", TICKS[0].at)
        yield Played(duskbell, box, room)
        duskbell.engine.dispose()


def play(played: Played, tell: Tell) -> None:
    """Run the story's cycles one after the other, telling what each brought."""
    for number, tick in enumerate(TICKS, start=1):
        tell(f"[{number:>2}/{len(TICKS)}] {say(tick.text)}")
        mails, posts = len(played.box.mails), len(played.room.posts)
        run_cycle(played.duskbell, tick.at)
        came = [
            *(("mail", path.name, mail["Subject"]) for path, mail in played.box.mails[mails:]),
            *(("chat", path.name, post["type"]) for path, post in played.room.posts[posts:]),
        ]
        for by, file, what in came:
            tell(f"        {say('demo.arrived', by=by, file=file, what=what)}")
        if not came:
            tell(f"        {say('demo.silence')}")


def _settings(folder: Path, smtp_port: int, chat_port: int) -> Settings:
    """Settings of the demo alone; nothing of a real installation is read or written."""
    return Settings(
        data_dir=folder,
        database_url=f"sqlite:///{folder / 'demo.sqlite3'}",
        outbox_dir=folder / "outbox",
        contact="demo@example.org",
        smtp_host=LOOPBACK,
        smtp_port=smtp_port,
        smtp_security="none",
        smtp_user="",
        smtp_password=None,
        mail_from="duskbell@example.org",
        webhook_allow=(f"{LOOPBACK}:{chat_port}",),
        cycle_minutes=30,
    )


def _people_and_places(duskbell: Duskbell, chat_url: str, now: datetime) -> None:
    with duskbell.sessions.begin() as session:
        owner = people.get_operator(session, zone=ZONE, now=now)
        sites = {site: add_site(session, owner, site, elevation_known=True, now=now) for site in SITES}
        mail = people.add_address(session, owner, "email", YOU, secrets=[], now=now, is_own=True)
        chat = people.add_address(session, owner, "webhook", chat_url, secrets=[new_secret()], now=now)
        for row in sites.values():
            subscriptions.subscribe(session, mail, row, DEFAULT_WISHES, now=now)
        subscriptions.subscribe(session, chat, sites[FLAT], DEFAULT_WISHES, now=now)


LOOPBACK = "127.0.0.1"
LARGEST_BODY = 64 * 1024
LONGEST_LINE = 1000
"""With its end (RFC 5321, 4.5.3.1.6)."""
STOP_SEEN_WITHIN_S = 0.02


@dataclass
class MailBox:
    """Keeps what arrives, in memory and as numbered .eml files."""

    folder: Path
    mails: list[tuple[Path, EmailMessage]] = field(default_factory=list)

    def take(self, body: bytes) -> None:
        mail = message_from_bytes(body, policy=policy.default)
        assert isinstance(mail, EmailMessage), "the default policy makes these"
        path = self.folder / f"mail-{len(self.mails) + 1:02}.eml"
        path.write_bytes(body)
        self.mails.append((path, mail))


@dataclass
class ChatRoom:
    """Keeps the JSON that arrives, in memory and as numbered files."""

    folder: Path
    posts: list[tuple[Path, dict[str, Any]]] = field(default_factory=list)

    def take(self, body: bytes) -> None:
        path = self.folder / f"chat-{len(self.posts) + 1:02}.json"
        post = json.loads(body)
        path.write_text(json.dumps(post, indent=2, ensure_ascii=False), encoding="utf-8")
        self.posts.append((path, post))


@contextmanager
def mail_server(take: Take) -> Iterator[int]:
    """A real SMTP server that hands on its mail; yields its port.

    It says as much of RFC 5321 as our own sender needs: no extension, and every recipient is taken.
    """
    one_at_a_time = threading.Lock()

    class MailHandler(StreamRequestHandler):
        def handle(self) -> None:
            self._answer(b"220 the demo's mail server")
            while (line := self.rfile.readline(LONGEST_LINE)) and not line.upper().startswith(b"QUIT"):
                if line.upper().startswith(b"DATA"):
                    self._answer(b"354 go ahead")
                    lines = iter(lambda: self.rfile.readline(LONGEST_LINE), b".\r\n")
                    content = b"".join(each.removeprefix(b".") for each in lines)
                    with one_at_a_time:
                        take(content)
                self._answer(b"250 taken")
            self._answer(b"221 goodbye")

        def _answer(self, line: bytes) -> None:
            self.wfile.write(line + b"\r\n")

    with _Patient((LOOPBACK, 0), MailHandler) as server, _running(server):
        yield server.server_address[1]


class _Patient(ThreadingTCPServer):
    """Many senders may come at once."""

    daemon_threads = True
    request_queue_size = 128


@contextmanager
def chat_server(take: Take) -> Iterator[int]:
    """A real HTTP server that hands on what is posted; yields its port."""
    one_at_a_time = threading.Lock()

    class PostHandler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            length = min(int(self.headers.get("Content-Length", 0)), LARGEST_BODY)
            body = self.rfile.read(length)
            with one_at_a_time:
                take(body)
            self.send_response(204)
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:
            """Say nothing: the demo tells its own story."""

    with ThreadingHTTPServer((LOOPBACK, 0), PostHandler) as server, _running(server):
        yield server.server_port


@contextmanager
def _running(server: BaseServer) -> Iterator[None]:
    thread = threading.Thread(target=lambda: server.serve_forever(STOP_SEEN_WITHIN_S), daemon=True)
    thread.start()
    try:
        yield
    finally:
        server.shutdown()
        thread.join()
