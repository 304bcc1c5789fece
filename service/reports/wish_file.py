"""Wishes from a file, TOML or JSON: the plain names of `alerts.wishes.fields`, or the stored form of the
API."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from datetime import date, time
from pathlib import Path

from pydantic import ValidationError

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.wishes.fields import WORDS_BY_NAME, read_words
from alerts.wishes.model import Wishes
from service.store.json_values import from_json, to_json

LARGEST_BYTES = 100_000


def read_wish_file(file: Path, usual: Wishes) -> Wishes:
    """The wishes in that file; what it leaves out is as `usual`. BadInput with the reason in one sentence."""
    form = "TOML" if file.suffix.lower() == ".toml" else "JSON"
    try:
        raw = file.read_bytes()[: LARGEST_BYTES + 1]
        given = tomllib.loads(raw.decode("utf-8")) if form == "TOML" else json.loads(raw)
    except (OSError, ValueError, RecursionError) as error:
        raise BadInput(phrase("reports.wishes-unreadable", file=file, form=form, error=error)) from None
    if not isinstance(given, dict):
        raise BadInput(phrase("reports.wishes-no-object", file=file))

    # written as subscriptions keep their wishes, if by a name that the plain ones don't have
    stored = to_json(Wishes())
    is_stored = bool(given.keys() & (stored.keys() - WORDS_BY_NAME.keys()))
    known = list(stored if is_stored else WORDS_BY_NAME)
    try:
        if unknown := sorted(given.keys() - set(known)):
            named = {"unknown": ", ".join(unknown), "known": ", ".join(known)}
            raise BadInput(phrase("reports.wishes-unknown", **named))
        if is_stored:
            return from_json(Wishes, {**stored, **given})
        texts = {name: _texts(name, value) for name, value in given.items()}
        return read_words(texts, usual, called=lambda word: word.name)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise BadInput(f"{file}: {where}: {first['msg']}") from None
    except BadInput as refusal:
        raise BadInput(f"{file}: {refusal}") from None


def _texts(name: str, value: object) -> tuple[str, ...]:
    """A value of a file as texts; a table stands for `KEY=VALUE`, an empty list for `none`."""
    if isinstance(value, Mapping):
        return tuple(f"{key}={_text(name, each)}" for key, each in value.items()) or ("none",)
    if isinstance(value, list):
        return tuple(_text(name, each) for each in value) or ("none",)
    return (_text(name, value),)


def _text(name: str, value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, time):
        return f"{value:%H:%M}"
    if isinstance(value, str | int | float | date):
        return str(value)
    raise BadInput(phrase("reports.wishes-no-text", name=name))
