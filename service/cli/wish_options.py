"""The wishes as options of a command, made from the table of `alerts.wishes.fields`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import click

from alerts.common.phrases import say
from alerts.sky.night import SkyWishes
from alerts.wishes.fields import WISH_WORDS, WishWord, read_words
from alerts.wishes.model import Wishes
from service.reports.wish_file import read_wish_file

F = TypeVar("F", bound=Callable[..., Any])

wish_file_option = click.option(
    "--wishes",
    "wish_file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    default=None,
    help=say("cli.help-wish-file"),
)


def wish_options(command: F) -> F:
    """An option for each wish, `--wishes FILE` and `--kit`."""
    command = night_wish_options(command)
    return click.option("--kit", default=None, help=say("cli.help-kit"))(command)


def night_wish_options(command: F) -> F:
    """An option for each wish, and `--wishes FILE`."""
    for word in reversed(WISH_WORDS):
        command = _option(word)(command)
    return wish_file_option(command)


def _option(word: WishWord) -> Callable[[F], F]:
    if word.off_flag:
        return click.option(f"{word.flag}/{word.off_flag}", word.name, default=None, help=word.help)
    return click.option(
        word.flag, word.name, multiple=word.several, default=None, metavar=word.form, help=_help(word)
    )


def _help(word: WishWord) -> str:
    """With what holds when nobody says otherwise, where that is a figure."""
    usual = word.write(replace(Wishes(), sky=SkyWishes(lowest_altitude_deg=None)))
    shown = f"{usual:g}" if isinstance(usual, float) else str(usual)
    return f"{word.help} Usually {shown}." if shown[:1].isdigit() else word.help


def wishes_from(options: Mapping[str, Any], wish_file: Path | None, known: Wishes, usual: Wishes) -> Wishes:
    """The wishes known before, or those of the file in their place, with what the options say.

    BadInput with one sentence that names the option.
    """
    if wish_file is not None:
        known = read_wish_file(wish_file, usual)
    given = {word.name: _texts(options[word.name]) for word in WISH_WORDS}
    return read_words(given, known, called=lambda word: word.flag)


def _texts(value: object) -> tuple[str, ...]:
    if value is None:
        return ()
    if isinstance(value, bool):
        return ("yes" if value else "no",)
    return tuple(value) if isinstance(value, tuple) else (str(value),)
