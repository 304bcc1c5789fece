"""What the container files promise, as far as it can be read from them: no engine runs in the tests."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
import yaml

from service.cli.main import _COMMANDS
from service.settings import Settings
from service.web.middleware import UPLOAD_BYTES

TOP = Path(__file__).parents[4]
DOCKER = TOP / "docker"


def _services(name: str) -> dict[str, dict[str, Any]]:
    return dict(yaml.safe_load((DOCKER / f"compose.{name}.yaml").read_text())["services"])


OURS = [
    (compose, name)
    for compose in ("single", "fleet")
    for name, service in _services(compose).items()
    if service["image"] == "duskbell"
]


def test_both_layouts_are_there() -> None:
    assert OURS[0] == ("single", "duskbell")
    assert {name for _, name in OURS[1:]} == {"migrate", "scheduler", "worker", "web"}
    assert {"postgres", "proxy"} <= set(_services("fleet"))


@pytest.mark.parametrize(("compose", "name"), OURS)
def test_every_setting_that_is_given_exists(compose: str, name: str) -> None:
    given = {each.removeprefix("DUSKBELL_").lower() for each in _services(compose)[name]["environment"]}
    assert given <= set(Settings.model_fields)


@pytest.mark.parametrize(("compose", "name"), OURS)
def test_no_process_can_write_to_its_image_or_become_more_than_it_is(compose: str, name: str) -> None:
    service = _services(compose)[name]
    assert service["read_only"] is True
    assert service["cap_drop"] == ["ALL"]
    assert "no-new-privileges:true" in service["security_opt"]


@pytest.mark.parametrize(("compose", "name"), OURS)
def test_every_process_runs_a_command_that_exists_and_has_time_to_stop(compose: str, name: str) -> None:
    service = _services(compose)[name]
    assert service.get("command", ["serve"])[0] in _COMMANDS
    assert service["stop_grace_period"] == "60s"


def test_one_container_has_the_memory_for_the_processes_it_starts() -> None:
    """As measured by tests/bench/cycle.py with 10,000 sites."""
    service = _services("single")["duskbell"]
    processes = int(service["environment"]["DUSKBELL_CYCLE_PROCESSES"].removesuffix("}").partition(":-")[2])
    assert 450 + 250 * processes < 0.8 * int(service["mem_limit"].removesuffix("m"))


def test_a_process_that_lost_its_database_is_started_anew() -> None:
    fleet = _services("fleet")
    for name in ("scheduler", "worker", "web"):
        assert fleet[name]["restart"] == "unless-stopped"
    assert fleet["scheduler"]["deploy"]["replicas"] == 2


def test_row_103_the_proxy_passes_the_address_that_people_typed_and_files_of_places() -> None:
    lines = [line.partition("#")[0].strip() for line in (DOCKER / "proxy.conf").read_text().splitlines()]
    assert "proxy_set_header Host $http_host;" in lines
    most = next(line for line in lines if line.startswith("client_max_body_size"))
    assert int(most.split()[1].removesuffix("m;")) * 1024 * 1024 > UPLOAD_BYTES


def test_the_image_runs_as_nobody_in_particular_and_is_checked() -> None:
    lines = (DOCKER / "Dockerfile").read_text().splitlines()
    assert "USER 10001:10001" in lines
    assert any(line.startswith("HEALTHCHECK") for line in lines)
    installs = [line for line in lines if "bin/pip install " in line and "--no-index" not in line]
    assert [line for line in installs if "--require-hashes" not in line] == []
    assert sum(line.startswith("FROM ") for line in lines) == 2


def test_the_builder_gets_what_is_copied_and_nothing_else() -> None:
    lines = (DOCKER / "Dockerfile").read_text().splitlines()
    copies = [line.split()[1:-1] for line in lines if line.startswith("COPY ") and "--from" not in line]
    let_in = (DOCKER / "Dockerfile.dockerignore").read_text().splitlines()[2:-1]
    assert sorted(f"!{source.removeprefix('./')}" for sources in copies for source in sources) == let_in
    assert [each for each in let_in if not (TOP / each[1:]).exists()] == []


def test_what_the_image_installs_is_all_that_is_asked_for_and_pinned_by_hash() -> None:
    project = tomllib.loads((TOP / "pyproject.toml").read_text())["project"]
    wanted = {_name(each) for each in project["dependencies"] + project["optional-dependencies"]["postgres"]}
    lock = (DOCKER / "requirements.lock").read_text()
    pinned = re.findall(r"^([A-Za-z0-9._-]+)==\S+.*\\\n    --hash=sha256:", lock, re.MULTILINE)
    assert wanted <= {_name(each) for each in pinned}


def test_what_builds_the_wheel_is_pinned_too() -> None:
    wanted = tomllib.loads((TOP / "pyproject.toml").read_text())["build-system"]["requires"]
    pinned = re.findall(
        r"^(\S+)==\S+ \\\n    --hash=sha256:", (DOCKER / "build.lock").read_text(), re.MULTILINE
    )
    assert {_name(each) for each in wanted} <= {_name(each) for each in pinned}


def _name(requirement: str) -> str:
    return re.split(r"[\[<>=; ]", requirement)[0].lower().replace("_", "-")


def test_the_folder_hides_no_module_of_its_name(tmp_path: Path) -> None:
    """Without Python files it is at most a namespace, and any real package of that name comes first."""
    assert list(DOCKER.rglob("*.py")) == []
    package = tmp_path / "docker"
    package.mkdir()
    (package / "__init__.py").write_text("REAL = True")
    code = f"import sys; sys.path.append({str(tmp_path)!r}); import docker; sys.exit(not docker.REAL)"
    assert subprocess.run([sys.executable, "-c", code], cwd=TOP, check=False).returncode == 0
