"""How long somebody asks to be left alone."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from service.common.backoff import read_retry_after

NOW = datetime(2026, 11, 6, 8, 49, 37, tzinfo=UTC)


@pytest.mark.parametrize(
    ("value", "expected_s"),
    [
        (None, None),
        ("120", 120),  # RFC 9110, 10.2.3
        (" 120 ", 120),
        ("0", 0),
        ("Fri, 06 Nov 2026 08:51:37 GMT", 120),
        ("Friday, 06-Nov-26 08:51:37 GMT", 120),  # obsolete form, RFC 9110 5.6.7
        ("Fri, 31 Dec 1999 23:59:59 GMT", 0),
        ("-5", None),
        ("1.5", None),
        ("soon", None),
        ("", None),
        ("9" * 40, None),
        ("Fri, 99 Nov 2026 08:51:37 GMT", None),
        ("Fri, 06 Nov 2026 08:51:37 -0000", 120),  # RFC 5322, 3.3: UTC
    ],
)
def test_retry_after_is_read_in_both_forms_and_nonsense_ignored(
    value: str | None, expected_s: int | None
) -> None:
    wait = read_retry_after(value, NOW)
    assert (None if wait is None else wait.total_seconds()) == expected_s
