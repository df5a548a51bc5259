"""The readme and the contributor guide say what the code does, or these fail."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from service.cli import cli
from service.settings import Settings

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", sorted(Settings.model_fields))
def test_every_setting_is_in_the_readme_with_its_default(name: str) -> None:
    row = next(
        (line for line in README.splitlines() if f"`BOOTHGLASS_{name.upper()}`" in line), None
    )
    assert row is not None, f"BOOTHGLASS_{name.upper()} is not in the readme's table"
    default = Settings.model_fields[name].default
    if isinstance(default, int | float) and not isinstance(default, bool):
        assert f"{default:g}" in row


@pytest.mark.parametrize(
    "command",
    sorted(
        c.name or c.callback.__name__.replace("_", "-")
        for c in cli.registered_commands
        if c.callback
    ),
)
def test_every_command_is_in_the_readme(command: str) -> None:
    assert f"boothglass {command}" in README


def test_the_readme_names_no_setting_that_is_not_there() -> None:
    named = set(re.findall(r"BOOTHGLASS_([A-Z_]+)", README))
    assert named <= {name.upper() for name in Settings.model_fields}


@pytest.mark.parametrize("document", [README, GUIDE], ids=["readme", "guide"])
def test_every_file_that_is_named_exists(document: str) -> None:
    links = re.findall(r"\]\((?!https?:)([^)#]+)\)", document)
    paths = re.findall(r"`((?:deploy|service|sensors|dashboards|tests)/[\w./-]+)`", document)
    missing = [p for p in [*links, *paths] if not (ROOT / p).exists()]
    assert not missing


def test_the_two_commands_stand_in_the_readme() -> None:
    for line in ("sh deploy/run.sh", "sh deploy/test.sh", "sh deploy/run.sh --shop"):
        assert line in README
