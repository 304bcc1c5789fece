"""A folder of templates: read, tried on every kind of message, and looked at by the doctor."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path

import pytest

from alerts.briefing.render import BUILT_IN, Templates
from alerts.briefing.text.alert_view import AlertView
from alerts.briefing.text.field import FieldView
from service.cli.doctor import examine
from service.delivery.custom_templates import built_in_names, read_templates, try_templates
from service.settings import Settings
from tests.unit.alerts.briefing.sample_nights import ephemeris


def folder_with(folder: Path, **files: str) -> Path:
    for name, source in files.items():
        (folder / f"{name.replace('__', '.')}.j2").write_text(source, encoding="utf-8")
    return folder


def findings(folder: Path) -> list[tuple[str, str]]:
    settings = Settings(data_dir=folder / "data", template_dir=folder)
    return [(each.level, each.text) for each in examine(settings) if each.about == "templates"]


def test_without_a_folder_the_built_in_templates_write() -> None:
    assert read_templates(None) == (BUILT_IN, None)


def test_templates_are_the_files_that_end_in_j2(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("x", encoding="utf-8")
    (tmp_path / "go.txt.j2").mkdir()
    templates, problem = read_templates(folder_with(tmp_path, go__line__txt="Go.", footer__txt="Ours."))
    assert templates.own == {"go.line.txt.j2": "Go.", "footer.txt.j2": "Ours."}
    assert problem is None


def test_a_folder_that_cannot_be_read_is_said_and_replaces_nothing(tmp_path: Path) -> None:
    templates, problem = read_templates(tmp_path / "gone")
    assert templates is BUILT_IN
    assert "can't be read" in str(problem)
    (tmp_path / "go.line.txt.j2").write_bytes(b"\xff\xfe")
    assert "can't be read" in str(read_templates(tmp_path)[1])


def test_the_built_in_templates_write_every_kind_of_message() -> None:
    assert try_templates(BUILT_IN, ephemeris()) == []


@pytest.mark.parametrize("name", sorted(name for name in built_in_names() if ".svg" not in name))
def test_a_fault_in_any_template_of_a_mail_is_found(name: str) -> None:
    """All but those of the chat and the pictures, which aren't an operator's."""
    problems = try_templates(Templates({name: "{{ nothing_of_that_name }}"}), ephemeris())
    assert bool(problems) is (name != "chat.txt.j2")


def test_the_doctor_names_what_is_wrong_and_what_is_used(tmp_path: Path) -> None:
    assert findings(tmp_path) == [("ok", f"your own in {tmp_path}: none yet")]
    folder_with(tmp_path, go__line__txt="Off to {{ alert.name }}.", footer__txt="x")
    assert [level for level, _ in findings(tmp_path)] == ["note", "ok"]
    folder_with(tmp_path, go__line__txt="{% if %}")
    level, text = findings(tmp_path)[0]
    assert level == "wrong"
    assert "go.line.txt.j2, line 1" in text


README = (Path(__file__).parents[4] / "README.md").read_text(encoding="utf-8")


def test_the_readme_names_every_variable_of_an_alert_and_no_other() -> None:
    table = README.split("<!-- alert: kept equal")[1].split("\n## ")[0]
    assert set(re.findall(r"`alert\.(\w+)`", table)) == {each.name for each in fields(AlertView)}
    for each in fields(FieldView):
        assert f"`{each.name}`" in table


def test_the_readme_names_every_template_of_a_mail() -> None:
    said = README.split("### Messages in your own words")[1].split("\n## ")[0]
    for name in built_in_names():
        if not name.endswith(".svg.j2") and name != "chat.txt.j2":
            form, _, rest = name.partition(".")
            assert f"`{name}`" in said or (f"`{form}`" in said and f"`FORM.{rest}`" in said)
