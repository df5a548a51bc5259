"""When the build asks for a Node.js of its own, and when it bundles anew."""

from __future__ import annotations

import importlib.util
import shutil
from pathlib import Path
from types import ModuleType

import pytest

TREE = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def hook() -> ModuleType:
    """The hook as the build loads it: by its path."""
    spec = importlib.util.spec_from_file_location("hook", TREE / "deploy" / "hatch_build.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def commands(folder: Path, **scripts: str) -> str:
    folder.mkdir()
    for name, body in scripts.items():
        file = folder / name
        file.write_text(f"#!/bin/sh\n{body}\n")
        file.chmod(0o755)
    return str(folder)


def asked_for(hook: ModuleType, path: str, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    monkeypatch.setenv("PATH", path)
    made = hook.DashboardsHook(str(TREE), {}, None, None, "", "wheel")
    return list(made.dependencies())


def test_a_new_enough_node_is_used(
    hook: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = commands(tmp_path / "bin", node="echo v18.19.0", npm="exit 0")
    assert asked_for(hook, path, monkeypatch) == []


@pytest.mark.parametrize(
    "scripts",
    [
        {},
        {"node": "echo v20.0.0"},  # Debian's nodejs comes without npm
        {"npm": "exit 0"},
        {"node": "echo v16.20.2", "npm": "exit 0"},
        {"node": "exit 127", "npm": "exit 0"},
        {"node": "echo hello", "npm": "exit 0"},
    ],
)
def test_otherwise_a_registry_package_brings_one(
    hook: ModuleType, scripts: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = commands(tmp_path / "bin", **scripts)
    assert asked_for(hook, path, monkeypatch) == [hook.NODE_WHEEL]


@pytest.fixture
def dashboards(tmp_path: Path) -> Path:
    """Sources without what was built from them."""
    folder = tmp_path / "dashboards"
    left_out = shutil.ignore_patterns("node_modules", "dist", "dist.*")
    shutil.copytree(TREE / "dashboards", folder, ignore=left_out)
    return folder


def test_what_was_bundled_from_the_same_sources_is_not_bundled_again(
    hook: ModuleType, dashboards: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (dashboards / "dist").mkdir()
    (dashboards / "dist" / ".stamp").write_text(hook.fingerprint(dashboards))
    monkeypatch.setenv("PATH", commands(tmp_path / "bin"))  # nothing there to bundle with
    hook.bundle(dashboards)
    (dashboards / "src" / "app.js").write_text("changed")
    with pytest.raises(SystemExit, match="npm is needed"):
        hook.bundle(dashboards)


def test_a_failed_bundling_says_what_npm_said(
    hook: ModuleType, dashboards: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = commands(tmp_path / "bin", npm="echo 'network unreachable' >&2; exit 1")
    monkeypatch.setenv("PATH", path)
    with pytest.raises(SystemExit, match=r"npm ci failed; is there network\?\nnetwork unreach"):
        hook.bundle(dashboards)
    assert not (dashboards / "dist" / ".stamp").exists()


def test_every_source_counts(hook: ModuleType, dashboards: Path) -> None:
    before = hook.fingerprint(dashboards)
    for name in ("src/app.css", "package-lock.json", "build.mjs"):
        kept = (dashboards / name).read_bytes()
        (dashboards / name).write_bytes(kept + b"\n")
        assert hook.fingerprint(dashboards) != before
        (dashboards / name).write_bytes(kept)
    assert hook.fingerprint(dashboards) == before
