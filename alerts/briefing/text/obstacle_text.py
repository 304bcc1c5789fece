"""What stands in the way of a go, in words: the obstacle in one sentence, its mend in another.

For the operator a mend names the setting or the command and the page; to others the settings are nobody's
business, and what only the operator can mend is told as that.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC

from alerts.common.phrases import Phrase, from_row, phrase, say
from alerts.common.plain_values import value
from alerts.judging.obstacles import Code, FeedHere, Level, Obstacle, Silence
from alerts.weather.models import family_name

OF_SETTINGS = (
    Code.NO_CONTACT,
    Code.NO_FEED,
    Code.ONE_PROVIDER,
    Code.ONE_FAMILY,
    Code.NOT_INSTALLED,
    Code.NO_TARGET,
    Code.OUTBOX_ONLY,
)
"""What concerns the settings: others than the operator hear less of it, and that only they can mend it."""
MENDED_ON_PAGES = (
    Code.NO_SITE,
    Code.NOBODY_TOLD,
    Code.ENDED,
    Code.PAUSED,
    Code.NOT_CONFIRMED,
    Code.SWITCHED_OFF,
)
"""What somebody who has the pages alone mends in another way."""
OPTIONS = {
    Code.BEYOND_REACH: "--chance {reach_pct}",
    Code.NEEDS_A_STATION: "--chance {reach_pct}",
    Code.NO_SUCH_NIGHT: "--help",
    Code.TRIPS_OVER: "--home-too",
    Code.ALWAYS_QUIET: "--quiet 22:00-07:00",
    Code.TOO_FAR: "--drive 3:00",
    Code.CLASH: "--help",
}
"""Of the command that changes such a wish."""
SWITCHES = {"metno": "met_norway", "nws": "nws"}


class Page(str):
    """The address of one of our pages: a link where words are shown on one."""

    __slots__ = ()


PAGES = {
    "setup": Page("/setup"),
    "new_site": Page("/sites/new"),
    "me": Page("/me"),
    "operator": Page("/operator"),
}


@value(frozen=True, slots=True)
class ObstacleWords:
    """One obstacle as phrases: what it is, and how it is mended."""

    obstacle: Phrase
    remedy: Phrase

    @property
    def what(self) -> str:
        return say(self.obstacle)

    @property
    def mend(self) -> str:
        return say(self.remedy)

    @property
    def text(self) -> str:
        return f"{self.what} {self.mend}"


def words_for(obstacle: Obstacle, *, site: str = "SITE", for_operator: bool = True) -> ObstacleWords:
    """The obstacle and its mend. site: what the site is called in a command."""
    code, number = obstacle.code, obstacle.number
    # Where a wish is changed: nowhere else where it stands in a form or a command that is being filled in.
    options = OPTIONS.get(code, "").format(reach_pct=obstacle.reach_pct)
    page = Page(f"/subscriptions/{number}")
    where = "" if not number else "command" if for_operator else "page"
    how = phrase("obstacles.how", where=where, number=number, options=options, page=page)
    values: dict[str, object] = {
        **PAGES,
        "how": how,
        "page": page,
        "site": site,
        "number": number,
        "has_until": obstacle.until is not None,
        "until": obstacle.until and obstacle.until.astimezone(UTC),
        "has_reason": bool(obstacle.reason),
        "reason": obstacle.reason,
        "providers": obstacle.providers,
        "families": tuple(family_name(each) for each in obstacle.lineages),
        "limit_pct": obstacle.limit_pct,
        "reach_pct": obstacle.reach_pct,
    }
    key = code.value.replace("_", "-")

    if not for_operator and code in OF_SETTINGS:
        ends_by_itself = obstacle.level is Level.FOR_NOW
        mend = phrase("obstacles.ends-by-itself") if ends_by_itself else phrase("obstacles.tell-operator")
        return ObstacleWords(phrase(f"obstacles.settings-{key}"), mend)
    what = from_row(obstacle.said[0]) if obstacle.said else phrase(f"obstacles.what-{key}", **values)
    if not for_operator and code in MENDED_ON_PAGES:
        return ObstacleWords(what, phrase(f"obstacles.page-{key}", **values))
    if code in (Code.NO_FEED, Code.ONE_PROVIDER, Code.ONE_FAMILY):
        # what each of the silent feeds would need, as one sentence
        needs = dict.fromkeys(_remedy(each, each.silent) for each in obstacle.remedies if each.silent)
        first, *others = needs or (phrase("obstacles.name-a-model"),)
        remedies = phrase("obstacles.remedies", has_more=bool(others), first=first, others=tuple(others))
        return ObstacleWords(what, remedies)
    if code is Code.NO_SUCH_NIGHT and obstacle.said[1:]:
        easier = tuple(from_row(each) for each in obstacle.said[1:])
        return ObstacleWords(what, phrase("obstacles.easier", easier=easier))
    if code is Code.NOT_CONFIRMED and obstacle.channel == "email":
        key = "mail-not-confirmed"
    return ObstacleWords(what, phrase(f"obstacles.mend-{key}", **values))


def _remedy(feed: FeedHere, silent: Silence) -> Phrase:
    """Feeds that want the same say the same, once: only what its sentence needs is told of each."""
    about = {"feed": feed.feed, "reason": feed.reason.rstrip(".")}
    match silent:
        case Silence.OFF:
            return phrase("obstacles.feed-off", switch=SWITCHES.get(feed.feed, feed.feed))
        case Silence.UNDECLARED:
            return phrase("obstacles.feed-undeclared", setup=PAGES["setup"])
        case Silence.UNREADABLE:
            return phrase("obstacles.feed-unreadable", **about)
        case Silence.REFUSES:
            return phrase("obstacles.feed-refuses", operator=PAGES["operator"], **about)
    if feed.until is None:
        return phrase(f"obstacles.feed-{silent.value}", **about)
    return phrase(f"obstacles.feed-{silent.value}-until", until=feed.until.astimezone(UTC), **about)


def heading(level: Level) -> str:
    """How grave it is."""
    return say("obstacles.level", level=level)


def lines_of(found: Sequence[Obstacle], *, site: str = "SITE", for_operator: bool = True) -> list[str]:
    """Each obstacle as a line that says how grave it is, and its mend as an indented one."""
    return [
        line
        for each in found
        for words in (words_for(each, site=site, for_operator=for_operator),)
        for line in (f"{heading(each.level)}: {words.what}", f"  {words.mend}")
    ]


def values_of(
    found: Sequence[Obstacle], *, site: str = "SITE", for_operator: bool = True
) -> list[dict[str, str]]:
    """Each as JSON values: its code, how grave it is, and both sentences."""
    return [
        {"code": each.code.value, "level": each.level.value, "what": words.what, "mend": words.mend}
        for each in found
        for words in (words_for(each, site=site, for_operator=for_operator),)
    ]
