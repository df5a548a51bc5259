"""Rules as they are kept and sent: read back the same, refused with the field's name; and words."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from service.shop.telling import Rules, Way
from service.shop.telling_rules import RuleError, read_rules, read_ways, rules_as_data
from service.shop.telling_words import Line, body_of, title_of

NOW = datetime(2025, 3, 12, 9, 0, tzinfo=UTC)

FULL = {
    "kinds": ["sand-ready", "stop-spraying"],
    "quiet_from": "21:30",
    "quiet_until": "07:00",
    "breaks_quiet": [],
    "group_min": 12.0,
    "escalate_min": 5.0,
    "escalate_kinds": ["sand-ready"],
    "then_person": 3,
    "ways": {
        "7": {"turn": "later", "kinds": ["sand-ready"]},
        "9": {"turn": "first", "kinds": None},
    },
}


def test_rules_come_back_as_they_were_sent():
    assert rules_as_data(read_rules(FULL), read_ways(FULL, [7, 9])) == FULL


def test_what_is_not_said_is_as_usual():
    assert read_rules({}) == Rules()
    assert read_rules({}).breaks_quiet == {"stop-spraying"}
    assert read_ways({}, [4]) == (Way(4, "first"),)
    assert read_ways({"ways": {"99": {"turn": "off"}}}, [4]) == (Way(4, "first"),)


@pytest.mark.parametrize(
    ("data", "field"),
    [
        ({"kind": []}, "kind"),
        ({"kinds": ["rain"]}, "kinds"),
        ({"kinds": "sand-ready"}, "kinds"),
        ({"quiet_from": "21:30"}, "quiet_until"),
        ({"quiet_until": "21:30"}, "quiet_from"),
        ({"quiet_from": "25:00", "quiet_until": "07:00"}, "quiet_from"),
        ({"quiet_from": "21:00:30", "quiet_until": "07:00"}, "quiet_from"),
        ({"quiet_from": "07:00", "quiet_until": "07:00"}, "quiet_until"),
        ({"group_min": -1}, "group_min"),
        ({"group_min": float("nan")}, "group_min"),
        ({"escalate_min": 0}, "escalate_min"),
        ({"escalate_min": "soon"}, "escalate_min"),
        ({"then_person": "Ben"}, "then_person"),
        ({"then_person": True}, "then_person"),
    ],
)
def test_a_rule_that_cannot_be_is_named(data, field):
    with pytest.raises(RuleError) as refused:
        read_rules(data)
    assert refused.value.field == field


@pytest.mark.parametrize(
    "ways", [[1], {"1": "first"}, {"1": {"turn": "never"}}, {"1": {"kinds": ["rain"]}}]
)
def test_a_way_that_cannot_be_is_named(ways):
    with pytest.raises(RuleError, match=r"^ways: "):
        read_ways({"ways": ways}, [1])


def piece(number: int, minutes_ago: float = 0.0) -> Line:
    return Line(f"No. {number}: ready at 22.0 °C", NOW - timedelta(minutes=minutes_ago), number)


def test_a_title_counts_pieces():
    assert title_of("sand-ready", [piece(41)]) == "Ready to sand"
    assert title_of("sand-ready", [piece(41), piece(42), piece(43)]) == "3 pieces ready to sand"
    assert title_of("stop-spraying", [piece(41), piece(42)]) == "Stop spraying: 2 pieces"
    silent = [Line("wall is silent", NOW), Line("door is silent", NOW)]
    assert title_of("sensor-silent", silent) == "Sensor silent (2)"


def test_what_was_noticed_long_ago_says_when():
    said = body_of(
        [piece(42), piece(41, 600)],
        NOW,
        local=lambda text: text.replace("22.0 °C", "71.6 °F"),
        at=lambda instant, _: f"{instant:%H:%M}",
        no_answer_from="Ana",
    )
    assert said.splitlines() == [
        "23:00: No. 41: ready at 71.6 °F",
        "No. 42: ready at 71.6 °F",
        "Ana has not reacted.",
    ]


def test_many_are_counted():
    lines = [piece(n) for n in range(30)]
    said = body_of(lines, NOW, local=str, at=lambda *_: "").splitlines()
    assert said[0] == "18 earlier ones are on the page."
    assert len(said) == 13
