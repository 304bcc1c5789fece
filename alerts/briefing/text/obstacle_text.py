"""What stands in the way of a go, in words: the obstacle in one sentence, its mend in another.

For the operator a mend names the setting or the command and the page; to others the settings are nobody's
business, and what only the operator can mend is told as that.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from functools import partial

from alerts.common.plain_values import value
from alerts.common.text import listed, sentence
from alerts.judging.obstacles import Code, FeedHere, Level, Obstacle, Silence
from alerts.weather.model_names import family_name

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
    if not for_operator:
        mend = _FOR_READERS.get(obstacle.code, mend)
    how = partial(_how, obstacle, for_operator)
    return Said(what(obstacle), mend(obstacle, how).replace("{site}", site))


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


def _one_provider(obstacle: Obstacle) -> str:
    families = listed([family_name(each) for each in obstacle.lineages])
    return f"Only {obstacle.providers[0]} answers for this place ({families}), and a go needs two providers."


def _one_family(obstacle: Obstacle) -> str:
    providers, family = listed(list(obstacle.providers)), family_name(obstacle.lineages[0])
    return f"{providers} bring one model family for this place ({family}), and a go needs two."


def _remedy(obstacle: Obstacle, _: How) -> str:
    """What each of the silent feeds would need, as one sentence."""
    clauses = (_REMEDIES[each.silent](each) for each in obstacle.remedies if each.silent is not None)
    needs = tuple(dict.fromkeys(clauses)) or ("name a model of another family in open_meteo_models",)
    return sentence(", or ".join(needs))


_SWITCHES = {"metno": "met_norway", "nws": "nws"}


def _declare(feed: FeedHere) -> str:
    return (
        "if nobody pays for this and it shows no adverts, declare that with open_meteo_noncommercial = true, "
        "else set open_meteo_key (duskbell setup or the page /setup asks for both)"
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


How = Callable[[str], str]
"""From options of a command to where a wish is changed, as the end of a sentence."""


def _how(obstacle: Obstacle, for_operator: bool, options: str) -> str:
    """Nothing where the wishes stand in a form or a command that is being filled in."""
    if not obstacle.number:
        return "."
    page = f"the page /subscriptions/{obstacle.number}."
    return (
        f": duskbell subscription change {obstacle.number} {options}, or {page}"
        if for_operator
        else f": {page}"
    )


def _unconfirmed(obstacle: Obstacle, _: How) -> str:
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


_WORDS: dict[Code, tuple[Callable[[Obstacle], str], Callable[[Obstacle, How], str]]] = {
    Code.NO_CONTACT: (
        lambda _: "No weather feed is asked: they want to know who asks.",
        lambda *_: (
            "Set contact (DUSKBELL_CONTACT) to your mail address or web page; duskbell setup or the page "
            "/setup asks for it."
        ),
    ),
    Code.NO_FEED: (lambda _: "No weather feed answers for this place.", _remedy),
    Code.ONE_PROVIDER: (_one_provider, _remedy),
    Code.ONE_FAMILY: (_one_family, _remedy),
    Code.NO_SITE: (
        lambda _: "There is no site yet.",
        lambda *_: 'Add one: duskbell site add "NAME" --at LAT,LON, or the page /sites/new.',
    ),
    Code.NOBODY_TOLD: (
        lambda _: "Nobody is told about it.",
        lambda *_: 'Next: duskbell subscribe "{site}" --email YOU@EXAMPLE.ORG --mine, or the site\'s page.',
    ),
    Code.ENDED: (
        lambda each: f"Subscription {each.number} has ended.",
        lambda *_: 'Subscribe anew: duskbell subscribe "{site}" --email YOU@EXAMPLE.ORG --mine, or the page.',
    ),
    Code.PAUSED: (
        lambda each: f"Subscription {each.number} is paused{_until(each.until)}.",
        lambda each, _: (
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
        lambda each, _: f"When that is mended: duskbell address on {each.number}, or the page /me.",
    ),
    Code.NOT_INSTALLED: (
        lambda _: "Named targets need a package that isn't installed here.",
        lambda *_: "Install it: pip install 'duskbell[channels]'.",
    ),
    Code.NO_TARGET: (
        lambda each: f"The settings have no named target {each.reason!r}.",
        lambda *_: "Name it in named_targets, or subscribe another address.",
    ),
    Code.OUTBOX_ONLY: (
        lambda each: f"No mail leaves this machine: it is written to files in {each.reason}.",
        lambda *_: (
            "Set smtp_host to a mail relay (duskbell setup or the page /setup asks), or subscribe a chat or "
            "webhook."
        ),
    ),
    Code.BEYOND_REACH: (
        _reach,
        lambda each, how: f"Ask for {each.reach_pct} % or less{how(f'--chance {each.reach_pct}')}",
    ),
    Code.NEEDS_A_STATION: (
        _station,
        lambda each, how: f"Ask for {each.reach_pct} % to hear more often{how(f'--chance {each.reach_pct}')}",
    ),
    Code.NO_SUCH_NIGHT: (
        lambda each: each.said[0],
        lambda each, how: " ".join(each.said[1:]) or f"Wish for something else{how('--help')}",
    ),
    Code.TRIPS_OVER: (
        lambda _: "All trips lie behind, and nights at home don't count.",
        lambda _, how: f"Name new trips, or let nights at home count{how('--home-too')}",
    ),
    Code.ALWAYS_QUIET: (
        lambda _: "Quiet hours cover all the time in which a go could be said.",
        lambda _, how: f"Shorten them{how('--quiet 22:00-07:00')}",
    ),
    Code.TOO_FAR: (
        lambda _: (
            "The drive is so long that a go, which is said on the day of the night, always comes too late."
        ),
        lambda _, how: f"Start from nearer by{how('--drive 3:00')}",
    ),
    Code.CLASH: (
        lambda each: each.said[0],
        lambda _, how: f"Change one of the two{how('--help')}",
    ),
}

_FOR_READERS: dict[Code, Callable[[Obstacle, How], str]] = {
    Code.NO_SITE: lambda *_: "Add one on the page /sites/new.",
    Code.NOBODY_TOLD: lambda *_: "Be told about it on its page.",
    Code.ENDED: lambda *_: "Be told again on the site's page.",
    Code.PAUSED: lambda each, _: f"End the pause on the page /subscriptions/{each.number}.",
    Code.NOT_CONFIRMED: lambda *_: "Open the link in the mail that asked for it, or try it on the page /me.",
    Code.SWITCHED_OFF: lambda *_: "When that is mended, switch it on again on the page /me.",
}
"""Mends by somebody who has the pages alone, where they aren't the same."""

HEADINGS = {
    Level.NEVER: "This can't ring",
    Level.FOR_NOW: "For now this can't ring",
    Level.NOTE: "Note",
}


def lines_of(found: Sequence[Obstacle], *, site: str = "SITE", for_operator: bool = True) -> list[str]:
    """Each obstacle as a line that says how grave it is, and its mend as an indented one."""
    return [
        line
        for each in found
        for said in (say(each, site=site, for_operator=for_operator),)
        for line in (f"{HEADINGS[each.level]}: {said.what}", f"  {said.mend}")
    ]


def values_of(
    found: Sequence[Obstacle], *, site: str = "SITE", for_operator: bool = True
) -> list[dict[str, str]]:
    """Each as JSON values: its code, how grave it is, and both sentences."""
    return [
        {"code": each.code.value, "level": each.level.value, "what": said.what, "mend": said.mend}
        for each in found
        for said in (say(each, site=site, for_operator=for_operator),)
    ]


def say_all(found: Sequence[Obstacle], *, site: str = "SITE", for_operator: bool = True) -> tuple[Said, ...]:
    """Each in words, once."""
    return tuple(dict.fromkeys(say(each, site=site, for_operator=for_operator) for each in found))
