"""`duskbell doctor`: what is set, what is wrong, and how to mend it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from alerts.errors import DuskbellError

if TYPE_CHECKING:
    from service.settings import Settings


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing looked at. level: ok, note (works, but know this) or wrong (something won't work)."""

    level: str
    about: str
    text: str


@click.command()
def doctor() -> None:
    """Check settings, database, mail and feeds; exit code 1 when something is wrong."""
    from service.settings import load_settings

    settings = load_settings()
    findings = list(examine(settings))
    for finding in findings:
        click.echo(f"{finding.level:<6} {finding.about:<9} {finding.text}")
    if any(finding.level == "wrong" for finding in findings):
        sys.exit(1)


def examine(settings: Settings) -> Iterator[Finding]:
    """All findings; a check that fails is a finding and stops no other."""
    from service.settings import config_file

    file = config_file()
    yield Finding(
        "ok",
        "settings",
        f"{file} is read" if file.exists() else f"defaults and environment ({file} isn't there)",
    )
    for check in (_database, _cycle, _sky, _contact, _feeds, _mail, _page):
        yield from _guarded(check, settings)


def _guarded(check: Callable[[Settings], Iterator[Finding]], settings: Settings) -> Iterator[Finding]:
    try:
        yield from check(settings)
    except DuskbellError as error:
        yield Finding("wrong", check.__name__.strip("_"), str(error))


def _database(settings: Settings) -> Iterator[Finding]:
    from service.store.engine import open_engine
    from service.store.migrate import current_revision, head_revision, require_current

    engine = open_engine(settings.store_url)
    shown = engine.url.render_as_string()
    if current_revision(engine) is None:
        yield Finding("note", "database", f"{shown} is empty; the first cycle makes the tables")
        return
    require_current(engine, create=False)
    yield Finding("ok", "database", f"{shown} at revision {head_revision()}")


def _cycle(settings: Settings) -> Iterator[Finding]:
    from sqlalchemy.orm import Session

    from service.store.cycles import last_finished
    from service.store.engine import open_engine
    from service.store.migrate import current_revision

    engine = open_engine(settings.store_url)
    if current_revision(engine) is None:
        return
    with Session(engine) as session:
        last = last_finished(session)
    if last is None or last.finished_at is None:
        yield Finding("note", "cycle", "no cycle has finished yet; run: duskbell cycle, or duskbell serve")
    else:
        yield Finding("ok", "cycle", f"the last one finished at {last.finished_at:%Y-%m-%d %H:%M} UTC")


def _sky(_settings: Settings) -> Iterator[Finding]:
    from alerts.sky.ephemeris import Ephemeris

    ephemeris = Ephemeris.open()
    yield Finding("ok", "sky", f"{ephemeris.kernel_name}, {ephemeris.first:%Y} to {ephemeris.last:%Y}")


def _contact(settings: Settings) -> Iterator[Finding]:
    if settings.contact:
        yield Finding("ok", "contact", f"the feeds are told: {settings.contact}")
    else:
        yield Finding(
            "wrong", "contact", "no feed can be asked: set DUSKBELL_CONTACT to your mail address or web page"
        )


def _feeds(settings: Settings) -> Iterator[Finding]:
    from service.feeds.wiring import feeds_from

    if not settings.uses_open_meteo and not settings.open_meteo_url:
        text = "a go needs two model families: without Open-Meteo there is none outside the United States"
        yield Finding("note", "feed", text)
    for feed in feeds_from(settings):
        if feed.off_because is None:
            yield Finding("ok", "feed", f"{feed.name} is on")
        else:
            yield Finding("note", "feed", f"{feed.name} is off: {feed.off_because}")


def _mail(settings: Settings) -> Iterator[Finding]:
    if not settings.smtp_host:
        yield Finding("note", "mail", f"no relay is set; mail is written as .eml files to {settings.outbox}")
        return
    from service.channels.registry import wiring_from

    wiring_from(settings)
    yield from _greet(settings)


def _greet(settings: Settings) -> Iterator[Finding]:
    import smtplib

    where = f"{settings.smtp_host}:{settings.smtp_port}"
    kind = smtplib.SMTP_SSL if settings.smtp_security == "tls" else smtplib.SMTP
    try:
        with kind(settings.smtp_host, settings.smtp_port, timeout=5) as relay:
            relay.ehlo()
            offers_tls = relay.has_extn("starttls")
    except (OSError, smtplib.SMTPException) as error:
        yield Finding("wrong", "mail", f"{where} doesn't answer ({error}); check smtp_host and smtp_port")
        return
    if settings.smtp_security == "starttls" and not offers_tls:
        yield Finding("wrong", "mail", f"{where} offers no STARTTLS; set smtp_security to tls or none")
        return
    yield Finding("ok", "mail", f"{where} answers")


def _page(settings: Settings) -> Iterator[Finding]:
    yield Finding(
        "ok", "page", f"served at http://{settings.web_host}:{settings.web_port} by: duskbell serve"
    )
