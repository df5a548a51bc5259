"""The wheel carries everything that a person sees, also from a machine without Node.js."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

TREE = Path(__file__).resolve().parents[2]
PARTS = ("pyproject.toml", "README.md", "service", "sensors", "dashboards", "deploy/hatch_build.py")


def copy_of_the_tree(folder: Path) -> Path:
    """The sources as a clone has them: nothing that was built before."""
    left_out = shutil.ignore_patterns("node_modules", "dist", "dist.*", "__pycache__", ".DS_Store")
    for part in PARTS:
        source, target = TREE / part, folder / part
        target.parent.mkdir(parents=True, exist_ok=True)
        if source.is_dir():
            shutil.copytree(source, target, ignore=left_out)
        else:
            shutil.copy(source, target)
    return folder


def path_without_node(folder: Path) -> str:
    """A folder with every command of the path but Node.js and npm, to be the whole path."""
    folder.mkdir()
    for place in reversed(os.environ["PATH"].split(os.pathsep)):
        for command in Path(place).glob("*"):
            if command.name in {"node", "nodejs", "npm", "npx", "corepack"}:
                continue
            link = folder / command.name
            link.unlink(missing_ok=True)
            link.symlink_to(command)
    assert shutil.which("node", path=str(folder)) is None
    assert shutil.which("sh", path=str(folder)) is not None
    return str(folder)


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A wheel that pip builds from a clean copy with Node.js hidden: it has to bring its own."""
    tmp_path = tmp_path_factory.mktemp("wheel")
    tree = copy_of_the_tree(tmp_path / "tree")
    subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", str(tmp_path), str(tree)],
        check=True,
        env={**os.environ, "PATH": path_without_node(tmp_path / "bin")},
        timeout=300,
    )
    (built,) = tmp_path.glob("*.whl")
    return built


@pytest.mark.slow
@pytest.mark.real
class TestWheel:
    def test_carries_pages_bundles_data_and_migrations(self, wheel: Path) -> None:
        names = zipfile.ZipFile(wheel).namelist()
        for wanted in (
            "service/dashboards/dist/app.js",
            "service/dashboards/dist/app.css",
            "service/dashboards/dist/LICENCES.txt",
            "service/dashboards/templates/base.html",
            "service/data/materials/vinyl-sealer-can.yaml",
            "service/science/solvents.json",
            "service/store/migrations/env.py",
            "sensors/booth.py",
        ):
            assert wanted in names
        icons = [path.name for path in (TREE / "dashboards" / "icons").iterdir()]
        assert icons
        assert {f"service/dashboards/icons/{name}" for name in icons} <= set(names)

    def test_carries_no_sources_of_the_bundles_and_stays_small(self, wheel: Path) -> None:
        names = zipfile.ZipFile(wheel).namelist()
        assert not [name for name in names if "node_modules" in name or "/src/" in name]
        assert not [name for name in names if name.startswith(("tests/", "deploy/"))]
        assert wheel.stat().st_size < 1_500_000

    def test_the_script_is_small_and_brings_its_licence(self, wheel: Path) -> None:
        packed = zipfile.ZipFile(wheel)
        script = packed.read("service/dashboards/dist/app.js")
        style = packed.read("service/dashboards/dist/app.css")
        # A phone on bad Wi-Fi: script and style together under 120 kB before compression.
        assert len(script) + len(style) < 120_000
        licences = packed.read("service/dashboards/dist/LICENCES.txt").decode()
        assert "uplot" in licences
        assert "Permission is hereby granted" in licences

    def test_the_installed_package_finds_its_own_pages(self, wheel: Path, tmp_path: Path) -> None:
        zipfile.ZipFile(wheel).extractall(tmp_path / "site")
        asking = """
from service.web.assets import find_dashboards
found = find_dashboards()
print(found.templates)
print(found.address("app.js"))
"""
        told = subprocess.run(
            [sys.executable, "-c", asking],
            env={**os.environ, "PYTHONPATH": str(tmp_path / "site")},
            cwd=tmp_path,
            capture_output=True,
            text=True,
            check=True,
        ).stdout.splitlines()
        assert told[0] == str(tmp_path / "site" / "service" / "dashboards" / "templates")
        assert told[1].startswith("/assets/app.js?v=")


def test_the_lock_file_names_no_download_address_and_pins_every_package() -> None:
    text = (TREE / "dashboards" / "package-lock.json").read_text()
    assert "://" not in text
    packages = json.loads(text)["packages"]
    assert all("integrity" in about for name, about in packages.items() if name)
    wanted = json.loads((TREE / "dashboards" / "package.json").read_text())
    pinned = {**wanted["dependencies"], **wanted["devDependencies"]}
    for name, version in pinned.items():
        assert packages[f"node_modules/{name}"]["version"] == version
