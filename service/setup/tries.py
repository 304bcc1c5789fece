"""Each answer tried at once: the feeds asked for the place, a message sent. One sentence says what came of
it, another what mends it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta

from alerts.common.phrases import phrase, say
from alerts.common.span import Span
from alerts.judging.rules import LINEAGES_NEEDED, PROVIDERS_NEEDED
from alerts.weather.forecast import Place
from service.accounts.receivers import send_test
from service.app import Duskbell
from service.channels.apprise import NamedTargets
from service.channels.email import Email, MailServer, OutboxFolder, relay_advice
from service.channels.model import Channel
from service.common.deadline import Deadline
from service.feeds.shared.model import Gathered
from service.setup.steps import Relay
from service.store.repositories.sites import StoredSite
from service.store.schema.core_tables import AddressRow

FEEDS_WITHIN_S = 8.0
RELAY_STEP_S, RELAY_WITHIN_S = 8.0, 20.0
"""A person waits."""
HOURS_ASKED = timedelta(hours=24)


@dataclass(frozen=True, slots=True)
class Tried:
    """What came of a try. mend: what to do where it isn't well. needs_code: a code lies where the message
    went, and hasn't been typed here. place: the file it was written to, where there is no relay."""

    is_well: bool
    text: str
    mend: str = ""
    needs_code: bool = False
    place: str = ""


def try_feeds(duskbell: Duskbell, stored: StoredSite) -> Tried:
    """Ask the feeds for the place, as the settings say, within seconds."""
    if not (duskbell.settings.contact or duskbell.invented):
        text = say("setup.feeds-not-asked")
        return Tried(False, text, say("setup.mend-answer-contact"))
    gathered = _ask(duskbell, stored)
    where = stored.site.name
    providers = sorted({each.source.provider for each in gathered.forecasts})
    families = {each.source.lineage for each in gathered.forecasts}
    unwell = list(dict.fromkeys(each.text for each in (*gathered.failures, *gathered.off[:1])))
    if not providers:
        reason = unwell[0] if unwell else ""
        text = say("setup.feeds-silent", site=where, reason=reason)
        return Tried(False, text, say("setup.mend-doctor"))
    if len(providers) >= PROVIDERS_NEEDED and len(families) >= LINEAGES_NEEDED:
        return Tried(True, say("setup.feeds-well", providers=providers, site=where, families=len(families)))
    text = say("setup.feeds-too-few", providers=providers, site=where)
    if not duskbell.settings.uses_open_meteo:
        return Tried(False, text, say("setup.mend-open-meteo", without=phrase("setup.without-open-meteo")))
    reason = gathered.failures[0].text if gathered.failures else ""
    return Tried(False, text, say("setup.mend-try-later", reason=reason))


def _ask(duskbell: Duskbell, stored: StoredSite) -> Gathered:
    from service.feeds.feed_wiring import ask_now
    from service.feeds.store_access import behind_store

    hour = duskbell.clock().replace(minute=0, second=0, microsecond=0)
    hours = Span(hour, hour + HOURS_ASKED)
    elevation_m = stored.site.elevation_m if stored.elevation_known else None
    place = Place(stored.site.lat_deg, stored.site.lon_deg, elevation_m)
    if duskbell.invented_weather is not None:
        return duskbell.invented_weather([place], hours)
    behind = behind_store(duskbell.settings, duskbell.sessions)
    return ask_now(behind, [place], hours, Deadline(FEEDS_WITHIN_S))


def try_mail(duskbell: Duskbell, address_id: int, relay: Relay | None) -> Tried:
    """Send a test through the relay that was answered, whether or not it is kept; without one into the
    outbox."""
    settings = duskbell.settings
    if relay is None:
        return _try(duskbell, "email", OutboxFolder(settings.outbox, settings.mail_from), address_id)
    server = MailServer(
        host=relay.host,
        port=relay.port,
        security=relay.security,
        user=relay.user,
        password=relay.password,
        step_timeout_s=RELAY_STEP_S,
        whole_timeout_s=RELAY_WITHIN_S,
        proxy=settings.proxy,
    )
    mail = Email(server, relay.sender, return_path=settings.mail_return_path)
    tried = _try(duskbell, "email", mail, address_id)
    if relay.security == "none" and tried.is_well and relay.host not in ("localhost", "127.0.0.1", "::1"):
        return replace(tried, mend=say("setup.mend-starttls"))
    return tried


def try_chat(duskbell: Duskbell, address_id: int) -> Tried:
    """Send a test to a chat that was registered."""
    with duskbell.sessions() as session:
        channel = session.get_one(AddressRow, address_id).channel
    return _try(duskbell, channel, duskbell.channels[channel], address_id)


def try_push(duskbell: Duskbell, address_id: int, name: str, url: str) -> Tried:
    """Send a test through the push service that was answered, whether or not it is kept."""
    return _try(duskbell, "named", NamedTargets({name: url}), address_id)


def _try(duskbell: Duskbell, name: str, channel: Channel, address_id: int) -> Tried:
    tested = send_test(duskbell.sessions, {name: channel}, duskbell.keys, address_id, now=duskbell.clock())
    if tested.place:
        return Tried(True, say("setup.test-written", place=tested.place), place=tested.place)
    if tested.arrived:
        return Tried(True, tested.text, needs_code=not tested.confirmed)
    advice = (
        relay_advice(tested.fault) if name == "email" else phrase("setup.mend-receiver", code=tested.fault)
    )
    return Tried(False, tested.text, str(advice))
