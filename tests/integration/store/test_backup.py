"""Backup and restore: whole, readable by the owner only, and never a word about what is past."""

from __future__ import annotations

import io
import stat
import tarfile
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import text

from service.app import Duskbell
from service.store.engine import StoreError, open_engine
from service.store.locking import AlreadyRunning, hold_store
from service.store.maintenance.backup import BadBackup, make_backup, restore_backup
from service.store.maintenance.copy_rows import count_rows
from service.store.repositories.messages import Status
from tests.integration.delivery.receivers import Hook, Receiver
from tests.integration.delivery.yard import Yard, open_yard

HOUR = timedelta(hours=1)


def back_up(yard: Yard, target: Path) -> Path:
    return make_backup(yard.duskbell.engine, yard.duskbell.settings.data_dir, target, yard.wall)


def test_a_backup_holds_all_rows_and_the_key_for_its_owner_only(both: Yard, tmp_path: Path) -> None:
    both.message(both.address("email", "ada@example.net"))
    both.deliver()
    file = back_up(both, tmp_path / "out" / "duskbell.backup")
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    target = tmp_path / "elsewhere"
    url = f"sqlite:///{target / 'store.sqlite3'}"
    restored = restore_backup(file, url, target, replace=False, now=both.wall)
    engine = open_engine(url)
    assert count_rows(engine) == count_rows(both.duskbell.engine)
    engine.dispose()
    assert restored.kept_aside == ()
    assert (target / "secret.key").read_bytes() == (tmp_path / "secret.key").read_bytes()


def test_a_backup_goes_into_an_empty_postgresql_and_new_rows_follow_the_old(
    yard: Yard, tmp_path: Path, new_postgres: Callable[[], str]
) -> None:
    yard.message(yard.address("email", "ada@example.net"))
    yard.deliver()
    url = new_postgres()
    restore_backup(back_up(yard, tmp_path / "b"), url, tmp_path / "new", replace=False, now=yard.wall)
    with open_yard(tmp_path / "new", url) as moved:
        assert count_rows(moved.duskbell.engine) == count_rows(yard.duskbell.engine)
        moved.message(moved.address("email", "bob@example.net"))
        assert moved.deliver() == {Status.SENT: 1}
    with pytest.raises(BadBackup, match="holds rows"):
        restore_backup(tmp_path / "b", url, tmp_path / "new", replace=False, now=yard.wall)


def test_row_43_an_old_backup_sends_nothing_that_is_past_and_repeats_under_the_same_id(
    file_yard: Yard, tmp_path: Path
) -> None:
    hook = Hook()
    with Receiver(hook.script) as receiver:
        address = file_yard.address("webhook", receiver.url)
        short = file_yard.message(address, helps_for=1 * HOUR)
        long = file_yard.message(address, helps_for=30 * HOUR)
        file = back_up(file_yard, tmp_path / "old.backup")
        assert file_yard.deliver() == {Status.SENT: 2}
        file_yard.wall += 24 * HOUR
        file_yard.duskbell.engine.dispose()
        settings = file_yard.duskbell.settings
        done = restore_backup(file, settings.store_url, settings.data_dir, replace=True, now=file_yard.wall)
        assert (done.expired, done.waiting) == (1, 1)
        assert file_yard.deliver() == {Status.SENT: 1}
    assert hook.ids == {short: 1, long: 2}
    assert file_yard.status(short) is Status.EXPIRED
    assert file_yard.row(long).maybe_sent


def test_what_was_there_is_set_aside_and_not_lost(file_yard: Yard, tmp_path: Path) -> None:
    file = back_up(file_yard, tmp_path / "empty.backup")
    file_yard.message(file_yard.address("email", "ada@example.net"))
    file_yard.duskbell.engine.dispose()
    settings = file_yard.duskbell.settings
    with pytest.raises(BadBackup, match="--replace"):
        restore_backup(file, settings.store_url, settings.data_dir, replace=False, now=file_yard.wall)
    done = restore_backup(file, settings.store_url, settings.data_dir, replace=True, now=file_yard.wall)
    (aside,) = done.kept_aside
    engine = open_engine(f"sqlite:///{aside}")
    assert count_rows(engine)["message"] == 1
    engine.dispose()
    assert count_rows(file_yard.duskbell.engine)["message"] == 0


def test_nothing_is_restored_under_a_running_scheduler(yard: Yard, tmp_path: Path) -> None:
    file = back_up(yard, tmp_path / "b")
    settings = yard.duskbell.settings
    with hold_store(yard.duskbell.engine), pytest.raises(AlreadyRunning):
        restore_backup(file, settings.store_url, settings.data_dir, replace=True, now=yard.wall)


def rewrite(source: Path, target: Path, name: str, content: bytes) -> Path:
    """A copy of the backup in which one member has another content."""
    with tarfile.open(source) as old, tarfile.open(target, "w") as new:
        for member in old:
            said = content if member.name == name else old.extractfile(member).read()  # type: ignore[union-attr]
            info = tarfile.TarInfo(member.name)
            info.size = len(said)
            new.addfile(info, io.BytesIO(said))
    return target


def damaged_rows(file: Path, folder: Path) -> Path:
    return rewrite(file, folder / "damaged", "store.sqlite3", b"not rows" * 400)


def no_words(file: Path, folder: Path) -> Path:
    return rewrite(file, folder / "mute", "about.json", b"{}")


def stranger(_file: Path, folder: Path) -> Path:
    target = folder / "odd"
    with tarfile.open(target, "w") as archive:
        info = tarfile.TarInfo("../../escaped")
        info.size = 1
        archive.addfile(info, io.BytesIO(b"x"))
    return target


def letters(_file: Path, folder: Path) -> Path:
    (folder / "letters").write_bytes(b"not an archive at all" * 100)
    return folder / "letters"


@pytest.mark.parametrize("make", [damaged_rows, no_words, stranger, letters])
def test_row_38_what_is_no_whole_backup_is_refused_and_nothing_is_changed(
    make: Callable[[Path, Path], Path], yard: Yard, tmp_path: Path
) -> None:
    file = back_up(yard, tmp_path / "good")
    yard.message(yard.address("email", "ada@example.net"))
    settings, before = yard.duskbell.settings, count_rows(yard.duskbell.engine)
    bad = make(file, tmp_path)
    with pytest.raises(BadBackup):
        restore_backup(bad, settings.store_url, settings.data_dir, replace=True, now=yard.wall)
    assert count_rows(yard.duskbell.engine) == before
    assert not (tmp_path.parent / "escaped").exists()
    assert list(settings.data_dir.glob(".duskbell-*")) == []


def test_row_42_a_backup_of_a_newer_version_is_refused(file_yard: Yard, tmp_path: Path) -> None:
    with file_yard.duskbell.engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    file = back_up(file_yard, tmp_path / "newer")
    target = tmp_path / "new"
    with pytest.raises(StoreError, match="newer Duskbell"):
        restore_backup(file, f"sqlite:///{target / 's'}", target, replace=False, now=file_yard.wall)
    assert not (target / "s").exists()


def test_a_backup_never_replaces_a_file(yard: Yard, tmp_path: Path) -> None:
    (tmp_path / "b").write_text("mine")
    with pytest.raises(BadBackup, match="exists already"):
        back_up(yard, tmp_path / "b")
    assert (tmp_path / "b").read_text() == "mine"


def test_a_backup_can_be_made_while_another_writes(yard: Yard, tmp_path: Path) -> None:
    yard.message(yard.address("email", "ada@example.net"))
    other = Duskbell(yard.duskbell.settings)
    with other.sessions.begin() as session:
        session.execute(text("UPDATE person SET name = 'half done'"))
        file = back_up(yard, tmp_path / "b")
    other.engine.dispose()
    target = tmp_path / "new"
    restore_backup(file, f"sqlite:///{target / 's'}", target, replace=False, now=yard.wall)
    engine = open_engine(f"sqlite:///{target / 's'}")
    with engine.connect() as connection:
        assert connection.execute(text("SELECT name FROM person")).scalars().all() == ["Ada"]
    engine.dispose()
