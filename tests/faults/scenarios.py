"""The faults, each on a rig of its own; ``rounds`` says how often it strikes."""

from __future__ import annotations

import contextlib
import os
import resource
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import databases
import pytest
from equipment import eventually
from rig import LONG_S, Outcome, Rig

from service.store.db import sqlite_path

A_SECOND = 200.0
"""Readings a second while faults strike."""

DISK_BYTES = (32 if databases.ON_POSTGRESQL else 8) * 1024 * 1024
"""An empty database takes some 10 MiB on PostgreSQL."""


@dataclass(frozen=True)
class Told:
    """A fault, how it was made, and what became of the readings."""

    fault: str
    how: str
    rounds: int
    outcome: Outcome


@contextlib.contextmanager
def rig(folder: Path, seed: int, **options: object) -> Iterator[Rig]:
    made = Rig(folder, seed, **options)  # type: ignore[arg-type]
    try:
        yield made
    finally:
        made.close()


def service_killed(folder: Path, rounds: int) -> Told:
    """Kill the service at random moments, also while it comes up."""
    with rig(folder, 1) as shop:
        with shop.sensors.sending(A_SECOND):
            for _ in range(rounds):
                starting = shop.rnd.random() < 0.2
                time.sleep(shop.rnd.uniform(0.0, 1.0))
                shop.service.kill()
                shop.service.start(wait=not starting)
        outcome = shop.outcome()
    return Told("service killed", "SIGKILL at random moments under load", rounds, outcome)


def broker_killed(folder: Path, rounds: int) -> Told:
    """Kill the broker at random moments."""
    with rig(folder, 2) as shop:
        with shop.sensors.sending(A_SECOND):
            for _ in range(rounds):
                time.sleep(shop.rnd.uniform(0.2, 1.2))
                shop.broker.kill()
                eventually(lambda: not shop.service.health().get("connected", True), LONG_S)
                shop.broker.start()
                eventually(lambda: shop.service.health()["connected"], LONG_S, "reconnected")
        outcome = shop.outcome()
    return Told(
        "broker killed", "SIGKILL of Mosquitto at random moments under load", rounds, outcome
    )


def disk_full(folder: Path, rounds: int) -> Told:
    """Let the disk fill up under the database, and make room again."""
    with (
        _small_disk(folder) as (disk, how),
        _database_on(disk, folder) as data,
        rig(folder, 3, data=data) as shop,
    ):
        for _ in range(rounds):
            with shop.sensors.sending(A_SECOND), _filled(shop, disk, how):
                eventually(lambda: shop.service.health()["problems"], LONG_S, "the disk is full")
                said = str(shop.service.health()["problems"])
                assert any(word in said for word in ("full", "I/O", "No space left"))
                time.sleep(1.0)
            eventually(lambda: not shop.service.health()["problems"], LONG_S, "there is room again")
        outcome = shop.outcome()
    return Told("disk full", how, rounds, outcome)


def broker_gone(folder: Path, rounds: int) -> Told:
    """Take the broker away for an hour: the service's clock goes on, the sensors keep their own."""
    with rig(folder, 4) as shop:
        for hour in range(1, rounds + 1):
            shop.sensors.send(120)
            shop.broker.stop()
            eventually(lambda: not shop.service.health()["connected"], LONG_S)
            shop.sensors.send(3 * 120)  # three sensors' hour
            shop.shift_clock(3600.0 * hour)
            shop.broker.start()
            shop.sensors.send(120)
            eventually(lambda: shop.service.health()["connected"], LONG_S, "reconnected")
        outcome = shop.outcome()
    how = "Mosquitto stopped; the service's clock moved on by 1 h, sensors send what they kept"
    return Told("broker gone for an hour", how, rounds, outcome)


def database_locked(folder: Path, rounds: int, *, busy_timeout_ms: int = 10_000) -> Told:
    """Hold the database's write lock from another process for longer than the service waits."""
    held_s = 1.5 * busy_timeout_ms / 1000.0 + 1.0
    with rig(folder, 5, busy_timeout_ms=busy_timeout_ms) as shop:
        for _ in range(rounds):
            with shop.sensors.sending(A_SECOND), databases.locked(shop.data):
                time.sleep(held_s)
                assert "lock" in str(shop.service.health()["problems"])
            eventually(lambda: not shop.service.health()["problems"], LONG_S, "the lock is gone")
        outcome = shop.outcome()
    how = f"write lock held by another process for {held_s:g} s, waited for {busy_timeout_ms} ms"
    return Told("database locked", how, rounds, outcome)


def clock_stepped(folder: Path, rounds: int) -> Told:
    """Step the service's clock forward, back, and a minute behind the sensors' clocks."""
    with rig(folder, 6, near=True) as shop:
        for _ in range(rounds):
            for shift_s in (3600.0, 0.0, -60.0, 0.0):
                shop.shift_clock(shift_s)
                shop.sensors.send(60)
                shop.sensors.flush()
                time.sleep(0.3)
        outcome = shop.outcome()
    how = "the service's clock set 1 h ahead, right, 1 min behind, right, under readings of now"
    return Told("clock stepped", how, rounds, outcome)


def clock_behind(folder: Path, rounds: int) -> Told:
    """Step the service's clock behind by an hour: readings of now seem to be of the future."""
    with rig(folder, 7, near=True) as shop:
        for _ in range(rounds):
            for shift_s in (-3600.0, 0.0):
                shop.shift_clock(shift_s)
                shop.sensors.send(60)
                shop.sensors.flush()
                time.sleep(0.3)
        outcome = shop.outcome()
    how = "the service's clock set 1 h behind: what the sensors tell lies in its future"
    return Told("clock an hour behind", how, rounds, outcome)


ALL: tuple[Callable[[Path, int], Told], ...] = (
    service_killed,
    broker_killed,
    disk_full,
    broker_gone,
    database_locked,
    clock_stepped,
    clock_behind,
)


@contextlib.contextmanager
def _small_disk(folder: Path) -> Iterator[tuple[Path, str]]:
    """Make a file system of a few megabytes; where that may not be done, bound the file's size.

    That bounds a file that the service writes, so with PostgreSQL there is nothing to be done.
    """
    # PostgreSQL has a user of its own, who does not reach into a test's folder.
    mount = databases.reachable() if databases.ON_POSTGRESQL else folder / "data"
    mount.mkdir(parents=True, exist_ok=True)
    how = ["mount", "-t", "tmpfs", "-o", f"size={DISK_BYTES}", "boothglass-test", str(mount)]
    if (
        shutil.which("mount")
        and not subprocess.run(how, capture_output=True, check=False).returncode
    ):
        try:
            yield mount, f"a file system of {DISK_BYTES >> 20} MiB (tmpfs) without room"
        finally:
            subprocess.run(["umount", "-l", str(mount)], check=True)
    elif databases.ON_POSTGRESQL:
        pytest.skip("no file system can be mounted here")
    else:
        yield mount, "the largest size of a file (RLIMIT_FSIZE) reached"


@contextlib.contextmanager
def _database_on(disk: Path, folder: Path) -> Iterator[Path]:
    """Let the database lie on that disk; give its data folder."""
    data = folder / "data" if databases.ON_POSTGRESQL else disk
    with databases.on_disk(data, disk):
        yield data


@contextlib.contextmanager
def _filled(shop: Rig, disk: Path, how: str) -> Iterator[None]:
    """Leave next to no room, then all of it."""
    if "tmpfs" in how:
        filler = disk / "filler"
        free = os.statvfs(disk)
        # The service may take some of it meanwhile: then it is full already.
        with contextlib.suppress(OSError), filler.open("wb", buffering=0) as out:
            out.write(bytes(max(0, free.f_bavail * free.f_frsize - 32 * 1024)))
        yield
        filler.unlink()
        return
    assert shop.service.process is not None
    pid = shop.service.process.pid
    file = sqlite_path(shop.data)
    log = file.with_name(f"{file.name}-wal")
    most = max(file.stat().st_size, log.stat().st_size) + 32 * 1024
    _, hard = resource.prlimit(pid, resource.RLIMIT_FSIZE)
    resource.prlimit(pid, resource.RLIMIT_FSIZE, (most, hard))
    yield
    resource.prlimit(pid, resource.RLIMIT_FSIZE, (hard, hard))
