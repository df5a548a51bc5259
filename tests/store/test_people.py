"""People and channels: added, changed, taken away; refused with the field's name."""

from __future__ import annotations

import pytest

from service.store.errors import BadInput, Conflict, NotFound
from service.store.people_book import PeopleBook


@pytest.fixture
def people(database, clock) -> PeopleBook:
    return PeopleBook(database, clock)


def test_a_person_is_added_changed_and_taken_away(people):
    ana = people.add("  Ana ", {"units": "us"}, {"group_min": 12})
    assert (ana.name, ana.prefs, ana.telling) == ("Ana", {"units": "us"}, {"group_min": 12})
    people.change(ana.id, name="Ana M.", telling={"quiet_from": "21:00", "quiet_until": "07:00"})
    assert people.person(ana.id).name == "Ana M."
    assert people.person(ana.id).prefs == {"units": "us"}
    assert people.rules(ana.id)["quiet_until"] == "07:00"
    people.retire(ana.id)
    assert people.people() == []
    with pytest.raises(NotFound):
        people.person(ana.id)
    assert people.add("Ana M.").id == ana.id  # back again


def test_who_is_taken_away_is_forgotten_as_far_as_addresses_go(people):
    ana = people.add("Ana").id
    mail = people.add_channel(ana, "email", "mail", {"to": "ana@example.invalid"})
    people.retire(ana)
    with people.db.read() as session:
        assert session.get(type(mail), mail.id).config == {}
    people.add("Ana")
    assert people.channels(ana) == []


def test_names_are_one_of_a_kind(people):
    people.add("Ana")
    ben = people.add("Ben")
    with pytest.raises(Conflict, match=r"^name: there is 'Ana' already"):
        people.add("Ana")
    with pytest.raises(Conflict, match=r"^name"):
        people.change(ben.id, name="Ana")
    assert people.change(ben.id, name="Ben").name == "Ben"
    with pytest.raises(BadInput, match=r"^name: must not be empty"):
        people.add("  ")


@pytest.mark.parametrize(
    ("telling", "field"),
    [
        ({"quiet_from": "25:00", "quiet_until": "07:00"}, "quiet_from"),
        ({"then_person": 1}, "then_person"),  # herself
        ({"then_person": 9}, "then_person"),
        ({"ways": {"3": {"turn": "never"}}}, "ways"),
    ],
)
def test_rules_that_cannot_be_are_named_and_change_nothing(people, telling, field):
    ana = people.add("Ana")
    with pytest.raises(BadInput) as refused:
        people.change(ana.id, name="Other", telling=telling)
    assert refused.value.field == field
    assert people.person(ana.id).name == "Ana"


def test_a_channel_is_kept_once_and_its_address_is_forgotten_when_taken_away(people):
    ana, ben = people.add("Ana").id, people.add("Ben").id
    one = people.add_channel(ana, "email", "mail", {"to": "ana@example.invalid"})
    again = people.add_channel(ana, "email", "mail again", {"to": "ana@example.invalid"})
    assert again.id == one.id
    assert people.add_channel(ben, "email", "mail", {"to": "ana@example.invalid"}).id != one.id
    with pytest.raises(NotFound, match="channel"):
        people.retire_channel(ben, one.id)
    people.change_channel(ana, one.id, name="post")
    assert [c.name for c in people.channels(ana)] == ["post"]
    people.retire_channel(ana, one.id)
    assert people.channels(ana) == []
    with people.db.read() as session:
        assert session.get(type(one), one.id).config == {}


def test_rules_written_by_another_version_are_taken_as_the_usual_ones(people):
    ana = people.add("Ana")
    with people.db.write() as session:
        row = session.get(type(ana), ana.id)
        row.telling = {"moon": "full"}
        session.add(row)
    assert people.rules(ana.id)["kinds"] is None
