"""Back-ups of a shop at work, brought back whole or not at all."""

from __future__ import annotations

import io
import os
import signal
import sqlite3
import stat
import subprocess
import sys
import tarfile
import time
from datetime import UTC, datetime, timedelta
from datetime import time as hour_of_day
from pathlib import Path
from zoneinfo import ZoneInfo

import databases
import pyrage
import pytest
from batches import AT, coming, readings
from equipment import SetClock, eventually, free_port
from hypothesis import given
from hypothesis import strategies as st

from service.backup.archive import make, restore
from service.backup.errors import BackupError
from service.backup.keeper import Keeper
from service.backup.names import Keep, made_at, name_of, to_drop
from service.backup.stores import Folder, store_of
from service.store.db import Database, DatabaseError, sqlite_path, sqlite_url
from service.store.readings import record_batch

pytestmark = databases.names_its_own

BOOTHGLASS = str(Path(sys.executable).with_name("boothglass"))


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    data = tmp_path / "shop"
    data.mkdir()
    database = Database(sqlite_url(data))
    database.upgrade()
    for n in range(50):
        with database.write() as session:
            record_batch(session, readings(n))
    database.dispose()
    (data / "boothglass.env").write_text("BOOTHGLASS_UNITS=us\n")
    (data / "photos").mkdir()
    (data / "photos" / "a.jpg").write_bytes(os.urandom(3_000_000))
    (data / ".figures").mkdir()
    (data / ".figures" / "1.txt").write_text("there for a moment")
    return data


def counted(folder: Path) -> int:
    with sqlite3.connect(sqlite_path(folder)) as database:
        return int(database.execute("SELECT count(*) FROM reading").fetchone()[0])


def test_what_comes_back_is_what_was_there(shop: Path, tmp_path: Path) -> None:
    made = make(shop, tmp_path / "b.tar.gz", AT, recipient=None)
    back = restore(tmp_path / "b.tar.gz", tmp_path / "new" / "shop")
    assert back == made
    assert back.made_at == AT
    assert counted(tmp_path / "new" / "shop") == 100
    for name in ("boothglass.env", "photos/a.jpg"):
        assert (tmp_path / "new/shop" / name).read_bytes() == (shop / name).read_bytes()
    assert not (tmp_path / "new/shop/.figures").exists()
    assert [p.name for p in (tmp_path / "new").iterdir()] == ["shop"]  # nothing left beside it


def test_any_tar_can_open_it(shop: Path, tmp_path: Path) -> None:
    make(shop, tmp_path / "b.tar.gz", AT, recipient=None)
    listed = subprocess.run(
        ["tar", "-tzf", str(tmp_path / "b.tar.gz")], capture_output=True, text=True, check=True
    )
    assert listed.stdout.splitlines()[0] == "manifest.json"
    assert "boothglass.sqlite" in listed.stdout.splitlines()


def test_nobody_else_reads_a_back_up_or_what_came_of_it(shop: Path, tmp_path: Path) -> None:
    make(shop, tmp_path / "b.tar.gz", AT, recipient=None)
    restore(tmp_path / "b.tar.gz", tmp_path / "new")
    back = [
        tmp_path / "b.tar.gz",
        *(tmp_path / "new" / n for n in ("boothglass.env", "photos/a.jpg")),
    ]
    assert {stat.S_IMODE(path.stat().st_mode) for path in back} == {0o600}


def test_while_readings_keep_coming_a_copy_holds_whole_batches(shop: Path, tmp_path: Path) -> None:
    counts = []
    with coming(sqlite_url(shop)) as written:
        for n in range(4):
            before = len(written)
            make(shop, tmp_path / f"{n}.tar.gz", AT, recipient=None)
            restore(tmp_path / f"{n}.tar.gz", tmp_path / f"back{n}")
            counts.append(counted(tmp_path / f"back{n}"))
            assert counts[-1] % 2 == 0
            assert counts[-1] >= 100 + 2 * before
    assert counts == sorted(counts)
    assert written[-1] > 60  # nobody had to wait for a back-up


@pytest.mark.parametrize("where", [0.001, 0.3, 0.5, 0.9, 0.999])
def test_a_damaged_file_brings_nothing_back(shop: Path, tmp_path: Path, where: float) -> None:
    file = tmp_path / "b.tar.gz"
    make(shop, file, AT, recipient=None)
    body = bytearray(file.read_bytes())
    body[int(where * len(body))] ^= 0xFF
    file.write_bytes(bytes(body))
    with pytest.raises((BackupError, DatabaseError)):
        restore(file, tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_a_file_cut_short_brings_nothing_back(shop: Path, tmp_path: Path) -> None:
    file = tmp_path / "b.tar.gz"
    make(shop, file, AT, recipient=None)
    for part in (0.0, 0.01, 0.5, 0.99):
        short = tmp_path / "short.tar.gz"
        short.write_bytes(file.read_bytes()[: int(part * file.stat().st_size)])
        with pytest.raises(BackupError):
            restore(short, tmp_path / "new")
        assert not (tmp_path / "new").exists()


def test_a_tar_that_points_outside_stays_inside(shop: Path, tmp_path: Path) -> None:
    make(shop, tmp_path / "b.tar.gz", AT, recipient=None)
    evil = tmp_path / "evil.tar.gz"
    with tarfile.open(tmp_path / "b.tar.gz") as good, tarfile.open(evil, "w:gz") as bad:
        for member in good:
            body = good.extractfile(member)
            assert body is not None
            text = body.read()
            if member.name == "manifest.json":
                text = text.replace(b'"photos/a.jpg"', b'"../escaped.jpg"')
                member.size = len(text)
            if member.name == "photos/a.jpg":
                member.name = "../escaped.jpg"
            bad.addfile(member, io.BytesIO(text))
    with pytest.raises(BackupError):
        restore(evil, tmp_path / "into" / "new")
    assert not list(tmp_path.rglob("escaped.jpg"))


def test_a_folder_in_use_is_left_alone(shop: Path, tmp_path: Path) -> None:
    make(shop, tmp_path / "b.tar.gz", AT, recipient=None)
    with pytest.raises(BackupError, match="not empty"):
        restore(tmp_path / "b.tar.gz", shop)
    assert counted(shop) == 100


def test_encrypted_to_a_key_that_is_elsewhere(shop: Path, tmp_path: Path) -> None:
    mine, other = (pyrage.x25519.Identity.generate() for _ in range(2))
    file = tmp_path / "b.tar.gz.age"
    make(shop, file, AT, recipient=str(mine.to_public()))
    # The format's own first line, by its specification (age-encryption.org/v1).
    assert file.read_bytes().startswith(b"age-encryption.org/v1\n")
    key = tmp_path / "key.txt"
    with pytest.raises(BackupError, match="--identity"):
        restore(file, tmp_path / "new")
    key.write_text(f"# not this one\n{other}\n")
    with pytest.raises(BackupError, match="cannot be opened"):
        restore(file, tmp_path / "new", identity=key)
    key.write_text(f"# made today\n{mine}\n")
    restore(file, tmp_path / "new", identity=key)
    assert counted(tmp_path / "new") == 100
    with pytest.raises(BackupError, match="age1"):
        make(shop, tmp_path / "c.age", AT, recipient="age1nonsense")
    assert not (tmp_path / "c.age").exists()


# -- which ones stay -----------------------------------------------------------------------------


def test_days_weeks_and_months_stay() -> None:
    names = [name_of(AT - timedelta(days=d), encrypted=d % 2 == 0) for d in range(400)]
    gone = set(to_drop(names, Keep(days=7, weeks=4, months=12)))
    kept = [made_at(n) for n in names if n not in gone]
    assert [(AT - at).days for at in kept if at][:7] == list(range(7))
    assert len(kept) <= 7 + 4 + 12
    assert max((AT - at).days for at in kept if at) > 300
    assert set(to_drop([*names, "notes.txt", "boothglass-x.tar.gz"], Keep())) == gone


@given(
    st.lists(st.integers(0, 60_000), min_size=1, unique=True),
    st.builds(Keep, st.integers(0, 9), st.integers(0, 9), st.integers(0, 9)),
)
def test_the_newest_always_stays_and_dropping_again_drops_nothing(
    hours: list[int], keep: Keep
) -> None:
    names = [name_of(AT - timedelta(hours=h), encrypted=False) for h in hours]
    gone = to_drop(names, keep)
    left = [n for n in names if n not in gone]
    assert max(names) in left
    assert to_drop(left, keep) == []


# -- by schedule ---------------------------------------------------------------------------------


def keeper(shop: Path, store: Folder, clock: SetClock) -> Keeper:
    zone = ZoneInfo("Europe/Lisbon")
    return Keeper(shop, store, clock, daily_at=hour_of_day(3, 0), zone=zone, keep=Keep(3, 0, 0))


def test_one_a_day_across_restarts_and_a_change_of_the_clocks(shop: Path, tmp_path: Path) -> None:
    clock, store = SetClock(datetime(2026, 3, 27, 12, tzinfo=UTC)), Folder(tmp_path / "kept")
    made = []
    for hour in range(5 * 24):
        if hour % 7 == 0:
            now = keeper(shop, store, clock)  # started anew
        done = now.step()
        if done is not None:
            made.append(clock.now().astimezone(ZoneInfo("Europe/Lisbon")))
        clock.advance(hours=1)
    # The first at once; then each day in the hour after three o'clock, summer time or not.
    assert [at.strftime("%d %H") for at in made] == [
        "27 12", "28 03", "29 03", "30 03", "31 03", "01 03",
    ]  # fmt: skip
    assert len(store.names()) == 3
    assert now.worries() == []


def test_what_goes_wrong_is_told_and_tried_again(shop: Path, tmp_path: Path) -> None:
    clock, file = SetClock(AT), tmp_path / "kept"
    file.write_text("a file where the folder should be")
    now = keeper(shop, Folder(file), clock)
    assert now.step() is None
    assert "back-up failed" in now.worries()[0]
    file.unlink()
    assert now.step() is None  # not at once
    clock.advance(minutes=31)
    assert now.step() is not None
    assert now.worries() == []
    assert not list(shop.glob(".backup-*"))


def test_back_ups_inside_the_data_folder_do_not_hold_each_other(shop: Path) -> None:
    clock, store = SetClock(AT), Folder(shop / "backups")
    now = keeper(shop, store, clock)
    first = now.make_now()
    clock.advance(days=1)
    assert now.make_now().contents.files == first.contents.files


# -- for real ------------------------------------------------------------------------------------


@pytest.mark.real
def test_killed_at_any_moment_no_half_of_a_shop_is_left(shop: Path, tmp_path: Path) -> None:
    kept, back = tmp_path / "kept", tmp_path / "back"
    environment = os.environ | {"BOOTHGLASS_DATA": str(shop)}
    whole = halves = 0
    wait_s = 0.5
    for n in range(8):
        file = max(kept.glob("*.gz"), default=None) if kept.exists() else None
        command = ["backup", str(kept)] if n % 2 == 0 or file is None else None
        command = command or ["restore", str(file), str(back)]
        process = subprocess.Popen(
            [BOOTHGLASS, *command],
            env=environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        time.sleep(wait_s)
        wait_s += 0.15
        halves += process.poll() is None
        process.send_signal(signal.SIGKILL)
        process.wait()
        for made in kept.glob("boothglass-*") if kept.exists() else ():
            restore(made, tmp_path / f"look{n}-{made.name}")  # each that has its name is whole
            whole += 1
        if back.exists():
            assert counted(back) == 100
            back.rename(tmp_path / f"back{n}")
    subprocess.run([BOOTHGLASS, "backup", str(kept)], env=environment, check=True)
    assert halves > 2
    assert counted(shop) == 100


@pytest.mark.real
def test_a_bucket_over_http(shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Against a server that speaks S3, as a process of its own."""
    for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY"):
        monkeypatch.setenv(name, "testing")
    monkeypatch.setenv("AWS_DEFAULT_REGION", "us-east-1")
    port = free_port()
    endpoint = f"http://127.0.0.1:{port}"
    server = subprocess.Popen(
        [sys.executable, "-m", "moto.server", "-p", str(port)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        import boto3
        from botocore.exceptions import BotoCoreError

        client = boto3.client("s3", endpoint_url=endpoint)

        def there() -> bool:
            try:
                client.create_bucket(Bucket="kept")
            except BotoCoreError:
                return False
            return True

        eventually(there, 60, "the store answers")
        environment = os.environ | {
            "BOOTHGLASS_DATA": str(shop),
            "BOOTHGLASS_BACKUP_TO": "s3://kept/shop",
            "BOOTHGLASS_BACKUP_ENDPOINT": endpoint,
        }

        def run(*arguments: str) -> subprocess.CompletedProcess[str]:
            return subprocess.run(
                [BOOTHGLASS, *arguments],
                env=environment,
                capture_output=True,
                text=True,
                check=False,
            )

        assert run("backup").returncode == 0
        listed = run("backup", "--list").stdout.split()
        assert len(listed) == 1
        assert run("restore", listed[0], str(tmp_path / "new")).returncode == 0
        assert counted(tmp_path / "new") == 100
        store = store_of("s3://kept/shop", endpoint)
        store.drop(listed[0])
        assert store.names() == []
        refused = run("backup", "s3://absent/shop")
        assert refused.returncode == 2
        assert "absent" in refused.stderr
        client.close()
    finally:
        server.terminate()
        server.wait()
