"""Two shops of one PostgreSQL database, and an owner who asks at home for what is the other's.

Shop b asks its own pages and API for every number, word, cookie, token, link and key of shop a.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import anyrows
import databases
import httpx
import pytest
from PIL import Image
from signinkit import FINISHER, OWNER, PASSWORD, GuardedShop
from sqlalchemy import text
from sqlmodel import SQLModel

from service.store.db import Database
from service.store.kinds import Kinds
from service.store.secrets_kept import fits
from service.store.sensor_keys import SensorKeys, Wanted
from service.store.tables import Channel, Correction, Delivery, Verdict
from service.web.signin.rights_table import ROUTES

HIDDEN = "hush-a"
API = "/api/v1"

TABLE_OF = {
    "photo": "flawphoto", "session": "devicesession", "token": "apitoken", "move": "hanging",
    "row": "coat",
}  # fmt: skip
"""Tables whose rows a route calls by another name."""

FREE = {
    "place": ("name",), "instrument": ("kind", "woods"), "coat": ("note", "who"),
    "stepdone": ("note",), "flaw": ("note", "who"), "notice": ("text",), "channel": ("name",),
    "reject": ("topic", "reason"), "apitoken": ("name",), "devicesession": ("device",),
    "verdict": ("who",), "correction": ("who",), "sensorkind": ("name",),
}  # fmt: skip
"""Columns in which people write what they like."""


SHOWN_AT_HOME = (
    "/", "/instruments", "/flaws", "/notices", "/rejects", "/places", "/listening/kinds",
    "/settings/access", f"{API}/places", f"{API}/instruments", f"{API}/flaws", f"{API}/notices",
    f"{API}/rejects", f"{API}/sensor-kinds",
)  # fmt: skip


class Pair:
    """Shop a, in which something of everything is kept, and shop b with a little of its own."""

    def __init__(self, folder: Path) -> None:
        hosting = databases.hosting("hostile_web", "a", "b")
        self.shops = hosting.shops(folder)
        self.a, self.b = (
            GuardedShop(self.shops.folder(key), db=self.shops.open(key)) for key in ("a", "b")
        )
        self.owner_of_a, self.owner_of_b = self.a.owner(), self.b.owner()
        self.a.invited(FINISHER, "finisher")
        for _ in range(3):
            work(self.a)
        work(self.b)
        values = {"air_c": {"pointer": "", "unit": "°C"}, "rh_pct": {"pointer": "/h", "unit": "%"}}
        spec = {"topic": "hygro/air", "place": "booth", "sensor": "h", "values": values}
        self.kind = Kinds(self.a.db, self.a.clock).adopt("Hygro", spec).id
        with self.a.db.write() as session:
            for table, columns in FREE.items():
                for column in columns:
                    session.connection().execute(text(f"UPDATE {table} SET {column} = '{HIDDEN}'"))  # noqa: S608

    def close(self) -> None:
        self.a.close()
        self.b.close()
        self.shops.dispose()


def work(shop: GuardedShop) -> None:
    """A piece that is coated, judged and flawed, with a photo and all that belongs to it."""
    with shop.db.read() as session:
        count = session.connection().execute(text("SELECT count(*) FROM instrument")).scalar_one()
    number = str(count + 1)
    shop.read_day("booth", 22.0, 45.0, hours=6)
    piece = shop.add_piece(number)
    coat = shop.work.record_coat(piece, at=shop.clock.now() - timedelta(hours=4))
    shop.tell("recoat-ready", f"No. {number}: ready")
    shop.reject(b"{", "air_c", number)
    now = shop.clock.now()
    with shop.db.write() as session:
        (person,) = (p for p in shop.people.people() if p.name == OWNER)
        channel = Channel(person_id=person.id, kind="webhook", name=number, made_at=now)
        session.add(channel)
        session.flush()
        session.add(
            Delivery(
                key=number, group_key="g", notices=[1], kind="recoat-ready", person_id=person.id,
                channel_id=channel.id, due_at=now, state="sent", made_at=now,
                ack_token=f"{'a' * 20}{number}",
            )
        )  # fmt: skip
        session.add(
            Verdict(coat_id=coat.id, material_id="x", mark="recoat", said="clean", at=now,
                    hours=1.0, made_at=now)
        )  # fmt: skip
        session.add(
            Correction(sensor_id=1, quantity="air_c", from_at=now, method="typed in", made_at=now)
        )
    shop.program("read")
    flaw = {"instrument": piece, "kind": "blush", "severity": 2}
    browser = shop.browsers[0]
    answer = browser.post(f"{API}/flaws", json=flaw)
    assert answer.status_code == 201, answer.text
    picture = io.BytesIO()
    Image.new("RGB", (40, 30), (count, 80, 40)).save(picture, "JPEG")
    path = f"{API}/flaws/{answer.json()['id']}/photos"
    answer = browser.post(path, files={"photo": ("f.jpg", picture.getvalue(), "image/jpeg")})
    assert answer.status_code == 201, answer.text


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Pair]:
    made = Pair(tmp_path_factory.mktemp("host"))
    yield made
    made.close()


def content(db: Database) -> dict[str, list[dict[str, Any]]]:
    with db.read() as session:
        return anyrows.content(session.connection())


def last_of(db: Database, table: str) -> int:
    with db.read() as session:
        found = session.connection().execute(text(f"SELECT max(id) FROM {table}"))  # noqa: S608
        return int(found.scalar() or 0)


def asked(pair: Pair) -> Iterator[tuple[str, str, bool]]:
    """Every method and path that names a row of shop a, and whether b has none of that name."""
    for template, by in ROUTES.items():
        names = re.findall(r"\{(\w+)(?::int)?\}", template)
        if not names or {"secret", "token"} & set(names):
            continue
        values: dict[str, str] = {}
        foreign = False
        for name in names:
            table = TABLE_OF.get(name.removesuffix("_id"), name.removesuffix("_id"))
            if name == "kind_id":
                values[name], foreign = pair.kind, True
            elif table in SQLModel.metadata.tables and table != "place":
                values[name] = str(last_of(pair.a.db, table))
                foreign |= last_of(pair.b.db, table) < int(values[name])
            else:
                values[name] = "booth" if name == "place_id" else "no-such"
        path = template.replace(":int}", "}").format(**values)
        yield from ((method, path, foreign) for method in by)


def test_what_is_shown_at_home_is_shown_to_no_other_shop(pair: Pair) -> None:
    shown = set()
    for method, path, foreign in asked(pair):
        if method != "GET":
            continue
        home = pair.owner_of_a.get(path)
        away = pair.owner_of_b.get(path)
        assert HIDDEN not in away.text, path
        assert away.status_code < 500, (path, away.status_code)
        if home.status_code == 200 and foreign:
            assert away.status_code == 404, (path, away.status_code)
            if HIDDEN in home.text or home.headers["content-type"].startswith("image/"):
                shown.add(path)
    assert len(shown) >= 8, shown  # at home there was something to be seen


def test_lists_and_pages_hold_nothing_of_another_shop(pair: Pair) -> None:
    for path in SHOWN_AT_HOME:
        assert HIDDEN in pair.owner_of_a.get(path).text, path
    for path, by in ROUTES.items():
        if "GET" in by and "{" not in path and path != f"{API}/events":
            assert HIDDEN not in pair.owner_of_b.get(path).text, path


def test_nothing_that_is_sent_in_one_shop_changes_another(pair: Pair) -> None:
    before = content(pair.a.db)
    told, body = 0, {"note": "mine", "who": "b", "undone": True, "place": "booth", "seen": True}
    for method, path, foreign in asked(pair):
        if method == "GET" or "/sign-in/devices/" in path:
            continue
        for given in ({"json": body}, {"data": body}, {}):
            answer = pair.owner_of_b.request(method, path, **given)
            assert HIDDEN not in answer.text, path
            assert answer.status_code < 500, (method, path, answer.text)
            told += foreign and answer.status_code == 404
    assert told >= 30
    assert content(pair.a.db) == before


@pytest.mark.parametrize("kind", ["cookie of an owner", "cookie of a wall", "token"])
def test_who_is_in_at_one_shop_is_a_stranger_in_another(pair: Pair, kind: str) -> None:
    known, path = {
        "cookie of an owner": (lambda: pair.owner_of_a, f"{API}/instruments"),
        "cookie of a wall": (pair.a.wall, "/wall"),
        "token": (lambda: pair.a.program("write"), f"{API}/instruments"),
    }[kind]
    known = known()
    assert known.get(path).status_code == 200
    headers = {k: v for k, v in known.headers.items() if k in {"authorization", "origin"}}
    with httpx.Client(base_url=pair.b.url, cookies=dict(known.cookies), headers=headers) as away:
        for asked_for in (path, f"{API}/places", f"{API}/events"):
            assert away.get(asked_for).status_code == 401
        assert away.post(f"{API}/places", json={"id": "x", "name": "x"}).status_code in {401, 403}
        page = away.get(path, headers={"accept": "text/html"})
        assert page.status_code in {303, 401}


def test_links_passwords_and_codes_lead_nowhere_in_another_shop(pair: Pair) -> None:
    links = pair.a.doors.links
    person = next(p.id for p in pair.a.people.people() if p.name == FINISHER)
    before = content(pair.a.db)
    for secret in (links.make("owner", "owner"), links.make("invite", "guest", person),
                   links.make("wall")):  # fmt: skip
        stranger = pair.b.browser()
        assert stranger.get(f"/welcome/{secret}").status_code in {404, 410}
        given = {"name": "Mallory", "password": PASSWORD}
        assert stranger.post(f"/welcome/{secret}", data=given).status_code in {404, 410}
    calendar = re.search(r"/calendar/([\w-]+)\.ics", pair.owner_of_a.get("/settings/calendar").text)
    assert calendar is not None
    assert pair.a.browser().get(f"/calendar/{calendar[1]}.ics").status_code == 200
    assert pair.b.browser().get(f"/calendar/{calendar[1]}.ics").status_code == 404
    token = f"{'a' * 20}3"
    assert pair.a.browser().get(f"/n/{token}").status_code == 200
    assert pair.b.browser().get(f"/n/{token}").status_code == 404
    # The finisher of a is nobody in b, though the owner there has the same name and password.
    answer = pair.b.browser().post("/sign-in", data={"name": FINISHER, "password": PASSWORD})
    assert answer.status_code == 422
    assert not answer.cookies
    after = content(pair.a.db)
    for table in ("account", "person", "instrument", "delivery"):
        assert after[table] == before[table]


def test_keys_of_sensors_fit_in_their_own_shop_alone(pair: Pair) -> None:
    keys = {shop: SensorKeys(shop.db, shop.clock) for shop in (pair.a, pair.b)}
    same = Wanted("booth", "rail", (), ())
    made = {shop: book.make(same) for shop, book in keys.items()}
    assert made[pair.a].user == made[pair.b].user
    (kept,) = keys[pair.b].live()
    assert fits(made[pair.b].secret, kept.secret_hash)
    assert not fits(made[pair.a].secret, kept.secret_hash)
    code, _ = keys[pair.a].open_code(Wanted("booth", "new", (), ()))
    assert pair.b.http.post(f"{API}/pairing", json={"code": code}).status_code == 403
    assert pair.a.http.post(f"{API}/pairing", json={"code": code}).status_code == 200
