"""Wishes from a file, TOML or JSON: the plain names of `alerts.wishes.fields`, or the stored form of the
API."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from datetime import date, time
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from alerts.common.errors import BadInput
from alerts.common.phrases import phrase
from alerts.wishes.fields import WORDS_BY_NAME, read_words
from alerts.wishes.model import Wishes
from service.store.json_values import from_json, to_json

LARGEST_BYTES = 100_000


def read_wish_file(file: Path, usual: Wishes) -> Wishes:
    """The wishes in that file; what it leaves out is as `usual`. BadInput with the reason in one sentence."""
    given = _read_object(file)
    try:
        return _read_stored(given) if _is_stored(given) else _read_plain(given, usual)
    except BadInput as refusal:
        raise BadInput(f"{file}: {refusal}") from None


def _read_object(file: Path) -> dict[str, Any]:
    form = "TOML" if file.suffix.lower() == ".toml" else "JSON"
    try:
        raw = file.read_bytes()[: LARGEST_BYTES + 1]
        given = tomllib.loads(raw.decode("utf-8")) if form == "TOML" else json.loads(raw)
    except (OSError, ValueError, RecursionError) as error:
        raise BadInput(phrase("reports.wishes-unreadable", file=file, form=form, error=error)) from None
    if not isinstance(given, dict):
        raise BadInput(phrase("reports.wishes-no-object", file=file))
    return given


def _is_stored(given: Mapping[str, Any]) -> bool:
    """Whether it is written as subscriptions keep their wishes: by a name that the plain ones don't have."""
    return bool(given.keys() & (to_json(Wishes()).keys() - WORDS_BY_NAME.keys()))


def _read_stored(given: Mapping[str, Any]) -> Wishes:
    usual = to_json(Wishes())
    _require_known(given, list(usual))
    try:
        return from_json(Wishes, {**usual, **given})
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise BadInput(f"{where}: {first['msg']}") from None


def _read_plain(given: Mapping[str, Any], usual: Wishes) -> Wishes:
    _require_known(given, list(WORDS_BY_NAME))
    texts = {name: _texts(name, value) for name, value in given.items()}
    return read_words(texts, usual, called=lambda word: word.name)


def _require_known(given: Mapping[str, Any], known: list[str]) -> None:
    unknown = sorted(given.keys() - set(known))
    if unknown:
        raise BadInput(phrase("reports.wishes-unknown", unknown=", ".join(unknown), known=", ".join(known)))


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
