"""Settings are documented, checked, and refused in words that name the field."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from service.settings import BadSettings, Settings, load_settings

README = Path(__file__).parents[3] / "README.md"


@pytest.fixture(autouse=True)
def _clean(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    import os

    for name in [name for name in os.environ if name.startswith("DUSKBELL_")]:
        monkeypatch.delenv(name)
    monkeypatch.delenv("XDG_DATA_HOME", raising=False)
    monkeypatch.setenv("DUSKBELL_DATA_DIR", str(tmp_path))


def test_every_setting_stands_in_the_readme_with_its_default_and_its_description() -> None:
    found = re.findall(r"^\| `(\w+)` \| (.*?) \| (.*) \|$", README.read_text(encoding="utf-8"), re.M)
    rows = {name: (default, description) for name, default, description in found}
    for name, field in Settings.model_fields.items():
        default = field.get_default(call_default_factory=True)
        assert rows.get(name) == (shown(default), field.description), name


def shown(default: object) -> str:
    """A default as the README shows it."""
    if default in ("", None, (), {}):
        return "(empty)"
    if isinstance(default, tuple):
        return ", ".join(map(shown, default))
    if isinstance(default, Path):
        return f"`~/{default.relative_to(Path.home())}`"
    return f"`{str(default).lower() if isinstance(default, bool) else default}`"


def test_the_file_is_read_and_the_environment_wins(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "duskbell.toml").write_text('contact = "file@example.org"\nweb_port = 9000\n')
    assert load_settings().contact == "file@example.org"
    monkeypatch.setenv("DUSKBELL_CONTACT", "env@example.org")
    assert (load_settings().contact, load_settings().web_port) == ("env@example.org", 9000)


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("web_port = 0", "web_port"),
        ("cycle_minutes = 1", "cycle_minutes"),
        ('colour = "blue"', "colour"),
        ('smtp_user = "me"', "smtp_password"),
        ('smtp_security = "maybe"', "smtp_security"),
        ("web_port = ", "TOML"),
    ],
)
def test_a_bad_setting_is_named_with_how_to_set_it(tmp_path: Path, line: str, says: str) -> None:
    (tmp_path / "duskbell.toml").write_text(line + "\n")
    with pytest.raises(BadSettings, match=says):
        load_settings()


def test_the_password_is_not_shown() -> None:
    settings = load_settings(smtp_user="me", smtp_password="very-secret")
    assert "very-secret" not in repr(settings)
