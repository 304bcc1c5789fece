"""Times and packed rows in the columns of a database: read back as written, small, and readable for good."""

from __future__ import annotations

import json
import zlib
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy.dialects import sqlite

from service.store.column_types import (
    PackedInJson,
    RowWords,
    UtcDateTime,
    by_checksum,
    pack_json,
    unpack_json,
)

DIALECT = sqlite.dialect()
IN_COLUMN = UtcDateTime().dialect_impl(DIALECT).bind_processor(DIALECT)
BY_SQLALCHEMY = sqlite.DATETIME().bind_processor(DIALECT)
ZONES = st.integers(-14 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))
ROW = json.dumps({"name": "2027-07-01", "windows": [], "moon_lit": 0.25, "note": "°C −3"}).encode()


MOMENTS = st.datetimes(
    datetime.fromisoformat("0002-01-01"),
    datetime.fromisoformat("9998-12-31"),
    timezones=st.one_of(st.just(UTC), ZONES),
)


@given(MOMENTS)
def test_sqlite_is_given_the_text_that_sqlalchemy_writes(at: datetime) -> None:
    assert IN_COLUMN is not None
    assert BY_SQLALCHEMY is not None
    assert IN_COLUMN(at) == BY_SQLALCHEMY(at.astimezone(UTC).replace(tzinfo=None))


def test_no_time_stays_none_and_a_naive_one_is_refused() -> None:
    assert IN_COLUMN is not None
    assert IN_COLUMN(None) is None
    with pytest.raises(ValueError, match="without a zone"):
        IN_COLUMN(datetime.fromisoformat("2027-07-01"))


@pytest.mark.parametrize("words", RowWords)
@pytest.mark.parametrize("text", [ROW, b"{}", b"[]", "„…“".encode() * 900], ids=["row", "{}", "[]", "long"])
def test_what_is_packed_comes_back(text: bytes, words: RowWords) -> None:
    assert unpack_json(pack_json(text, words).data) == text


def test_rows_packed_before_there_were_words_are_still_read() -> None:
    assert unpack_json(zlib.compress(ROW, 6)) == ROW


@pytest.mark.parametrize("words", RowWords)
def test_rows_name_the_words_they_were_packed_with(words: RowWords) -> None:
    packer = zlib.compressobj(9, zdict=words.read())
    assert unpack_json(packer.compress(ROW) + packer.flush()) == ROW


def test_words_that_were_used_never_change() -> None:
    """A changed dictionary would make every row that was packed with it unreadable."""
    assert list(by_checksum()) == [0xB92B2003, 0xA053A8B5, 0x4630E304, 0x434E55A6, 0xB6947D19]


@pytest.mark.parametrize("words", [RowWords.ANY, RowWords.FINDINGS])
def test_the_usual_words_cost_next_to_nothing(words: RowWords) -> None:
    usual = b'{"rule":"thunder","result":"pass","text":"thunderstorms 0 %","slack":null}'
    assert len(pack_json(usual, words).data) < 40 < len(zlib.compress(usual, 9))


@given(st.dictionaries(st.text(), st.none() | st.booleans() | st.integers(-9, 9) | st.text()))
def test_a_json_column_is_packed_and_read_as_it_was_before(facts: dict[str, object]) -> None:
    column = PackedInJson(RowWords.ALERTS)
    packed = column.process_bind_param(facts, DIALECT)
    assert packed.isascii()
    assert column.process_result_value(packed, DIALECT) == facts
    assert column.process_result_value(facts, DIALECT) == facts, "an older version wrote it"
