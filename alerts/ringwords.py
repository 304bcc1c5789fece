"""What stands in the way of a go, in words: the obstacle in one sentence, its mend in another.

For the operator a mend names the setting or the command and the page; to others the settings are nobody's
business, and what only the operator can mend is told as that.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime

from alerts.briefing.wording import listed, sentence
from alerts.ringing import Code, FeedHere, Level, Obstacle, Silence
from alerts.values import value
from alerts.weather.modelnames import family_name

TELL_THE_OPERATOR = "Tell whoever runs this Duskbell; only they can mend it."


@value(frozen=True, slots=True)
class Said:
    """One obstacle in words."""

    what: str
    mend: str

    @property
    def text(self) -> str:
        return f"{self.what} {self.mend}"


def say(obstacle: Obstacle, *, site: str = "SITE", for_operator: bool = True) -> Said:
    """The obstacle and its mend. site: what the site is called in a command."""
    if not for_operator and obstacle.code in _OF_SETTINGS:
        return Said(_OF_SETTINGS[obstacle.code], _wait(obstacle) or TELL_THE_OPERATOR)
    what, mend = _WORDS[obstacle.code]
    mend = mend if for_operator else _FOR_READERS.get(obstacle.code, mend)
    return Said(what(obstacle), mend(obstacle).replace("{site}", site))


_OF_SETTINGS = {
    Code.NO_CONTACT: "No weather feed is asked here, so no go can be said.",
    Code.NO_FEED: "No weather feed answers for this place, so no go can be said.",
    Code.ONE_PROVIDER: "Too few weather feeds answer for this place, so no go can be said.",
    Code.ONE_FAMILY: "Too few weather models answer for this place, so no go can be said.",
    Code.NOT_INSTALLED: "This Duskbell can't reach that receiver as it is installed.",
    Code.NO_TARGET: "This Duskbell no longer knows that receiver.",
    Code.OUTBOX_ONLY: "This Duskbell sends no mail; what it would send is kept on its machine.",
}
"""What concerns the settings, as others than the operator hear it."""


def _wait(obstacle: Obstacle) -> str:
    return "It ends by itself." if obstacle.level is Level.FOR_NOW else ""


# ---- sources


def _no_feed(obstacle: Obstacle) -> str:
    return "No weather feed answers for this place."


def _one_provider(obstacle: Obstacle) -> str:
    families = listed([family_name(each) for each in obstacle.lineages])
    return f"Only {obstacle.providers[0]} answers for this place ({families}), and a go needs two providers."


def _one_family(obstacle: Obstacle) -> str:
    providers, family = listed(list(obstacle.providers)), family_name(obstacle.lineages[0])
    return f"{providers} bring one model family for this place ({family}), and a go needs two."


def _remedy(obstacle: Obstacle) -> str:
    """What each of the silent feeds would need, as one sentence."""
    clauses = (_REMEDIES[each.silent](each) for each in obstacle.remedies if each.silent is not None)
    needs = tuple(dict.fromkeys(clauses)) or ("name a model of another family in open_meteo_models",)
    return sentence(", or ".join(needs))


_SWITCHES = {"metno": "met_norway", "nws": "nws"}


def _declare(feed: FeedHere) -> str:
    return (
        "if nobody pays for this and it shows no adverts, declare that with open_meteo_noncommercial = true, "
        "else set open_meteo_key (duskbell setup asks for both)"
    )


def _until(at: datetime | None) -> str:
    return f" until {at.astimezone(UTC):%Y-%m-%d %H:%M} UTC" if at else ""


_REMEDIES: dict[Silence, Callable[[FeedHere], str]] = {
    Silence.OFF: lambda feed: f"set {_SWITCHES.get(feed.feed, feed.feed)} = true",
    Silence.UNDECLARED: _declare,
    Silence.UNREADABLE: lambda feed: f"mend the settings of {feed.feed}: {feed.reason.rstrip('.')}",
    Silence.REFUSES: lambda feed: (
        f"{feed.feed} refuses us ({feed.reason.rstrip('.')}): mend that, then run duskbell feeds close "
        f"{feed.feed}, or ask again on the page /operator"
    ),
    Silence.RESTS: lambda feed: (
        f"{feed.feed} is left alone{_until(feed.until)} ({feed.reason.rstrip('.')}) and asked again then"
    ),
    Silence.SPENT: lambda feed: (
        f"what {feed.feed} allows in a day is used up{_until(feed.until)}: fewer models, a key or a server "
        "of your own carry more"
    ),
}


# ---- who is told, and with which wishes


def _change(option: str) -> Callable[[Obstacle], str]:
    """`change subscription 3: duskbell subscription change 3 --chance 90`; without a number where it is
    about to be made."""

    def say_it(obstacle: Obstacle) -> str:
        with_values = option.format(reach=obstacle.reach_pct)
        if not obstacle.number:
            return f"{with_values}."
        return (
            f"duskbell subscription change {obstacle.number} {with_values}, or the page "
            f"/subscriptions/{obstacle.number}."
        )

    return say_it


def _unconfirmed(obstacle: Obstacle) -> str:
    if obstacle.channel == "email":
        asks = "Its reader opens the link in the mail that asked for it"
    else:
        asks = f"Try it: duskbell address test {obstacle.number}, or the page /me"
    return f"{asks}; or vouch for it: duskbell address confirm {obstacle.number}."


def _reach(obstacle: Obstacle) -> str:
    return (
        f"A go from {obstacle.limit_pct} % can't come here: under a cloudless sky the forecasts that answer "
        f"make {obstacle.reach_pct} % at most."
    )


def _station(obstacle: Obstacle) -> str:
    return (
        f"A go from {obstacle.limit_pct} % comes only when a station nearby sees a clear sky as well; "
        f"the forecasts alone make {obstacle.reach_pct} % at most."
    )


_WORDS: dict[Code, tuple[Callable[[Obstacle], str], Callable[[Obstacle], str]]] = {
    Code.NO_CONTACT: (
        lambda _: "No weather feed is asked: they want to know who asks.",
        lambda _: (
            "Set contact (DUSKBELL_CONTACT) to your mail address or web page; duskbell setup asks for it."
        ),
    ),
    Code.NO_FEED: (_no_feed, _remedy),
    Code.ONE_PROVIDER: (_one_provider, _remedy),
    Code.ONE_FAMILY: (_one_family, _remedy),
    Code.NO_SITE: (
        lambda _: "There is no site yet.",
        lambda _: 'Add one: duskbell site add "NAME" --at LAT,LON, or the page /sites/new.',
    ),
    Code.NOBODY_TOLD: (
        lambda _: "Nobody is told about it.",
        lambda _: 'Next: duskbell subscribe "{site}" --email YOU@EXAMPLE.ORG --mine, or the site\'s page.',
    ),
    Code.ENDED: (
        lambda each: f"Subscription {each.number} has ended.",
        lambda _: 'Subscribe anew: duskbell subscribe "{site}" --email YOU@EXAMPLE.ORG --mine, or the page.',
    ),
    Code.PAUSED: (
        lambda each: f"Subscription {each.number} is paused{_until(each.until)}.",
        lambda each: (
            f"To hear sooner: duskbell subscription resume {each.number}, or the page "
            f"/subscriptions/{each.number}."
        ),
    ),
    Code.NOT_CONFIRMED: (
        lambda each: f"Address {each.number} isn't confirmed, and nothing is sent before that.",
        _unconfirmed,
    ),
    Code.SWITCHED_OFF: (
        lambda each: f"Address {each.number} is switched off: {each.reason or 'nobody said why'}.",
        lambda each: f"When that is mended: duskbell address on {each.number}, or the page /me.",
    ),
    Code.NOT_INSTALLED: (
        lambda _: "Named targets need a package that isn't installed here.",
        lambda _: "Install it: pip install 'duskbell[channels]'.",
    ),
    Code.NO_TARGET: (
        lambda each: f"The settings have no named target {each.reason!r}.",
        lambda _: "Name it in named_targets, or subscribe another address.",
    ),
    Code.OUTBOX_ONLY: (
        lambda each: f"No mail leaves this machine: it is written to files in {each.reason}.",
        lambda _: (
            "Set smtp_host to a mail relay (duskbell setup asks for it), or subscribe a chat or webhook."
        ),
    ),
    Code.BEYOND_REACH: (_reach, lambda each: f"Ask for less: {_change('--chance {reach}')(each)}"),
    Code.NEEDS_A_STATION: (_station, lambda each: f"To hear more often: {_change('--chance {reach}')(each)}"),
    Code.NO_SUCH_NIGHT: (
        lambda each: each.said[0],
        lambda each: " ".join(each.said[1:]) or f"Wish for something else: {_change('--target band')(each)}",
    ),
    Code.TRIPS_OVER: (
        lambda _: "All trips lie behind, and nights at home don't count.",
        lambda each: f"Name new trips, or let nights at home count: {_change('--no-trips-only')(each)}",
    ),
    Code.ALWAYS_QUIET: (
        lambda _: "Quiet hours cover all the time in which a go could be said.",
        lambda each: f"Shorten them: {_change('--quiet 22:00-07:00')(each)}",
    ),
    Code.TOO_FAR: (
        lambda _: (
            "The drive is so long that a go, which is said on the day of the night, always comes too late."
        ),
        lambda each: f"Start from nearer by: {_change('--drive 3:00')(each)}",
    ),
    Code.CLASH: (
        lambda each: each.said[0],
        lambda each: f"Change one of the two: {_change('--help')(each)}",
    ),
}

_FOR_READERS: dict[Code, Callable[[Obstacle], str]] = {
    Code.NO_SITE: lambda _: "Add one on the page /sites/new.",
    Code.NOBODY_TOLD: lambda _: "Be told about it on its page.",
    Code.ENDED: lambda _: "Be told again on the site's page.",
    Code.PAUSED: lambda each: f"End the pause on the page /subscriptions/{each.number}.",
    Code.NOT_CONFIRMED: lambda _: "Open the link in the mail that asked for it, or try it on the page /me.",
    Code.SWITCHED_OFF: lambda _: "When that is mended, switch it on again on the page /me.",
    **dict.fromkeys(
        (
            Code.BEYOND_REACH,
            Code.NEEDS_A_STATION,
            Code.TRIPS_OVER,
            Code.ALWAYS_QUIET,
            Code.TOO_FAR,
            Code.CLASH,
        ),
        lambda each: (
            f"Change what you wish for on the page /subscriptions/{each.number}."
            if each.number
            else "Change what you wish for."
        ),
    ),
}
"""Mends by somebody who has the pages alone."""


def say_all(found: Sequence[Obstacle], *, site: str = "SITE", for_operator: bool = True) -> tuple[Said, ...]:
    """Each in words, once."""
    return tuple(dict.fromkeys(say(each, site=site, for_operator=for_operator) for each in found))
