"""Who sends too much for minutes is told; who sends much for a while is not."""

from __future__ import annotations

from service.intake.rates import MINUTES, MOST_A_MINUTE, Rates


class Watch:
    """Seconds that pass when told."""

    def __init__(self) -> None:
        self.seconds = 0.0

    def __call__(self) -> float:
        return self.seconds


def minute(rates: Rates, watch: Watch, **sent: int) -> list[str]:
    for topic, count in sent.items():
        for _ in range(count):
            rates.count(topic)
    watch.seconds += 60.0
    return rates.floods()


def test_a_flood_is_told_after_minutes_and_no_longer_than_it_lasts() -> None:
    watch = Watch()
    rates = Rates(watch)
    for _ in range(MINUTES - 1):
        assert minute(rates, watch, evil=MOST_A_MINUTE + 1, wall=2) == []
    told = minute(rates, watch, evil=MOST_A_MINUTE + 7, wall=2)
    assert told == [f"evil sends {MOST_A_MINUTE + 7} messages a minute"]
    assert minute(rates, watch, wall=2) == []
    assert minute(rates, watch, evil=MOST_A_MINUTE + 1) == []


def test_as_much_as_is_allowed_is_no_flood() -> None:
    watch = Watch()
    rates = Rates(watch)
    for _ in range(3 * MINUTES):
        assert minute(rates, watch, node=MOST_A_MINUTE) == []


def test_a_pause_ends_it() -> None:
    watch = Watch()
    rates = Rates(watch)
    for _ in range(MINUTES):
        told = minute(rates, watch, evil=MOST_A_MINUTE + 1)
    assert told
    watch.seconds += 120.0
    assert rates.floods() == []
