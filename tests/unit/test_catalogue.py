"""The catalogue against the code: each phrase has its entry, each entry its phrase, and both name one
set of values."""

from __future__ import annotations

import ast
import re
import string
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

from service.cli.main import _COMMANDS, _read_lines

TOP = Path(__file__).parents[2]
CATALOGUE = TOP / "alerts" / "common" / "catalogue"
MAKERS = {"say", "phrase"}
IN_TEMPLATE = re.compile(r"""\bsay\(\s*["']([a-z0-9-]+\.[a-z0-9-]+)["']""")
OWN = {"common.list", "cli-commands.duskbell", *(f"cli-commands.{name}" for name in _COMMANDS)}
"""Read by `alerts/common/phrases.py` itself, and by `service/cli/main.py`."""


@dataclass(frozen=True)
class Use:
    """One call that names an entry. values: those given; None where they can't be read off."""

    where: str
    key: str
    values: frozenset[str] | None
    is_start: bool = False


@cache
def entries(language: str) -> Mapping[str, str | Mapping[str, str]]:
    return {
        f"{file.stem}.{code}": entry
        for file in sorted((CATALOGUE / language).glob("*.toml"))
        for code, entry in tomllib.loads(file.read_text(encoding="utf-8")).items()
    }


@cache
def uses() -> tuple[Use, ...]:
    return tuple(_uses())


def _uses() -> Iterator[Use]:
    named = set(entries("en"))
    for package in ("alerts", "service"):
        for file in sorted((TOP / package).rglob("*.py")):
            for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Call) and node.args and _name(node.func) in MAKERS:
                    where = f"{file.relative_to(TOP)}:{node.lineno}"
                    given = frozenset(each.arg or "**" for each in node.keywords)
                    yield from _keys(where, node.args[0], None if "**" in given else given)
                elif isinstance(node, ast.Constant) and node.value in named:  # said elsewhere
                    yield Use(f"{file.relative_to(TOP)}:{node.lineno}", str(node.value), None)
        for file in sorted((TOP / package).rglob("templates/**/*")):
            if file.is_file():
                for key in IN_TEMPLATE.findall(file.read_text(encoding="utf-8")):
                    yield Use(str(file.relative_to(TOP)), key, None)


def _name(function: ast.expr) -> str:
    return function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")


def _keys(where: str, first: ast.expr, given: frozenset[str] | None) -> Iterator[Use]:
    """The entries that a first argument may name; of one that is put together, how it starts."""
    if isinstance(first, ast.Constant) and isinstance(first.value, str):
        yield Use(where, first.value, given)
    elif isinstance(first, ast.IfExp):
        yield from _keys(where, first.body, given)
        yield from _keys(where, first.orelse, given)
    elif isinstance(first, ast.JoinedStr) and isinstance(first.values[0], ast.Constant):
        yield Use(where, str(first.values[0].value), None, is_start=True)


def places(entry: str | Mapping[str, str]) -> set[str]:
    texts = [entry] if isinstance(entry, str) else [text for kind, text in entry.items() if kind != "by"]
    named = {name for text in texts for _, name, _, _ in string.Formatter().parse(text) if name is not None}
    return named if isinstance(entry, str) or "by" not in entry else named | {entry["by"]}


def is_used(key: str) -> bool:
    return key in OWN or any(key.startswith(use.key) if use.is_start else key == use.key for use in uses())


PROSE = re.compile(r"[^\W\d_]{2,}[,;:.]? [^\W\d_]{2,}|[^\W\d_][.!?]$")
EXPRESSION = re.compile(r"\{[{%].*?[%}]\}|\{#.*?#\}", re.DOTALL)
SILENT = re.compile(r"<(style|script|code)\b.*?</\1>|<[^>]*>", re.DOTALL)
CLASSES = re.compile(r'class="[^"]*"')


def test_no_template_has_words_of_its_own() -> None:
    """Neither between tags, but for the name of the service, nor as a text of several words that it hands on
    or says to who can't see."""
    found = []
    for package in ("alerts", "service"):
        for file in sorted((TOP / package).rglob("templates/**/*.j2")) + sorted(
            (TOP / package).rglob("templates/**/*.html")
        ):
            text = CLASSES.sub("", file.read_text(encoding="utf-8"))
            handed = [each for part in EXPRESSION.findall(text) for each in re.findall(r'"([^"]*)"', part)]
            laid_out = EXPRESSION.sub("", text)
            handed += re.findall(r'(?:alt|title|placeholder|aria-label)="([^"]*)"', laid_out)
            found += [f"{file.name}: {each}" for each in handed if PROSE.search(each)]
            if file.suffix == ".html" or ".html" in file.name:
                words = re.findall(r"[^\W\d_]{3,}", SILENT.sub("", laid_out).replace("Duskbell", ""))
                found += [f"{file.name}: {each}" for each in words]
    assert found == []


def test_each_phrase_has_its_entry() -> None:
    lacking = [
        f"{use.where} {use.key}" for use in uses() if not use.is_start and use.key not in entries("en")
    ]
    assert lacking == []


def test_each_command_has_its_line() -> None:
    lines = {f"cli-commands.{name}": line for name, line in _read_lines().items()}
    assert lines == {key: entry for key, entry in entries("en").items() if key.startswith("cli-commands.")}
    assert lines.keys() == OWN - {"common.list"}


def test_each_entry_is_said_somewhere() -> None:
    assert [key for key in entries("en") if not is_used(key)] == []


def test_phrases_give_the_values_that_their_entries_name() -> None:
    wrong = [
        f"{use.where} {use.key} gives {sorted(use.values)}; named are {places(entries('en')[use.key])}"
        for use in uses()
        if use.values is not None
        and use.key in entries("en")
        and not places(entries("en")[use.key]) <= use.values
    ]
    assert wrong == []


@pytest.mark.parametrize("language", sorted(each.name for each in CATALOGUE.iterdir() if each.is_dir()))
def test_every_language_says_the_same_things_of_the_same_values(language: str) -> None:
    english = entries("en")
    assert [key for key in entries(language) if key not in english] == []
    assert [
        key for key, entry in entries(language).items() if not places(entry) <= places(english[key])
    ] == []
    assert all(entries(language).values())
    assert [key for key, entry in entries(language).items() if not says_each_kind(entry, english[key])] == []


def says_each_kind(entry: str | Mapping[str, str], english: str | Mapping[str, str]) -> bool:
    """Whether there is something to say whatever kind a value is of; each language may tell kinds apart."""
    if isinstance(entry, str):
        return True
    kinds = {kind for kind in english if kind != "by"} if not isinstance(english, str) else set[str]()
    if not isinstance(english, str) and entry.get("by") == english.get("by"):
        return "other" in entry or kinds <= entry.keys()
    return "other" in entry or {"yes", "no"} <= entry.keys()


@pytest.mark.parametrize(
    ("entry", "english", "is_whole"),
    [
        ("x", {"by": "n", "one": "a", "other": "b"}, True),
        ({"by": "n", "one": "x"}, {"by": "n", "one": "a", "other": "b"}, False),
        ({"by": "n", "one": "x", "two": "y", "other": "z"}, {"by": "n", "one": "a", "other": "b"}, True),
        ({"by": "sure", "yes": "x"}, {"by": "sure", "yes": "a", "no": "b"}, False),
        ({"by": "sure", "yes": "x", "no": "y"}, "a", True),
        ({"by": "n", "one": "x"}, "a", False),
        ({"and": "x"}, {"and": "a", "or": "b"}, False),
    ],
    ids=["no table", "no other", "more kinds", "no no", "by itself", "by itself, not whole", "joints"],
)
def test_a_table_of_another_language_without_a_kind_is_found(
    entry: str | Mapping[str, str], english: str | Mapping[str, str], is_whole: bool
) -> None:
    assert says_each_kind(entry, english) is is_whole
