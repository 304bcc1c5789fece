"""`duskbell doctor`: what is set, what is wrong, and how to mend it."""

from __future__ import annotations

import json
import shlex
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from datetime import UTC, date, datetime, timedelta

import click
from sqlalchemy import Engine, make_url
from sqlalchemy.orm import Session

from alerts.briefing.text.obstacle_text import words_for
from alerts.common.errors import DuskbellError
from alerts.common.phrases import say
from alerts.judging.obstacles import Code, Level, Obstacle
from alerts.sky.earth_rotation import EarthRotation, earth_rotation
from service.accounts.access import WARNED_BEFORE
from service.accounts.receivers import shown
from service.app import Duskbell
from service.channels.channel_registry import build_channels
from service.cli.doctor_outside import (
    Diagnosis,
    examine_feeds,
    examine_mail,
    examine_network,
    note,
    ok,
    wrong,
)
from service.cli.main import OTHERS
from service.common.clock import real_clock
from service.common.kept_sky import open_ephemeris
from service.common.redaction import mask_text
from service.common.secret_key import FILE_NAME, load_keys
from service.delivery.custom_templates import built_in_names, read_templates, try_templates
from service.reports.ring_check import RingCheck
from service.settings import Settings, config_file, is_loopback, load_settings, origin_of
from service.store.engine import open_engine, require_room, require_writable, sqlite_file
from service.store.maintenance.invariants import find_broken
from service.store.migrate import current_revision, head_revision, require_current
from service.store.repositories.cycles import last_finished
from service.store.repositories.operator_alerts import find_open
from service.store.repositories.people import hanging_on_operator, keeping_without_right
from service.store.repositories.tokens import find_api_keys
from service.store.repositories.totals import resting_hosts

DATABASE_FILES = ("", "-wal", "-shm", ".lock", ".cycle-lock")
YEARS_LOOKED_AT = 20
"""For how many subscriptions it is worked out whether any night of a year suits them: a quarter of a second
each."""
ROTATION_ENDS_SOON = timedelta(days=90)


@click.command(help=say("cli.about-doctor"))
@click.option("--json", "as_json", is_flag=True, help=say("cli.help-doctor-json"))
def doctor(as_json: bool) -> None:
    settings = load_settings()
    findings = list(examine(settings))
    if as_json:
        click.echo(json.dumps([asdict(finding) for finding in findings], ensure_ascii=False))
    else:
        for finding in findings:
            click.echo(f"{finding.level:<6} {finding.about:<9} {finding.text}")
    if any(finding.level == "wrong" for finding in findings):
        sys.exit(1)


def examine(settings: Settings) -> Iterator[Diagnosis]:
    """All findings; a check that fails is a finding and stops no other."""
    file = config_file()
    key = "cli-doctor.settings-read" if file.exists() else "cli-doctor.settings-defaults"
    yield ok("settings", say(key, file=file))
    for check in (
        examine_database,
        examine_files,
        examine_key,
        examine_cycle,
        examine_sky,
        examine_rotation,
        examine_ring,
        examine_network,
        examine_feeds,
        examine_mail,
        examine_templates,
        examine_operator,
        examine_addresses,
        examine_delivery,
        examine_page,
        examine_proxy,
        examine_keys,
    ):
        try:
            yield from check(settings)
        except DuskbellError as error:
            yield wrong(check.__name__.removeprefix("examine_"), str(error))


@contextmanager
def _store(settings: Settings) -> Iterator[Engine]:
    """The store for one look, and nothing of it held open afterwards."""
    engine = open_engine(settings.store_url)
    try:
        yield engine
    finally:
        engine.dispose()


@contextmanager
def _current_store(settings: Settings) -> Iterator[Session | None]:
    """A session on the store; None where it is empty or of another version."""
    with _store(settings) as engine:
        if current_revision(engine) == head_revision():
            with Session(engine) as session:
                yield session
        else:
            yield None


def examine_database(settings: Settings) -> Iterator[Diagnosis]:
    with _store(settings) as engine:
        where = engine.url.render_as_string()
        if current_revision(engine) is None:
            yield note("database", say("cli-doctor.database-empty", where=where))
            return
        require_current(engine, create=False)
        require_writable(engine)
        require_room(engine)
        yield ok("database", say("cli-doctor.database-well", where=where, head_revision=head_revision()))


def examine_files(settings: Settings) -> Iterator[Diagnosis]:
    """Files that others on this machine may read; an older version made them so."""
    folder, file = settings.data_dir, sqlite_file(make_url(settings.store_url))
    named = [
        folder,
        settings.outbox,
        *([file.with_name(file.name + end) for end in DATABASE_FILES] if file else ()),
    ]
    inside = [each for place in (folder, settings.outbox) if place.is_dir() for each in place.iterdir()]
    paths = sorted({each for each in (*named, *inside) if each.exists()})
    open_paths = [each for each in paths if each.stat().st_mode & OTHERS]
    if open_paths:
        topmost = [each for each in open_paths if not any(other in each.parents for other in open_paths)]
        places = " ".join(shlex.quote(str(each)) for each in topmost)
        more = len(open_paths) - 1
        yield note("files", say("cli-doctor.files-open", first=open_paths[0], more=more, places=places))
    elif folder.exists():
        yield ok("files", say("cli-doctor.files-well", folder=folder))


def examine_key(settings: Settings) -> Iterator[Diagnosis]:
    """Whether links and hashes can be made; without a key file the first start makes one."""
    if settings.secret_key is not None or (settings.data_dir / FILE_NAME).exists():
        secret = settings.secret_key
        load_keys(settings.data_dir, secret.get_secret_value() if secret else "")
        yield ok("key", say("cli-doctor.key-well"))


def examine_cycle(settings: Settings) -> Iterator[Diagnosis]:
    with _store(settings) as engine:
        if current_revision(engine) is None:
            return
        with Session(engine) as session:
            last = last_finished(session)
        if last is None or last.finished_at is None:
            yield note("cycle", say("cli-doctor.cycle-none"))
        else:
            yield ok("cycle", say("cli-doctor.cycle-last", finished_at=last.finished_at))


def examine_sky(_settings: Settings) -> Iterator[Diagnosis]:
    ephemeris = open_ephemeris()
    first, last = ephemeris.first_night, ephemeris.last_night
    yield ok("sky", say("cli-doctor.sky", kernel=ephemeris.kernel_name, first=first, last=last))


def examine_rotation(_settings: Settings) -> Iterator[Diagnosis]:
    yield rotation_finding(earth_rotation(), datetime.now(UTC).date())


def rotation_finding(rotation: EarthRotation, today: date) -> Diagnosis:
    """How old the table of the Earth's turning is, and whether it ends soon or has ended."""
    values = {
        "measured_to": rotation.measured_to,
        "days": max((today - rotation.measured_to).days, 0),
        "last_day": rotation.last_day,
    }
    if rotation.last_day < today:
        return note("rotation", say("cli-doctor.rotation-ended", **values))
    if rotation.last_day < today + ROTATION_ENDS_SOON:
        return note("rotation", say("cli-doctor.rotation-ends", **values))
    return ok("rotation", say("cli-doctor.rotation-well", **values))


def examine_ring(settings: Settings) -> Iterator[Diagnosis]:
    """Whether a go can come, by the rule that every other screen asks (service/reports/ring_check.py)."""
    if settings.contact:
        yield ok("contact", say("cli-doctor.contact", contact=settings.contact))
    with _store(settings) as engine:
        is_current = current_revision(engine) == head_revision()
    if not is_current:
        if not settings.contact:
            yield wrong("ring", words_for(Obstacle(Code.NO_CONTACT, Level.NEVER)).text, Code.NO_CONTACT.value)
        return
    duskbell = Duskbell(settings)
    try:
        with duskbell.sessions() as session:
            found = RingCheck(duskbell, session, real_clock()).of_all(looks=YEARS_LOOKED_AT)
    finally:
        duskbell.engine.dispose()
    for each in found:
        if each.obstacle.code is not Code.OUTBOX_ONLY:  # the look at mail says it
            level = "wrong" if each.is_fault else "note"
            yield Diagnosis(level, "ring", each.line(), each.obstacle.code.value)
    if not any(each.obstacle.level is not Level.NOTE for each in found):
        yield ok("ring", say("cli-doctor.can-ring"))


def examine_templates(settings: Settings) -> Iterator[Diagnosis]:
    """Whether the operator's own message templates can write every kind of message."""
    if settings.template_dir is None:
        return
    templates, problem = read_templates(settings.template_dir)
    problems = [problem] if problem else try_templates(templates, open_ephemeris())
    for each in problems:
        yield wrong("templates", str(each))
    for name in sorted(templates.own.keys() - built_in_names()):
        yield note("templates", say("cli-doctor.template-extra", name=name))
    if not problems:
        names = ", ".join(sorted(templates.own))
        yield ok("templates", say("cli-doctor.templates-own", folder=settings.template_dir, names=names))


def examine_operator(settings: Settings) -> Iterator[Diagnosis]:
    """Whether anyone hears when the service itself is in trouble."""
    if settings.operator_way is None:
        yield note("operator", say("cli-doctor.operator-nobody"))
        return
    channel, address = settings.operator_way
    channels = build_channels(settings)
    if channel not in channels:
        known = ", ".join(sorted(channels))
        yield wrong("operator", say("cli-doctor.operator-unknown", channel=channel, known=known))
        return
    channels[channel].check_address(address)
    yield ok("operator", say("cli-doctor.operator-told", channel=channel))


def examine_addresses(settings: Settings) -> Iterator[Diagnosis]:
    """Mail addresses of which nobody has said whether they are the operator's own, and people of whom nobody
    has said whether they may keep sites."""
    with _current_store(settings) as session:
        if session is None:
            return
        for row in hanging_on_operator(session):
            yield wrong("addresses", say("cli-doctor.address-of-nobody", address=shown(row), number=row.id))
        numbers = [] if settings.open_sign_up else keeping_without_right(session)
    if numbers:
        yield note("people", say("cli-doctor.keep-without-right", numbers=numbers))


def examine_delivery(settings: Settings) -> Iterator[Diagnosis]:
    """What the store says of messages: promises broken, hosts that rest, troubles that last."""
    with _current_store(settings) as session:
        if session is None:
            return
        now = datetime.now(UTC)
        broken = find_broken(session, now=now, wall=now)
        for trouble in find_open(session):
            yield note("delivery", say("cli-doctor.trouble", since=trouble.since, text=trouble.text))
        for row in resting_hosts(session, now):
            text = say(
                "cli-doctor.host-rests",
                key=row.key,
                open_until=row.open_until,
                failures=row.failures,
                code=row.code,
            )
            yield note("delivery", mask_text(text))
    for finding in broken:
        yield wrong("delivery", finding)
    if not broken:
        yield ok("delivery", say("cli-doctor.delivery-well"))


def examine_keys(settings: Settings) -> Iterator[Diagnosis]:
    """Whether a program's key ends soon, or never."""
    with _current_store(settings) as session:
        if session is None:
            return
        now = datetime.now(UTC)
        for row in find_api_keys(session, now):
            ends = row.expires_at
            if ends is None:
                yield note("keys", say("cli-doctor.key-endless", number=row.id, label=row.label))
            elif ends <= now + WARNED_BEFORE:
                yield note(
                    "keys", say("cli-doctor.key-ends", number=row.id, label=row.label, expires_at=ends)
                )


def examine_proxy(settings: Settings) -> Iterator[Diagnosis]:
    """Whether a proxy that seems to stand before the pages is named."""
    reached = origin_of(settings.public_url)
    if settings.trusted_proxies:
        named = ", ".join(settings.trusted_proxies)
        yield ok("proxy", say("cli-doctor.proxy-trusted", named=named))
    elif reached is not None and not is_loopback(reached.host) and reached.port != settings.web_port:
        yield note("proxy", say("cli-doctor.proxy-untrusted", public_url=settings.public_url))


def examine_page(settings: Settings) -> Iterator[Diagnosis]:
    """Where the pages are, and what doesn't work there."""
    listens = f"http://{settings.web_host}:{settings.web_port}"
    yield ok("page", say("cli-doctor.page-served", listens=listens))
    reached = origin_of(settings.public_url)
    if reached is None:
        yield wrong("page", say("cli-doctor.page-no-host", public_url=settings.public_url))
    elif is_loopback(reached.host):
        if not is_loopback(settings.web_host):
            yield note("page", say("cli-doctor.page-links-here"))
    elif reached.scheme == "http":
        yield note("page", say("cli-doctor.page-plain", public_url=settings.public_url))
