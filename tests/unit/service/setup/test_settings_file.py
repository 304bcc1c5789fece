"""What `setup` writes into duskbell.toml, and what it leaves alone."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from service.channels import email
from service.settings import BadSettings, load_settings
from service.setup.settings_file import Fixed, Origin, origin_of, write_settings


@pytest.fixture(autouse=True)
def file(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    for name in [name for name in os.environ if name.startswith("DUSKBELL_")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("DUSKBELL_DATA_DIR", str(tmp_path / "data"))
    return tmp_path / "data" / "duskbell.toml"


def test_a_new_file_is_its_owners_alone_and_is_read_back(file: Path) -> None:
    settings = write_settings({"contact": "you@example.org", "smtp_port": 2525})
    assert (settings.contact, settings.smtp_port) == ("you@example.org", 2525)
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert file.read_text().startswith("# Settings of this Duskbell")
    assert [each.name for each in file.parent.iterdir()] == ["duskbell.toml"]


def test_what_stands_there_stays_with_its_comments_and_order(file: Path) -> None:
    file.parent.mkdir()
    file.write_text(
        '# mine\nweb_port = 9000   # the router knows\ncontact = "old@example.org"\n\n'
        '[named_targets]   # phones\npager = "json://pager.example"\n'
    )
    write_settings(
        {
            "contact": "new@example.org",
            "smtp_host": "relay.example.org",
            "named_targets": {"phone": "json://phone.example"},
        }
    )
    text = file.read_text()
    for kept in ("# mine\n", "web_port = 9000   # the router knows\n", "[named_targets]   # phones\n"):
        assert kept in text
    assert "old@example.org" not in text
    settings = load_settings()
    assert (settings.contact, settings.smtp_host, settings.web_port) == (
        "new@example.org",
        "relay.example.org",
        9000,
    )
    assert sorted(settings.named_targets) == ["pager", "phone"]


def test_none_takes_a_setting_out(file: Path) -> None:
    write_settings({"smtp_host": "relay.example.org", "smtp_user": "me", "smtp_password": "quiet"})
    settings = write_settings({"smtp_user": None, "smtp_password": None})
    assert (settings.smtp_user, settings.smtp_password) == ("", None)
    assert "quiet" not in file.read_text()


def test_text_that_toml_would_read_otherwise_comes_back_as_it_was(file: Path) -> None:
    password = "a\"b\\c\n#d''' = é"
    assert write_settings({"smtp_user": "me", "smtp_password": password}).smtp_password is not None
    found = load_settings().smtp_password
    assert found is not None
    assert found.get_secret_value() == password


def test_row_185_a_setting_of_the_environment_is_not_overwritten(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("DUSKBELL_CONTACT", "env@example.org")
    assert (origin_of("contact"), origin_of("mail_from")) == (Origin.ENVIRONMENT, Origin.DEFAULT)
    with pytest.raises(Fixed, match="DUSKBELL_CONTACT"):
        write_settings({"mail_from": "bell@example.org", "contact": "you@example.org"})
    assert not file.exists()
    assert write_settings({"contact": "env@example.org"}).contact == "env@example.org"
    assert not file.exists()


@pytest.mark.parametrize("broken", ["web_port = ", "a = 1\na = 2", "[x"])
def test_row_186_a_broken_file_is_left_as_it_is(file: Path, broken: str) -> None:
    file.parent.mkdir()
    file.write_text(broken)
    with pytest.raises(BadSettings, match=r"TOML.*nothing was changed"):
        write_settings({"contact": "you@example.org"})
    assert file.read_text() == broken


def test_row_186_a_file_that_is_no_text(file: Path) -> None:
    file.parent.mkdir()
    file.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(BadSettings, match="TOML"):
        write_settings({"contact": "you@example.org"})


@pytest.mark.parametrize("changes", [{"smtp_port": 0}, {"smtp_user": "me"}, {"smtp_security": "maybe"}])
def test_what_can_not_be_used_is_not_written(file: Path, changes: dict[str, object]) -> None:
    write_settings({"contact": "you@example.org"})
    before = file.read_text()
    with pytest.raises(BadSettings, match="smtp_"):
        write_settings(changes)
    assert file.read_text() == before


def test_row_187_a_full_disk_leaves_the_old_file_whole(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_settings({"contact": "you@example.org"})
    before = file.read_text()

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(email.os, "fsync", full)
    with pytest.raises(BadSettings, match=r"No space left on device.*nothing"):
        write_settings({"contact": "other@example.org"})
    assert file.read_text() == before
    assert [each.name for each in file.parent.iterdir()] == ["duskbell.toml"]


def test_row_187_a_folder_that_can_not_be_made(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "plain").write_text("")
    monkeypatch.setenv("DUSKBELL_CONFIG", str(tmp_path / "plain" / "duskbell.toml"))
    with pytest.raises(BadSettings, match=r"can't be (read|written)"):
        write_settings({"contact": "you@example.org"})


def test_a_link_to_a_file_elsewhere_stays_a_link(file: Path, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere.toml"
    elsewhere.write_text("web_port = 9000\n")
    file.parent.mkdir()
    file.symlink_to(elsewhere)
    write_settings({"contact": "you@example.org"})
    assert file.is_symlink()
    assert "contact" in elsewhere.read_text()
