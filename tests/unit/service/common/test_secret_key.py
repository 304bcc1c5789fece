"""The secret key: made once, readable by its owner alone, and one purpose never helps another."""

from __future__ import annotations

import os
import stat
import threading
from pathlib import Path

import pytest

from service.common.secret_key import Keys, KeyTrouble, load_keys

KEYS = Keys(bytes(range(32)))


def test_one_text_has_unrelated_hashes_for_two_purposes_and_two_keys() -> None:
    hashes = {
        KEYS.hash("address", "x"),
        KEYS.hash("limit", "x"),
        KEYS.hash("address", "y"),
        Keys(bytes(32)).hash("address", "x"),
        KEYS.link_token("unsubscribe", "x"),
        KEYS.link_token("manage", "x"),
    }
    assert len(hashes) == 6


def test_a_link_is_the_same_each_time_and_carries_192_bits_in_safe_characters() -> None:
    token = KEYS.link_token("unsubscribe", "nonce")
    assert token == KEYS.link_token("unsubscribe", "nonce")
    assert len(token) == 32
    assert token.replace("-", "").replace("_", "").isalnum()


def test_the_file_is_made_once_and_only_its_owner_may_read_it(tmp_path: Path) -> None:
    first = load_keys(tmp_path / "data")
    file = tmp_path / "data/secret.key"
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert load_keys(tmp_path / "data").hash("a", "b") == first.hash("a", "b")
    assert [each.name for each in (tmp_path / "data").iterdir()] == ["secret.key"]


def test_two_processes_that_begin_together_end_with_one_key(tmp_path: Path) -> None:
    made: list[str] = []
    threads = [
        threading.Thread(target=lambda: made.append(load_keys(tmp_path).hash("a", "b"))) for _ in range(8)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(made) == 8
    assert len(set(made)) == 1


@pytest.mark.parametrize("content", ["", "not hex", "abcd"])
def test_a_file_that_is_no_key_is_said_and_left_alone(content: str, tmp_path: Path) -> None:
    (tmp_path / "secret.key").write_text(content)
    with pytest.raises(KeyTrouble):
        load_keys(tmp_path)
    assert (tmp_path / "secret.key").read_text() == content


def test_a_configured_key_needs_no_file_and_16_bytes(tmp_path: Path) -> None:
    assert load_keys(tmp_path, "0123456789abcdef").hash("a", "b")
    assert os.listdir(tmp_path) == []
    with pytest.raises(KeyTrouble, match="16 random bytes"):
        load_keys(tmp_path, "short")


DAMAGED = {
    "row 109: a part is lost": "ab" * 20,
    "row 109: the half is lost": "0123456789abcdef" * 2,
    "row 109: written twice": "0123456789abcdef" * 8,
    "row 109: overwritten with one byte": "00" * 32,
    "row 109: zeros of a disk": "\0" * 64,
    "row 109: nothing": "",
}


@pytest.mark.parametrize("content", DAMAGED.values(), ids=DAMAGED)
def test_row_109_a_damaged_key_file_is_refused_with_what_to_do(content: str, tmp_path: Path) -> None:
    (tmp_path / "secret.key").write_text(content)
    with pytest.raises(KeyTrouble, match="restore it from a backup, or delete it"):
        load_keys(tmp_path)
    assert (tmp_path / "secret.key").read_text() == content
