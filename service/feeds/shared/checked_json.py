"""Bytes from outside into checked values; whatever isn't as it should be is a BadAnswer.

Every reader takes the feed's name for the sentence that a person will see.
"""

from __future__ import annotations

import json
import math
from typing import Any, NoReturn

from alerts.weather.quality_gates import Gate
from service.feeds.shared.feed_errors import BadAnswer


def load_json(body: bytes, feed: str) -> Any:
    """The JSON value in `body`, UTF-8, all numbers finite.

    Python's own reader takes NaN, Infinity and 1e999 for numbers; here they are refused, as are bodies
    cut off in the middle, web pages, plain text and nesting deeper than the reader can follow.
    """
    try:
        return json.loads(body, parse_constant=_refuse_constant, parse_float=_finite)
    except (ValueError, RecursionError) as error:
        raise BadAnswer(f"{feed}: {_describe(body, error)}", gate=Gate.BODY) from error


def _refuse_constant(word: str) -> NoReturn:
    raise ValueError(f"{word} is no number")


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"{text[:20]} is too large for a number")
    return value


def _describe(body: bytes, error: Exception) -> str:
    start = body.lstrip()[:200].lower()
    if not start:
        return "the answer is empty."
    if start.startswith((b"<!doctype", b"<html", b"<head", b"<body")):
        return "the answer is a web page, not data."
    if not start.startswith((b"{", b"[")):
        return "the answer is no JSON."
    if isinstance(error, json.JSONDecodeError):
        return f"the answer is cut off or broken JSON ({error.msg.lower()} at character {error.pos})."
    return f"the answer is unusable JSON ({str(error)[:80]})."


def bad_shape(feed: str, text: str) -> BadAnswer:
    return BadAnswer(f"{feed}: {text}", gate=Gate.SHAPE)


def as_dict(value: object, feed: str, name: str) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise bad_shape(feed, f"{name} is missing or no object.")
    return value


def as_list(value: object, feed: str, name: str) -> list[Any]:
    if not isinstance(value, list):
        raise bad_shape(feed, f"{name} is missing or no list.")
    return value


def as_text(value: object, feed: str, name: str) -> str:
    if not isinstance(value, str):
        raise bad_shape(feed, f"{name} is missing or no text.")
    return value


def as_number(value: object, feed: str, name: str) -> float:
    """A finite number; JSON's true and false are none."""
    if type(value) is float and math.isfinite(value):  # nearly always
        return value
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise bad_shape(feed, f"{name} is missing or no number.")
    try:
        number = float(value)
    except OverflowError as error:
        raise BadAnswer(f"{feed}: {name} is too large for a number.", gate=Gate.BODY) from error
    if not math.isfinite(number):
        raise BadAnswer(f"{feed}: {name} is no finite number.", gate=Gate.BODY)
    return number


def as_optional_number(value: object, feed: str, name: str) -> float | None:
    return None if value is None else as_number(value, feed, name)
