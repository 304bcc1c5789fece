"""Numbers in addresses: `{site_id:number}` takes what can be the number of a row, and nothing else.

An address with anything else in its place is one that doesn't exist, whichever store is behind it.
"""

from __future__ import annotations

from starlette.convertors import Convertor, register_url_convertor


class NumberConvertor(Convertor[int]):
    """From 1 to 999,999,999: every column of row numbers holds that much."""

    regex = "[1-9][0-9]{0,8}"

    def convert(self, value: str) -> int:
        return int(value)

    def to_string(self, value: int) -> str:
        return str(value)


def add_numbers() -> None:
    """Let addresses be written with `:number`; before the first router is built."""
    register_url_convertor("number", NumberConvertor())


def row_number(typed: str) -> int | None:
    """The number that a form's field holds; None when it can't be a row's."""
    return int(typed) if typed.isascii() and typed.isdigit() and len(typed) <= 9 else None
