"""Challenges are good once, for a while, whichever worker is asked."""

from __future__ import annotations

from datetime import timedelta

from equipment import SetClock

from service.store.challenge_book import ChallengeBook
from service.store.db import Database
from service.web.signin.challenges import LASTS_S, Challenges


def test_what_one_worker_made_another_takes_once(database: Database, clock: SetClock) -> None:
    one, other = (Challenges(ChallengeBook(database, clock)) for _ in range(2))
    made = one.make("sign in")
    assert not other.take(made, "add a key")
    assert not other.take(made[:-1] + bytes([made[-1] ^ 1]), "sign in")
    assert other.take(made, "sign in")
    assert not one.take(made, "sign in")
    assert not other.take(made, "sign in")


def test_a_challenge_runs_out_and_is_forgotten(database: Database, clock: SetClock) -> None:
    book = ChallengeBook(database, clock)
    challenges = Challenges(book)
    early, late = challenges.make("sign in"), challenges.make("sign in")
    assert challenges.take(early, "sign in")
    clock.advance(seconds=LASTS_S)
    assert not challenges.take(late, "sign in")
    clock.advance(seconds=5)
    assert book.take("another", clock.now() + timedelta(seconds=60))
    kept = book._facts.get("challenges taken")
    assert kept is not None
    assert list(kept) == ["another"]
