"""How times go into the columns of a database."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy.dialects import sqlite

from service.store.column_types import UtcDateTime

DIALECT = sqlite.dialect()
IN_COLUMN = UtcDateTime().dialect_impl(DIALECT).bind_processor(DIALECT)
BY_SQLALCHEMY = sqlite.DATETIME().bind_processor(DIALECT)
ZONES = st.integers(-14 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))


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
