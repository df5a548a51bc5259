"""Payloads that could not be used are kept with the reason, and bounded."""

from __future__ import annotations

from datetime import UTC, datetime

from service.store import rejects
from service.store.rejects import KEPT_BYTES
from service.store.tables import Reject

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def reject(payload: bytes = b"?", **changes: object) -> Reject:
    fields = {
        "received_at": NOW, "topic": "boothglass/booth/wall", "size_bytes": len(payload),
        "payload": payload, "field": "payload", "reason": "is not JSON",
    }  # fmt: skip
    return Reject(**(fields | changes))


def test_newest_first_and_counted(database):
    for number in range(5):
        with database.write() as session:
            rejects.keep(session, reject(reason=f"reason {number}"))
    with database.read() as session:
        assert rejects.count(session) == 5
        assert [r.reason for r in rejects.recent(session, 2)] == ["reason 4", "reason 3"]


def test_a_large_payload_is_cut_and_its_size_noted(database):
    with database.write() as session:
        rejects.keep(session, reject(b"x" * 100_000))
    with database.read() as session:
        (row,) = rejects.recent(session)
    assert row.payload == b"x" * KEPT_BYTES
    assert row.size_bytes == 100_000


def test_any_text_and_any_bytes_can_be_kept(database):
    with database.write() as session:
        rejects.keep(
            session,
            reject(
                bytes(range(256)),
                topic="boothglass/\x00/" + "t" * 1000,
                field="\ud800" + "f" * 100,
                reason="a lone \udfff half and \x00" + "r" * 1000,
            ),
        )
    with database.read() as session:
        (row,) = rejects.recent(session)
    assert row.payload == bytes(range(256))
    assert row.topic.startswith("boothglass/\\0/t")
    assert row.field.startswith("\\ud800f")
    assert row.reason.startswith("a lone \\udfff half and \\0r")
    assert [len(row.topic), len(row.field), len(row.reason)] == [512, 64, 500]


def test_a_flood_drops_the_oldest(database, monkeypatch):
    monkeypatch.setattr(rejects, "KEPT_ROWS", 10)
    for number in range(25):
        with database.write() as session:
            rejects.keep(session, reject(reason=f"reason {number}"))
    with database.read() as session:
        assert rejects.count(session) == 10
        assert rejects.recent(session, 100)[-1].reason == "reason 15"
