"""The two commands: which Python they take, and how they explain a failure."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

TREE = Path(__file__).resolve().parents[2]
TOOLS = (
    "sh",
    "env",
    "find",
    "sort",
    "xargs",
    "sha256sum",
    "cut",
    "cat",
    "rm",
    "dirname",
    "mkdir",
    "chmod",
    "printf",
)


def shell(line: str, path: Path, **extra: str) -> subprocess.CompletedProcess[str]:
    """Run a line with the helpers of the two commands loaded."""
    return subprocess.run(
        [shutil.which("sh") or "sh", "-euc", f". deploy/python.sh\n{line}"],
        cwd=TREE,
        env={"PATH": str(path), "HOME": str(path), **extra},
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A path with a few tools and no Python at all."""
    folder = tmp_path / "bin"
    folder.mkdir()
    for name in TOOLS:
        found = shutil.which(name)
        assert found is not None
        (folder / name).symlink_to(found)
    return folder


def pretend(path: Path, name: str, version: str, *, venv: bool = True) -> None:
    """Put a command there that answers like a Python of that version."""
    major, minor = version.split(".")
    file = path / name
    file.write_text(
        f"""#!/bin/sh
case "${{2:-}}" in
    *"%d.%d"*) echo {version} ;;
    *"sys.exit(sys.version_info < (3, 11))"*) [ {major} -gt 3 ] || [ {minor} -ge 11 ] ;;
    *ensurepip*) {"exit 0" if venv else "exit 1"} ;;
    venv) mkdir -p "$3/bin"; printf '#!/bin/sh\\nexit 0\\n' > "$3/bin/python"
          chmod +x "$3/bin/python" ;;
    "") echo "Python {version}.0" ;;
    *) echo "asked something else: $*" >&2; exit 99 ;;
esac
"""
    )
    file.chmod(0o755)


class TestFindingPython:
    def test_the_newest_that_will_do_is_taken(self, path: Path) -> None:
        pretend(path, "python3", "3.9")
        pretend(path, "python3.11", "3.11")
        pretend(path, "python3.12", "3.12")
        told = shell("find_python", path)
        assert (told.returncode, told.stdout.strip()) == (0, "python3.12")

    def test_plain_python3_will_do(self, path: Path) -> None:
        pretend(path, "python3", "3.14")
        assert shell("find_python", path).stdout.strip() == "python3"

    def test_a_name_that_exists_and_does_not_run_is_passed_over(self, path: Path) -> None:
        (path / "python3.13").write_text("#!/bin/sh\necho 'command not found' >&2\nexit 127\n")
        (path / "python3.13").chmod(0o755)
        pretend(path, "python3", "3.11")
        assert shell("find_python", path).stdout.strip() == "python3"

    def test_one_without_venv_is_passed_over_for_one_that_has_it(self, path: Path) -> None:
        pretend(path, "python3.12", "3.12", venv=False)
        pretend(path, "python3.11", "3.11")
        assert shell("find_python", path).stdout.strip() == "python3.11"

    def test_the_person_may_choose(self, path: Path) -> None:
        pretend(path, "python3.12", "3.12")
        pretend(path, "mine", "3.11")
        assert shell("find_python", path, PYTHON="mine").stdout.strip() == "mine"

    def test_too_old_says_what_is_there_and_what_is_needed(self, path: Path) -> None:
        pretend(path, "python3", "3.9")
        told = shell("find_python", path)
        assert told.returncode == 1
        assert "3.11 or newer is needed; found only python3 (3.9)" in told.stderr

    def test_without_venv_it_says_what_to_install(self, path: Path) -> None:
        pretend(path, "python3", "3.11", venv=False)
        told = shell("find_python", path)
        assert told.returncode == 1
        assert "sudo apt install python3.11-venv" in told.stderr

    def test_none_at_all(self, path: Path) -> None:
        told = shell("find_python", path)
        assert told.returncode == 1
        assert "no Python found" in told.stderr

    def test_a_failure_ends_the_command_that_needed_it(self, path: Path) -> None:
        told = shell('make_venv "$HOME/venv"\necho went on', path)
        assert told.returncode == 1
        assert "went on" not in told.stdout


class TestInstalling:
    def test_a_venv_is_made_once_and_made_anew_when_it_is_broken(self, path: Path) -> None:
        pretend(path, "python3", "3.12")
        first = shell('make_venv "$HOME/venv"', path)
        assert first.returncode == 0, first.stderr
        assert "making a virtual environment" in first.stdout
        assert "Python 3.12.0" in first.stdout
        assert shell('make_venv "$HOME/venv"', path).stdout == ""
        (path / "venv" / "bin" / "python").unlink()  # a system upgrade takes its Python away
        again = shell('make_venv "$HOME/venv"', path)
        assert "making a virtual environment" in again.stdout
        assert (path / "venv" / "bin" / "python").exists()

    def venv(self, folder: Path, answer: str) -> Path:
        (folder / "venv" / "bin").mkdir(parents=True)
        python = folder / "venv" / "bin" / "python"
        python.write_text(f'#!/bin/sh\necho "asked: $*"\n{answer}\n')
        python.chmod(0o755)
        return folder / "venv"

    def test_the_same_is_installed_once(self, tmp_path: Path, path: Path) -> None:
        venv = self.venv(tmp_path, "exit 0")
        first = shell(f"install_once {venv} stamp1 thing", path)
        assert "asked: -m pip install" in first.stdout
        assert "thing" in first.stdout
        again = shell(f"install_once {venv} stamp1 thing", path)
        assert "asked" not in again.stdout
        assert "nothing has changed" in again.stdout
        assert "asked" in shell(f"install_once {venv} stamp2 thing", path).stdout

    def test_a_failed_installation_is_explained_and_tried_again(
        self, tmp_path: Path, path: Path
    ) -> None:
        venv = self.venv(tmp_path, "exit 1")
        for _ in range(2):
            told = shell(f"install_once {venv} stamp thing", path)
            assert told.returncode == 1
            assert "asked" in told.stdout
            assert "Without a network" in told.stderr

    def test_the_stamp_follows_the_sources_and_nothing_built(
        self, tmp_path: Path, path: Path
    ) -> None:
        (tmp_path / "a" / "node_modules").mkdir(parents=True)
        (tmp_path / "a" / "dist").mkdir()
        (tmp_path / "a" / "x.py").write_text("1")

        def stamp() -> str:
            told = shell(f"tree_stamp {tmp_path}/a", path)
            assert told.returncode == 0, told.stderr
            return told.stdout

        before = stamp()
        (tmp_path / "a" / "dist" / "app.js").write_text("built")
        (tmp_path / "a" / "node_modules" / "y.js").write_text("fetched")
        assert stamp() == before
        (tmp_path / "a" / "x.py").write_text("2")
        assert stamp() != before


def test_run_says_how_it_is_used() -> None:
    told = subprocess.run(
        ["sh", "deploy/run.sh", "--help"], cwd=TREE, capture_output=True, text=True, check=True
    )
    assert "sh deploy/run.sh --shop" in told.stdout
    assert "--lan" in told.stdout


@pytest.mark.parametrize("script", ["run.sh", "test.sh", "python.sh"])
def test_the_scripts_are_plain_sh(script: str) -> None:
    # dash is Debian's sh; -n reads the script without running it.
    subprocess.run(["sh", "-n", f"deploy/{script}"], cwd=TREE, check=True)
