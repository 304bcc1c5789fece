"""Forms as they come from a browser: text fields, ticks and files, read within bounds; and what keeps
programs out of those that strangers can send: a trap field, and a form that takes its time."""

from __future__ import annotations

import hmac
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Annotated

from fastapi import Depends, HTTPException, Request
from starlette.datastructures import UploadFile
from starlette.formparsers import MultiPartException

from alerts.common.phrases import say
from service.common.secret_key import Keys

MOST_FIELDS = 2_000
MOST_FILES = 2
LONGEST_FIELD = 20_000


@dataclass(frozen=True, slots=True)
class Form:
    """What was filled in. A field that is missing reads as empty; of several of one name the last counts."""

    fields: Mapping[str, tuple[str, ...]]
    files: Mapping[str, bytes] = field(default_factory=dict)

    def text(self, name: str, default: str = "") -> str:
        values = self.fields.get(name)
        return values[-1].strip() if values else default

    def all(self, name: str) -> tuple[str, ...]:
        return self.fields.get(name, ())

    def is_ticked(self, name: str) -> bool:
        return name in self.fields

    def __iter__(self) -> Iterator[str]:
        return iter(self.fields)


async def read_form(request: Request) -> Form:
    """The request's form; 400 when it can't be read as one."""
    try:
        data = await request.form(max_fields=MOST_FIELDS, max_files=MOST_FILES)
    except (MultiPartException, UnicodeDecodeError) as error:
        raise HTTPException(400, say("web.form-unreadable", error=error)) from error
    fields: dict[str, tuple[str, ...]] = {}
    files: dict[str, bytes] = {}
    for name, value in data.multi_items():
        if isinstance(value, UploadFile):
            if value.filename:
                files[name] = await value.read()
            continue
        if len(value) > LONGEST_FIELD:
            raise HTTPException(400, say("web.field-too-long", name=name))
        fields[name] = (*fields.get(name, ()), value.replace("\r\n", "\n"))
    await data.close()
    return Form(fields, files)


Filled = Annotated[Form, Depends(read_form)]


QUICKEST = timedelta(seconds=3)
"""Nobody fills a form in sooner."""
STALEST = timedelta(hours=12)
TRAP = "website"
STAMP = "stamp"


def make_stamp(keys: Keys, now: datetime) -> str:
    """A hidden field that says when the form was shown, and can't be made up."""
    seconds = int(now.timestamp())
    return f"{seconds}.{keys.hash('form shown', str(seconds))[:32]}"


def looks_human(keys: Keys, form: Form, now: datetime) -> bool:
    """Whether the trap is empty and the form was shown here, not just now and not long ago."""
    seconds, _, mac = form.text(STAMP).partition(".")
    if form.text(TRAP) or not (seconds.isascii() and seconds.isdigit() and len(seconds) < 12):
        return False
    if not hmac.compare_digest(mac.encode(), keys.hash("form shown", seconds)[:32].encode()):
        return False
    age = now - datetime.fromtimestamp(int(seconds), tz=now.tzinfo)
    return QUICKEST <= age <= STALEST


def row_number(typed: str) -> int | None:
    """The number that a form's field holds; None when it can't be a row's."""
    return int(typed) if typed.isascii() and typed.isdigit() and len(typed) <= 9 else None
