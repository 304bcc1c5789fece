"""Bytes from outside into checked values, and what can go wrong with a feed, each with a phrase that says so.

FeedError
├── FeedDown        no usable answer just now: no connection, a timeout, a server's own error
├── FeedRefused     asked in a way that will never work: 4xx, a redirect elsewhere
├── FeedThrottled   asked too often; `retry_after` says when to come back, if the feed does
└── BadAnswer       an answer that closed a quality gate, or isn't as it should be

Every reader takes the feed's name, and where in the answer the value stands, for who is told.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Any, NoReturn, TypeAlias

from alerts.common.errors import DuskbellError
from alerts.common.phrases import Phrase, kept, phrase
from alerts.weather.quality_gates import QualityCheck, Rejected, check_units

OF_FEED = "feeds.of-feed"
LEFT_OUT = "feeds.left-out"


class FeedError(DuskbellError):
    """An answer or a connection that can't be used. `permanent`: asking again won't help."""

    permanent = False

    @property
    def what(self) -> Phrase:
        """What happened, as a code with its values."""
        found: Phrase = self.args[0]
        return found


class FeedDown(FeedError):
    """No usable answer just now. status: the HTTP status, None when there was none."""

    def __init__(self, what: Phrase, *, status: int | None = None) -> None:
        super().__init__(what)
        self.status = status


class FeedRefused(FeedError):
    """The feed understood and refused; 403 needs the operator, 400 and 404 another question."""

    permanent = True

    def __init__(self, what: Phrase, *, status: int | None = None, problem: str = "") -> None:
        super().__init__(what)
        self.status = status
        self.problem = problem


class FeedThrottled(FeedError):
    """Asked too often. retry_after: how long the feed wants to be left alone, None if it didn't say.

    reason: the feed's own words.
    """

    def __init__(self, what: Phrase, *, retry_after: timedelta | None = None, reason: str = "") -> None:
        super().__init__(what)
        self.retry_after = retry_after
        self.reason = reason


class BadAnswer(FeedError):
    """An answer that closed the named gate. fault: what is wrong with it, without the feed's name."""

    def __init__(self, what: Phrase, *, gate: QualityCheck, fault: Phrase | str = "") -> None:
        super().__init__(what)
        self.gate = gate
        self.fault = fault or what

    @classmethod
    def of(cls, feed: str, rejected: Rejected) -> BadAnswer:
        """Of that feed, by what a gate says."""
        return cls.about(feed, rejected.what, rejected.gate)

    @classmethod
    def about(cls, feed: str, what: Phrase | str, gate: QualityCheck) -> BadAnswer:
        """Of that feed, what is wrong with it."""
        return cls(phrase(OF_FEED, feed=feed, what=what), gate=gate, fault=what)


def fault_of(what: Phrase) -> Phrase:
    """What is wrong with an answer, for who has named its feed or model beside it."""
    inner = dict(what.values).get("what")
    if what.key == OF_FEED:
        return inner if isinstance(inner, Phrase) else kept(str(inner))
    if what.key == LEFT_OUT and isinstance(inner, Phrase):
        return phrase(LEFT_OUT, what=fault_of(inner))
    return what


def raise_if(rejected: Rejected | None, feed: str) -> None:
    """BadAnswer of that feed where a gate closed."""
    if rejected is not None:
        raise BadAnswer.of(feed, rejected)


class NotAsked(FeedDown):
    """No time was left to ask; it says nothing about the feed."""


class AllowanceSpent(FeedThrottled):
    """Our own limit for a provider is used up; nothing was sent."""


Units: TypeAlias = Mapping[str, tuple[float, float]]
"""Factor and offset into our unit, by a feed's name of its own."""
AS_IS = (1.0, 0.0)


def load_json(body: bytes, feed: str) -> Any:
    """The JSON value in `body`, UTF-8, all numbers finite.

    Python's own reader takes NaN, Infinity and 1e999 for numbers; here they are refused, as are bodies
    cut off in the middle, web pages, plain text and nesting deeper than the reader can follow.
    """
    try:
        return json.loads(body, parse_constant=_refuse_constant, parse_float=_finite)
    except (ValueError, RecursionError) as error:
        start = body.lstrip()[:200].lower()
        if not start:
            what = phrase("feeds.empty")
        elif start.startswith((b"<!doctype", b"<html", b"<head", b"<body")):
            what = phrase("feeds.web-page")
        elif not start.startswith((b"{", b"[")):
            what = phrase("feeds.no-json")
        elif isinstance(error, json.JSONDecodeError):
            what = phrase("feeds.broken-json", problem=error.msg.lower(), at=error.pos)
        else:
            what = phrase("feeds.unusable-json", problem=str(error)[:80])
        raise BadAnswer.about(feed, what, QualityCheck.BODY) from error


def _refuse_constant(word: str) -> NoReturn:
    raise ValueError(phrase("feeds.json-no-number", word=word))


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(phrase("feeds.json-too-large", text=text[:20]))
    return value


def bad_shape(feed: str, what: Phrase | str) -> BadAnswer:
    return BadAnswer.about(feed, what, QualityCheck.SHAPE)


def as_dict(value: object, feed: str, name: str) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise bad_shape(feed, phrase("feeds.wrong-kind", name=name, wanted="object"))
    return value


def as_list(value: object, feed: str, name: str) -> list[Any]:
    if not isinstance(value, list):
        raise bad_shape(feed, phrase("feeds.wrong-kind", name=name, wanted="list"))
    return value


def as_text(value: object, feed: str, name: str) -> str:
    if not isinstance(value, str):
        raise bad_shape(feed, phrase("feeds.wrong-kind", name=name, wanted="text"))
    return value


def as_number(value: object, feed: str, name: str) -> float:
    """A finite number; JSON's true and false are none."""
    if type(value) is float and math.isfinite(value):  # nearly always
        return value
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise bad_shape(feed, phrase("feeds.wrong-kind", name=name, wanted="number"))
    try:
        number = float(value)
    except OverflowError as error:
        raise BadAnswer.about(feed, phrase("feeds.value-too-large", name=name), QualityCheck.BODY) from error
    if not math.isfinite(number):
        raise BadAnswer.about(feed, phrase("feeds.not-finite", name=name), QualityCheck.BODY)
    return number


def as_optional_number(value: object, feed: str, name: str) -> float | None:
    return None if value is None else as_number(value, feed, name)


def in_our_unit(
    values: Sequence[float | None], unit: object, units: Units, feed: str, name: str
) -> list[float | None]:
    """A column in our unit; BadAnswer where it comes in none that is known."""
    raise_if(check_units({name: unit}, {name: units.keys()}), feed)
    factor, offset = units[str(unit)]
    if (factor, offset) == AS_IS:
        return list(values)
    return [None if value is None else value * factor + offset for value in values]
