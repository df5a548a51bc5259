"""Keys of sensors: kept hashed as Mosquitto keeps them, and codes that are good once."""

from __future__ import annotations

import base64
import subprocess
import threading
from pathlib import Path

import pytest
from equipment import SetClock, command
from sqlmodel import select

from service.store.errors import BadInput, Conflict, NotFound
from service.store.secrets_kept import CODE_LETTERS, CODE_LONG, fits, hashed
from service.store.sensor_keys import CODE_LIVES, MOST_CODES, SensorKeys, Wanted
from service.store.tables import PairingCode, SensorKey


@pytest.fixture
def wall_time() -> SetClock:
    """The machine's time, beside the shop's."""
    return SetClock()


@pytest.fixture
def keys(database, clock, wall_time) -> SensorKeys:
    return SensorKeys(database, clock, wall_time)


@pytest.mark.real
def test_a_hash_is_the_one_that_mosquitto_makes(tmp_path: Path) -> None:
    """``mosquitto_passwd`` writes PBKDF2-SHA512, as ``$7$rounds$salt$digest``."""
    file = tmp_path / "passwords"
    how = [command("mosquitto_passwd"), "-b", "-c", str(file), "booth.wall", "a secret: so"]
    subprocess.run(how, check=True, capture_output=True)
    user, kept = file.read_text().strip().split(":", 1)
    assert user == "booth.wall"
    assert fits("a secret: so", kept)
    assert not fits("a secret: no", kept)
    _, kind, rounds, salt, _ = kept.split("$")
    assert hashed("a secret: so", rounds=int(rounds), salt=base64.b64decode(salt)) == kept
    assert kind == "7"


@pytest.mark.parametrize(
    "kept", ["", "plain", "$6$101$AAAA$AAAA", "$7$0$AAAA$AAAA", "$7$x$AAAA$AAAA", "$7$1$!$!",
             "$7$99999999999$AAAA$AAAA", "$7$101$AAAA$", "x$7$101$AAAA$AAAA"],
)  # fmt: skip
def test_what_is_no_hash_fits_nothing(kept: str) -> None:
    assert not fits("", kept)
    assert not fits("plain", kept)


def test_a_secret_is_shown_once_and_kept_hashed(keys, database) -> None:
    made = keys.make(Wanted("booth", "wall"))
    assert (made.user, made.topics) == ("booth.wall", ("boothglass/booth/wall",))
    with database.read() as session:
        row = session.get(SensorKey, made.user)
    assert made.secret not in str(row.model_dump())
    assert fits(made.secret, row.secret_hash)
    again = keys.make(Wanted("booth", "wall"))
    assert again.secret != made.secret
    (live,) = keys.live()
    assert fits(again.secret, live.secret_hash)
    assert not fits(made.secret, live.secret_hash)


def test_an_ended_key_keeps_no_hash(keys, database) -> None:
    keys.make(Wanted("booth", "wall"))
    keys.end("booth.wall")
    assert keys.live() == []
    with database.read() as session:
        assert session.get(SensorKey, "booth.wall").secret_hash == ""
    with pytest.raises(NotFound):
        keys.end("booth.wall")
    keys.make(Wanted("booth", "wall"))
    assert len(keys.live()) == 1


@pytest.mark.parametrize(("wanted", "field"), [
    (Wanted("booth", ""), "sensor"),
    (Wanted("booth", "a b"), "sensor"),
    (Wanted("notices", "wall"), "place"),
    (Wanted("$intake", "wall"), "place"),
    (Wanted("", "wall"), "place"),
    (Wanted("", "boothglass", ("hall/#",)), "sensor"),
    (Wanted("", "sensor", ("hall/#",)), "sensor"),
    *[(Wanted("", "w1", (topic,)), "topics") for topic in (
        "#", "+/a", "hall/+/x", "hall#", "/#", "", "boothglass/booth/wall", "boothglass/#",
        "$SYS/x", "$share/a/hall", "a\nuser evil", "a\ntopic write #", "hall/%u", "x" * 300,
    )],
    (Wanted("", "w1", (), ("boothglass/+/+",)), "reads"),
    (Wanted("", "w1", (), ("#",)), "reads"),
    (Wanted("", "w1", tuple(f"t/{n}" for n in range(21))), "topics"),
])  # fmt: skip
def test_a_key_gives_no_more_than_a_device_may_have(keys, wanted, field) -> None:
    for make in (keys.make, keys.open_code):
        with pytest.raises(BadInput) as refused:
            make(wanted)
        assert refused.value.field == field


def test_a_code_is_good_once(keys, database) -> None:
    code, _ = keys.open_code(Wanted("booth", "wall"))
    assert len(code) == CODE_LONG
    assert set(code) <= set(CODE_LETTERS)
    with database.read() as session:
        assert code not in str(session.exec(select(PairingCode)).one().model_dump())
    made = keys.redeem(f" {code[:4].lower()}-{code[4:]}")
    assert made is not None
    assert made.user == "booth.wall"
    assert keys.redeem(code) is None
    assert fits(made.secret, keys.live()[0].secret_hash)


def test_a_code_runs_out_by_the_machines_time(keys, clock, wall_time) -> None:
    code, until = keys.open_code(Wanted("booth", "wall"))
    clock.advance(days=3)  # the shop's clock may race
    wall_time.at = until - CODE_LIVES / 10
    other, _ = keys.open_code(Wanted("booth", "rail"))
    wall_time.at = until
    assert keys.redeem(code) is None
    assert keys.redeem(other) is not None
    assert keys.redeem("AAAAAAAA") is None
    assert keys.redeem("") is None


def test_of_many_devices_with_one_code_one_is_let_in(keys) -> None:
    code, _ = keys.open_code(Wanted("booth", "wall"))
    found: list[object] = []
    threads = [threading.Thread(target=lambda: found.append(keys.redeem(code))) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(found) == 8
    assert sum(one is not None for one in found) == 1


def test_codes_that_are_open_at_once_are_bounded(keys, wall_time) -> None:
    for number in range(MOST_CODES):
        keys.open_code(Wanted("booth", f"s{number}"))
    with pytest.raises(Conflict):
        keys.open_code(Wanted("booth", "more"))
    wall_time.advance(minutes=11)
    keys.open_code(Wanted("booth", "more"))
