"""Runs a program behind the filter of system calls that a unit's file asks for.

    python fenced.py UNIT PROGRAM [ARGUMENT ...]

As systemd does it, by libseccomp, with the groups of calls that ``systemd-analyze`` knows.
"""

from __future__ import annotations

import ctypes
import errno
import os
import subprocess
import sys
from pathlib import Path

KILL_PROCESS, ALLOW, REFUSE = 0x80000000, 0x7FFF0000, 0x00050000


def groups() -> dict[str, list[str]]:
    """Return the calls of each group; a group may hold others."""
    told = subprocess.run(
        ["systemd-analyze", "syscall-filter", "--no-pager"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    found: dict[str, list[str]] = {}
    of: list[str] = []
    for line in told.splitlines():
        if line.startswith("@"):
            of = found[line.strip()] = []
        elif line.startswith("    ") and not line.strip().startswith("#"):
            of.append(line.strip())
    return found


def calls(words: list[str], known: dict[str, list[str]]) -> set[str]:
    """Return the calls that words stand for."""
    found: set[str] = set()
    for word in words:
        found |= calls(known[word], known) if word.startswith("@") else {word}
    return found


def settings(unit: Path, key: str) -> list[str]:
    """Return the values of a setting, in order."""
    lines = unit.read_text().splitlines()
    return [line.partition("=")[2] for line in lines if line.startswith(f"{key}=")]


def fence(unit: Path) -> None:
    """Let this process, and what it becomes, make no other system call from now on."""
    known, allowed = groups(), set()
    for value in settings(unit, "SystemCallFilter"):
        meant = calls(value.removeprefix("~").split(), known)
        allowed = allowed - meant if value.startswith("~") else allowed | meant
    told = [int(getattr(errno, name)) for name in settings(unit, "SystemCallErrorNumber")]
    library = ctypes.CDLL("libseccomp.so.2", use_errno=True)
    library.seccomp_init.restype = ctypes.c_void_p
    filtered = ctypes.c_void_p(library.seccomp_init(REFUSE | told[-1] if told else KILL_PROCESS))
    for name in sorted(allowed):
        number = library.seccomp_syscall_resolve_name(name.encode())
        if number >= 0:  # else it is a call of another kind of machine
            library.seccomp_rule_add(filtered, ALLOW, number, 0)
    if library.seccomp_load(filtered):
        raise OSError("the filter could not be loaded")


if __name__ == "__main__":
    fence(Path(sys.argv[1]))
    os.execv(sys.argv[2], sys.argv[2:])  # noqa: S606 -- no shell is the point
