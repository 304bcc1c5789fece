"""Sites, addresses and a shared place for a house that is only looked at."""

from __future__ import annotations

from alerts.wishes.model import DEFAULT_WISHES
from service.channels.webhook import new_secret
from service.demo.play import FLAT, PAN, RIDGE
from service.store.repositories import people, subscriptions
from service.store.repositories.sites import add_site, share_site
from tests.browser.house import House
from tests.integration.pipeline.world import MAIL, START


def furnish(house: House) -> None:
    with house.duskbell.sessions.begin() as session:
        owner = people.get_operator(session, zone=FLAT.zone, now=START)
        mail = people.add_address(session, owner, "email", MAIL, secrets=[], now=START, is_own=True)
        chat = people.add_address(
            session, owner, "webhook", house.chat_url, secrets=[new_secret()], now=START
        )
        for site in (FLAT, PAN, RIDGE):
            row = add_site(session, owner, site, elevation_known=True, now=START)
            share_site(session, row, is_shared=site is RIDGE, now=START)
            subscriptions.subscribe(session, mail, row, DEFAULT_WISHES, now=START)
            if site is FLAT:
                subscriptions.subscribe(session, chat, row, DEFAULT_WISHES, now=START)
