"""Ask whether anything that ships is known to be vulnerable.

    python deploy/audit.py

Python packages are asked for at OSV by pip-audit, scripts of the pages at the npm registry by
``npm audit``; only what a shop gets is asked for, not what tests and builds use. Fails on what is
found. A service that cannot be reached is said so plainly and is no failure: nothing is known then.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import Any

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parents[1]
EXTRAS = ("backup", "notify", "parquet", "postgresql", "plan", "weather", "node")
"""Extras that a shop may ask for."""

WAIT_S = 300


@dataclass(frozen=True)
class Told:
    """What came of asking: how many packages were looked up, and what is wrong with them.

    ``trouble`` says why nothing is known, or is empty.
    """

    asked: int = 0
    found: tuple[str, ...] = ()
    trouble: str = ""


def shipped(extras: tuple[str, ...] = EXTRAS) -> dict[str, str]:
    """Version of every installed package that the product needs, the extras' ones too."""
    there: dict[str, str] = {}
    todo = [("boothglass", extras)]
    seen = set[tuple[str, tuple[str, ...]]]()
    while todo:
        name, wanted = todo.pop()
        if (name, wanted) in seen:
            continue
        seen.add((name, wanted))
        try:
            package = metadata.distribution(name)
        except metadata.PackageNotFoundError:  # an extra that is not installed here
            continue
        if name != "boothglass":
            there[canonicalize_name(name)] = package.version
        for text in package.requires or ():
            needed = Requirement(text)
            marks = [{"extra": extra} for extra in wanted] or [{"extra": ""}]
            if needed.marker is None or any(needed.marker.evaluate(mark) for mark in marks):
                todo.append((needed.name, tuple(sorted(needed.extras))))
    return there


def python_told(packages: dict[str, str], service_url: str = "") -> Told:
    """Ask OSV about packages of Python."""
    with tempfile.TemporaryDirectory() as folder:
        listed = Path(folder) / "shipped.txt"
        listed.write_text("".join(f"{n}=={v}\n" for n, v in sorted(packages.items())))
        command = [
            sys.executable, "-m", "pip_audit", "--vulnerability-service", "osv",
            "--requirement", str(listed), "--no-deps", "--disable-pip", "--format", "json",
            "--progress-spinner", "off", "--cache-dir", folder,
            *(["--osv-url", service_url] if service_url else []),
        ]  # fmt: skip
        answer = _answer(command, ROOT)
    if isinstance(answer, str):
        return Told(trouble=answer)
    rows = [row for row in answer.get("dependencies", []) if "vulns" in row]
    if len(rows) < len(packages):
        return Told(trouble=f"only {len(rows)} of {len(packages)} packages were looked up")
    return Told(
        len(rows),
        tuple(
            f"{row['name']} {row['version']}: {vuln['id']}"
            + (f", mended in {', '.join(vuln['fix_versions'])}" if vuln["fix_versions"] else "")
            for row in rows
            for vuln in row["vulns"]
        ),
    )


def scripts_told(folder: Path = ROOT / "dashboards", registry: str = "") -> Told:
    """Ask the npm registry about what the pages' scripts are bundled from."""
    npm = shutil.which("npm")
    if npm is None:
        return Told(trouble="there is no npm here")
    command = [
        npm, "audit", "--json", "--omit=dev", "--package-lock-only",
        *([f"--registry={registry}", "--fetch-retries=0"] if registry else []),
    ]  # fmt: skip
    answer = _answer(command, folder)
    if isinstance(answer, str):
        return Told(trouble=answer)
    if "vulnerabilities" not in answer:
        return Told(trouble=str(answer.get("message", "no answer that can be read")))
    found = answer["vulnerabilities"].values()
    return Told(
        int(answer["metadata"]["dependencies"]["prod"]) - 1,  # it counts the pages themselves
        tuple(f"{one['name']}: {', '.join(map(_why, one['via']))}" for one in found),
    )


def _why(via: str | dict[str, Any]) -> str:
    """Say what is wrong: an advisory, or the package that it comes in with."""
    return via if isinstance(via, str) else f"{via['title']} ({via['range']}) {via['url']}"


def _answer(command: list[str], folder: Path) -> dict[str, Any] | str:
    """Run; return the JSON that it prints, or why there is none."""
    try:
        done = subprocess.run(
            command, cwd=folder, capture_output=True, text=True, timeout=WAIT_S, check=False
        )
        answer: dict[str, Any] = json.loads(done.stdout)
    except subprocess.TimeoutExpired:
        return f"no answer within {WAIT_S} s"
    except json.JSONDecodeError:
        last = [line for line in done.stderr.splitlines() if line.strip()][-1:]
        return (last or ["no answer that can be read"])[0].strip()[-300:]
    return answer


def main() -> int:
    """Ask both services; return the exit code."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--osv-url", default="", help="where OSV answers instead")
    parser.add_argument("--npm-registry", default="", help="the npm registry instead")
    given = parser.parse_args()
    bad = False
    for what, told in (
        ("Python packages", python_told(shipped(), given.osv_url)),
        ("scripts", scripts_told(registry=given.npm_registry)),
    ):
        if told.trouble:
            print(f"audit: {what}: NOT AUDITED, nothing is known: {told.trouble}")
        elif told.found:
            bad = True
            print(f"audit: {what}: {len(told.found)} known to be vulnerable, of {told.asked}:")
            print("".join(f"  {line}\n" for line in told.found), end="")
        else:
            print(f"audit: {what}: nothing known against any of {told.asked}")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
