"""The outbox over a real database: told once, held, grouped, tried again, given up, answered."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta

import pytest
from equipment import SetClock
from outboxkit import Kit
from sqlmodel import Session

from service.shop.telling import PATIENCE
from service.store import outbox as outbox_module
from service.store.errors import NotFound
from service.store.outbox import LEASE, Outbox


@pytest.fixture
def kit(database, clock) -> Kit:
    return Kit(database, clock)


def ids(claimed):
    return [(c.channel_id, tuple(n.id for n in c.notices)) for c in claimed]


def test_what_is_told_once_is_never_told_again(kit):
    ana, (push,) = kit.person("Ana", "first", group_min=0)
    one = kit.notice()
    assert ids(kit.send_all()) == [(push, (one,))]
    kit.clock.advance(days=3)
    assert kit.outbox.tell() == 0
    assert kit.send_all() == []
    assert [(r.person_id, r.state, r.tries) for r in kit.rows()] == [(ana, "sent", 1)]


def test_a_notice_before_there_were_people_is_no_news_to_them(kit):
    kit.notice()
    kit.send_all()
    kit.person("Ana", "first", group_min=0)
    assert kit.send_all() == []


def test_pieces_that_come_ready_together_are_one_message(kit):
    _, (push,) = kit.person("Ana", "first", group_min=5)
    first = kit.notice()
    assert kit.send_all() == []
    kit.clock.advance(minutes=4)
    second, silent = kit.notice(), kit.notice("sensor-silent")
    assert kit.send_all() == []
    kit.clock.advance(minutes=1)
    assert ids(kit.send_all()) == [(push, (first, second))]
    assert kit.rows()[0].tries == 1
    late = kit.notice()
    kit.outbox.tell()
    kit.clock.advance(minutes=5)
    assert sorted(ids(kit.send_all())) == [(push, (silent,)), (push, (late,))]


def test_quiet_hours_hold_until_the_morning_and_stop_spraying_breaks_them(kit):
    _, (push,) = kit.person("Ana", "first", group_min=0, quiet_from="21:00", quiet_until="07:00")
    kit.clock.at = datetime(2026, 3, 2, 22, 0, tzinfo=UTC)
    sand, stop = kit.notice(), kit.notice("stop-spraying")
    assert ids(kit.send_all()) == [(push, (stop,))]
    kit.clock.at = datetime(2026, 3, 3, 6, 59, tzinfo=UTC)
    more = kit.notice()
    assert kit.send_all() == []
    kit.clock.at = datetime(2026, 3, 3, 7, 0, tzinfo=UTC)
    assert ids(kit.send_all()) == [(push, (sand, more))]


def test_a_try_that_comes_due_at_night_waits_for_the_morning(kit):
    kit.person("Ana", "first", group_min=0, quiet_from="21:00", quiet_until="07:00")
    kit.clock.at = datetime(2026, 3, 2, 20, 59, 50, tzinfo=UTC)
    kit.notice()
    kit.outbox.tell()
    claimed = kit.outbox.claim()
    kit.outbox.later(claimed.id, "no connection")
    kit.clock.at = datetime(2026, 3, 2, 21, 10, tzinfo=UTC)
    assert kit.outbox.claim() is None
    assert kit.rows()[0].due_at == datetime(2026, 3, 3, 7, 0, tzinfo=UTC)
    kit.clock.at = datetime(2026, 3, 3, 7, 0, tzinfo=UTC)
    assert kit.outbox.claim().id == claimed.id


def escalating(kit):
    ben, (his,) = kit.person("Ben", "first", kinds=[])
    _, (push, mail) = kit.person("Ana", "first", "later", escalate_min=10, then_person=ben)
    return push, mail, his


def test_without_a_reaction_the_next_channel_and_then_the_next_person(kit):
    push, mail, his = escalating(kit)
    kit.notice("stop-spraying")
    told = []
    for _ in range(5):
        told.append([(c.channel_id, c.no_answer_from) for c in kit.send_all()])
        kit.clock.advance(minutes=5)
    assert told == [[(push, None)], [], [(mail, None)], [], [(his, "Ana")]]


@pytest.mark.parametrize("how", ["message", "page"])
def test_a_reaction_ends_it(kit, how):
    escalating(kit)
    notice = kit.notice("stop-spraying")
    (first,) = kit.send_all()
    if how == "message":
        row, notices = kit.outbox.find(first.ack_token)
        assert [n.id for n in notices] == [notice]
        kit.outbox.acknowledge(row.id)
        again = kit.outbox.acknowledge(row.id)
        assert again.acknowledged_at == kit.clock.now()
    else:
        kit.see(notice)
    kit.clock.advance(days=1)
    assert kit.send_all() == []
    assert {state for _, state in kit.states()} <= {"acknowledged", "sent"}
    with kit.db.read() as session:
        assert session.get(outbox_module.Notice, notice).seen_at is not None


def test_one_persons_answer_does_not_silence_what_another_is_told_at_once(kit):
    ana, (push,) = kit.person("Ana", "first", group_min=0)
    ben, (his,) = kit.person("Ben", "first", group_min=30)
    kit.notice()
    (first,) = kit.send_all()
    kit.outbox.acknowledge(first.id)
    kit.clock.advance(minutes=30)
    assert ids(kit.send_all()) == [(his, (1,))]
    assert first.channel_id == push
    assert ana != ben


def test_an_answer_by_one_channel_ends_what_waits_by_another(kit):
    _, (push, mail) = kit.person("Ana", "first", "first", group_min=0)
    kit.notice()
    kit.outbox.tell()
    one = kit.outbox.claim()
    kit.outbox.later(one.id, "no connection")
    two = kit.outbox.claim()
    kit.outbox.sent(two.id)
    kit.outbox.acknowledge(two.id)
    kit.clock.advance(days=1)
    assert kit.send_all() == []
    assert {one.channel_id, two.channel_id} == {push, mail}


def test_a_group_is_only_answered_when_all_of_it_is(kit):
    escalating(kit)
    one, two = kit.notice("stop-spraying"), kit.notice("stop-spraying")
    kit.send_all()
    kit.see(one)
    kit.clock.advance(minutes=10)
    assert [tuple(n.id for n in c.notices) for c in kit.send_all()] == [(one, two)]


def fail(kit, times):
    tried = []
    for _ in range(times):
        claimed = kit.outbox.claim()
        if claimed is None:
            kit.clock.advance(minutes=31)
            claimed = kit.outbox.claim()
        tried.append(claimed.id)
        kit.outbox.later(claimed.id, "no connection")
    return tried


def test_what_does_not_get_through_is_tried_again_and_then_by_another_channel(kit):
    _, (push, mail) = kit.person("Ana", "first", "later", group_min=0)
    kit.notice()
    kit.outbox.tell()
    assert len(set(fail(kit, PATIENCE))) == 1
    assert kit.states() == [(push, "given_up"), (mail, "waiting")]
    assert [c.channel_id for c in kit.send_all()] == [mail]
    ((who, channel),) = kit.outbox.failing()
    assert (who.name, channel.id, channel.last_error) == ("Ana", push, "no connection")
    assert channel.failing_since is not None


def test_two_channels_that_fail_do_not_wait_for_each_other(kit):
    _, (one, two, mail) = kit.person("Ana", "first", "first", "later", group_min=0)
    kit.notice()
    kit.outbox.tell()
    fail(kit, 2 * PATIENCE)
    assert kit.states() == [(one, "waiting"), (two, "given_up"), (mail, "waiting")]
    claimed = kit.outbox.claim([one])
    assert claimed is not None
    assert claimed.channel_id == mail


def test_without_another_channel_it_is_tried_for_two_days(kit):
    kit.person("Ana", "first", group_min=0)
    kit.notice()
    kit.outbox.tell()
    began, tries = kit.clock.now(), 0
    while kit.states()[0][1] == "waiting":
        fail(kit, 1)
        tries += 1
    assert kit.states()[0][1] == "given_up"
    assert timedelta(hours=48) < kit.clock.now() - began < timedelta(hours=49)
    assert tries > 90


def test_who_asks_to_be_left_alone_is_but_not_for_ever(kit):
    kit.person("Ana", "first", group_min=0)
    kit.notice()
    kit.outbox.tell()
    for asked, waited in (
        (timedelta(minutes=90), timedelta(minutes=90)),
        (timedelta(days=400), timedelta(hours=6)),
        (timedelta(seconds=1), timedelta(seconds=80)),
    ):
        kit.outbox.later(kit.outbox.claim().id, "busy", asked)
        assert kit.rows()[0].due_at - kit.clock.now() == waited
        kit.clock.advance(seconds=waited.total_seconds())


def test_a_refused_message_goes_by_the_next_channel_at_once(kit):
    _, (push, mail) = kit.person("Ana", "first", "later", escalate_min=60)
    kit.notice("stop-spraying")
    kit.outbox.tell()
    kit.outbox.refused(kit.outbox.claim().id, "the subscription is gone")
    assert ids(kit.send_all()) == [(mail, (1,))]
    kit.clock.advance(days=1)
    assert kit.send_all() == []
    assert kit.states() == [(push, "given_up"), (mail, "sent")]


def test_a_channel_that_works_again_is_no_longer_failing(kit):
    kit.person("Ana", "first", group_min=0)
    kit.notice()
    kit.outbox.tell()
    fail(kit, 1)
    kit.clock.advance(minutes=1)
    kit.send_all()
    assert kit.outbox.failing() == []
    assert kit.people.channels(1)[0].last_ok_at == kit.clock.now()


def test_what_waits_for_a_channel_taken_away_goes_by_another(kit):
    ana, (push, mail) = kit.person("Ana", "first", "later", group_min=5)
    kit.notice()
    kit.outbox.tell()
    kit.people.retire_channel(ana, push)
    kit.clock.advance(minutes=5)
    assert ids(kit.send_all()) == [(mail, (1,))]


def test_nothing_goes_to_somebody_taken_away(kit):
    ana, _ = kit.person("Ana", "first", "later", group_min=5)
    kit.notice()
    kit.outbox.tell()
    kit.people.retire(ana)
    kit.notice()
    kit.clock.advance(minutes=5)
    assert kit.send_all() == []
    assert [state for _, state in kit.states()] == ["given_up"]


def test_a_sender_that_dies_leaves_its_message_to_the_next_under_the_same_id(kit):
    kit.person("Ana", "first", group_min=0)
    kit.notice()
    kit.outbox.tell()
    claimed = kit.outbox.claim()
    after = Outbox(kit.db, kit.clock, lambda: UTC)  # the service was started anew
    kit.clock.advance(seconds=(LEASE / 2).total_seconds())
    assert after.claim() is None
    kit.clock.advance(seconds=LEASE.total_seconds())
    again = after.claim()
    assert (again.id, again.ack_token) == (claimed.id, claimed.ack_token)


def test_stop_spraying_goes_before_what_has_waited_longer(kit):
    kit.person("Ana", "first", group_min=0)
    kit.notice()
    kit.outbox.tell()
    kit.clock.advance(minutes=1)
    stop = kit.notice("stop-spraying")
    assert kit.send_all()[0].notices[0].id == stop


def test_breaking_off_while_telling_tells_nothing_and_loses_nothing(kit, monkeypatch):
    kit.person("Ana", "first", group_min=0)
    kit.notice()

    def commit(self: Session) -> None:
        raise RuntimeError("power cut")

    with monkeypatch.context() as patch:
        patch.setattr(Session, "commit", commit)
        with pytest.raises(RuntimeError, match="power cut"):
            kit.outbox.tell()
    assert kit.rows() == []
    assert len(kit.send_all()) == 1


def test_two_postmen_at_once_send_each_message_once(kit):
    kit.person("Ana", "first", "first", group_min=0)
    for kind in ("sand-ready", "sensor-silent", "cut-ready", "buff-ready", "window-closing"):
        kit.notice(kind)
    sent: list[int] = []

    def work() -> None:
        kit.outbox.tell()
        while (claimed := kit.outbox.claim()) is not None:
            sent.append(claimed.id)
            kit.outbox.sent(claimed.id)

    postmen = [threading.Thread(target=work) for _ in range(4)]
    for postman in postmen:
        postman.start()
    for postman in postmen:
        postman.join()
    assert sorted(sent) == list(range(1, 11))


def test_a_test_goes_at_once_and_is_never_tried_again(kit):
    kit.clock.at = datetime(2026, 3, 2, 23, 0, tzinfo=UTC)
    ana, (push, _) = kit.person("Ana", "first", "first", quiet_from="21:00", quiet_until="07:00")
    claimed = kit.outbox.begin_test(ana, push)
    assert (claimed.kind, claimed.notices) == ("test", ())
    assert kit.outbox.claim() is None
    kit.outbox.later(claimed.id, "no connection")
    kit.clock.advance(days=1)
    assert kit.send_all() == []
    assert kit.states() == [(push, "given_up")]
    with pytest.raises(NotFound, match="channel"):
        kit.outbox.begin_test(ana, 99)


def test_what_is_not_there_is_not_found(kit):
    with pytest.raises(NotFound, match="this link"):
        kit.outbox.find("x")
    with pytest.raises(NotFound, match="no delivery 7"):
        kit.outbox.acknowledge(7)


def test_the_clock_may_run_faster(database):
    class Fast(SetClock):
        rate = 60.0

    kit = Kit(database, Fast())
    kit.person("Ana", "first", group_min=0)
    kit.notice()
    kit.outbox.tell()
    assert kit.outbox.claim() is not None
    kit.clock.advance(minutes=30)  # half a minute for whoever sends
    assert kit.outbox.claim() is None
