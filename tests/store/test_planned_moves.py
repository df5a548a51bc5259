"""A move that is planned: ready times reckon with it, and it counts as made when its time comes."""

from __future__ import annotations

from datetime import timedelta
from typing import NamedTuple

import numpy as np
import pytest
from equipment import SetClock

from service.science import drying
from service.shop.ahead import Ahead
from service.shop.moves import Moved, held
from service.store.catalogue import load_catalogue
from service.store.db import Database
from service.store.desk import Desk, ShopFacts
from service.store.errors import BadInput, Conflict
from service.store.readings import NewReading, record_batch
from service.store.settling import settle_all
from service.store.work import Work

LACQUER = "nitro-lacquer-gun"
COLD_C, WARM_C = 16.0, 24.0
HOUR = 3600.0


class Bench(NamedTuple):
    clock: SetClock
    db: Database
    desk: Desk
    work: Work

    def pass_time(self, hours: float) -> None:
        rows = []
        for n in range(round(12 * hours)):
            self.clock.advance(minutes=5)
            at, wiggle = self.clock.now(), 0.02 * (n % 5 - 2)
            rows += [
                NewReading("booth", "wall", at, at, COLD_C + wiggle, 45.0),
                NewReading("rack", "wall", at, at, WARM_C + wiggle, 45.0),
            ]
        with self.db.write() as session:
            record_batch(session, rows)
        settle_all(self.db)

    def wait(self):
        return self.desk.card(1).act.wait


@pytest.fixture
def bench(database: Database, clock: SetClock) -> Bench:
    catalogue = load_catalogue()
    desk = Desk(database, clock, catalogue, ShopFacts())
    made = Bench(clock, database, desk, Work(database, clock, catalogue, desk))
    for place in ("booth", "rack", "shed"):
        made.work.add_place(place)
    made.pass_time(24)
    made.work.add_instrument(
        shop_number="41", kind="lute", schedule_id="lacquer-clear", place_id="booth"
    )
    made.work.record_coat(1, material_id=LACQUER)
    made.work.finish_step(1, "seal")
    return made


def flat(air_c: float) -> Ahead:
    times = HOUR * np.arange(241.0)
    return Ahead(times, np.full((4, 241), air_c), np.full((4, 241), 45.0))


def test_hours_run_at_each_place_at_its_own_speed() -> None:
    law = load_catalogue().materials[LACQUER].drying
    cold, warm = (float(drying.rate(law, c, 45.0, law.reference_film_um)) for c in (COLD_C, WARM_C))
    moved = Moved(flat(COLD_C), ((2.5 * HOUR, flat(WARM_C)), (10 * HOUR, None)))
    for hours, expected in (
        (1.0, cold),
        (2.5, 2.5 * cold),
        (4.0, 2.5 * cold + 1.5 * warm),
        (10.0, 2.5 * cold + 7.5 * warm),
        (60.0, 2.5 * cold + 7.5 * warm),  # nothing is known of that air: the clock stands
    ):
        assert moved.hours_at(law, hours * HOUR) == pytest.approx([expected] * 4)
    assert moved.mean_hours(law)[[1, 4, 60]] == pytest.approx(
        [cold, 2.5 * cold + 1.5 * warm, 2.5 * cold + 7.5 * warm]
    )


def test_air_that_is_held_is_doubted_by_about_a_tenth_of_the_clocks_speed() -> None:
    law = load_catalogue().materials[LACQUER].drying
    speed = float(drying.rate(law, 21.0, 50.0, law.reference_film_um))
    hours = held(21.0, 50.0, 0.0, 200).hours_at(law, 10 * HOUR)
    assert np.std(np.log(hours)) == pytest.approx(0.10, abs=0.03)
    assert np.median(hours) == pytest.approx(10 * speed, rel=1e-3)


def test_a_planned_move_to_warmth_brings_the_ready_time_forward(bench: Bench) -> None:
    before = bench.wait()
    assert before.mark == "sand"
    now = bench.clock.now()
    move = bench.work.hang(1, "rack", now + timedelta(hours=2))
    after = bench.wait()
    assert after.ready_at < before.ready_at
    assert after.ready_from < after.ready_at < after.ready_until
    law = bench.desk.catalogue.materials[LACQUER].drying
    cold, warm = (float(drying.rate(law, c, 45.0, law.reference_film_um)) for c in (COLD_C, WARM_C))
    # The clock runs two hours in the cold, and the rest of what the cold wait took in the warmth.
    rest_h = ((before.ready_at - now) / timedelta(hours=1) - 2.0) * cold / warm
    assert (after.ready_at - now) / timedelta(hours=1) == pytest.approx(2.0 + rest_h, rel=0.02)
    card = bench.desk.card(1)
    assert card.place_id == "booth"
    assert [(m.place_id, m.at) for m in card.moves] == [("rack", now + timedelta(hours=2))]
    assert bench.desk.log(1)[0].text == "to hang in rack"
    bench.work.undo("hung", move.id)
    assert bench.wait() == before
    assert bench.desk.card(1).moves == ()


def test_a_planned_move_counts_as_made_when_its_time_has_come(bench: Bench) -> None:
    bench.work.hang(1, "rack", bench.clock.now() + timedelta(hours=1))
    told = bench.wait()
    bench.pass_time(2)
    card = bench.desk.card(1)
    assert (card.place_id, card.moves) == ("rack", ())
    assert bench.desk.log(1)[0].text == "hung in rack"
    # What was told before stands: the air came as it was held.
    assert abs(card.act.wait.ready_at - told.ready_at) < timedelta(minutes=10)


def test_without_air_where_it_will_hang_there_is_no_date(bench: Bench) -> None:
    bench.work.hang(1, "shed", bench.clock.now() + timedelta(hours=1))
    wait = bench.wait()
    assert (wait.ready_at, wait.ready_until, wait.reached) == (None, None, False)


def test_a_plan_is_no_act_that_undo_takes_back(bench: Bench) -> None:
    bench.work.hang(1, "rack", bench.clock.now() + timedelta(hours=1))
    assert bench.work.undo_last(1) in {"clear: coat", "seal: done"}
    assert len(bench.desk.card(1).moves) == 1


def test_what_cannot_be_planned_is_refused(bench: Bench) -> None:
    now = bench.clock.now()
    with pytest.raises(BadInput, match="more than 30 days ahead") as far:
        bench.work.hang(1, "rack", now + timedelta(days=31))
    assert far.value.field == "at"
    with pytest.raises(BadInput, match="no place 'attic'"):
        bench.work.hang(1, "attic", now + timedelta(hours=1))
    bench.work.add_instrument(shop_number="42", kind="lute", schedule_id="lacquer-clear")
    with pytest.raises(Conflict, match="hangs nowhere"):
        bench.work.hang(2, "rack", now + timedelta(hours=1))
