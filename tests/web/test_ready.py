"""What pages will ask for is reckoned before they are told; and told they are, come what may."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, timedelta

import databases
import pytest
from babel import Locale
from equipment import eventually
from shopkit import LiveShop

from service.store import desk as desk_module
from service.web.pages import course
from service.web.pages.view import look_ahead
from service.web.ready import Ready
from service.web.tongue import Tongue
from service.web.views import MOST, Asked, Views
from service.web.words import Words


class Looks:
    """Looks and tellings in the order in which they come; a look can be held up."""

    def __init__(self) -> None:
        self.seen: list[str] = []
        self.go_on = threading.Event()
        self.go_on.set()

    def look(self) -> None:
        assert self.go_on.wait(30)
        self.seen.append("look")

    def tell(self, place: str) -> None:
        self.seen.append(place)


@contextmanager
def running(look: Callable[[], object], tell: Callable[[str], object]) -> Iterator[Ready]:
    begun = threading.Event()
    made = Ready(look, tell, begun.set)
    made.start()
    assert begun.wait(30)
    yield made
    made.stop()


def test_it_looks_at_the_start_and_before_it_tells() -> None:
    looks = Looks()
    with running(looks.look, looks.tell) as ready:
        assert looks.seen == ["look"]
        looks.go_on.clear()
        ready.changed("booth")
        time.sleep(0.05)
        assert looks.seen == ["look"]
        looks.go_on.set()
        eventually(lambda: "booth" in looks.seen, 20, "the place is told")
        assert looks.seen == ["look", "look", "booth"]


def test_pages_are_told_although_looking_fails() -> None:
    looks = Looks()

    def fail() -> None:
        raise RuntimeError("no film today")

    with running(fail, looks.tell) as ready:
        ready.changed("booth")
        eventually(lambda: looks.seen == ["booth"], 20, "the place is told")
        ready.changed("rack")
        eventually(lambda: looks.seen == ["booth", "rack"], 20, "and the next one")


def test_while_it_rests_places_are_told_at_once_and_looked_at_later() -> None:
    looks, slow = Looks(), threading.Event()

    def look() -> None:
        looks.look()
        if not slow.is_set():
            slow.set()
            until = time.thread_time() + 0.4
            while time.thread_time() < until:  # rests for 1.6 s after it
                pass

    with running(looks.look, looks.tell) as ready:
        ready._look = look
        ready.changed("booth")
        eventually(lambda: "booth" in looks.seen, 20, "the place is told")
        ready.changed("rack")
        eventually(lambda: "rack" in looks.seen, 20, "the other place is told")
        assert looks.seen == ["look", "look", "booth", "rack"]
        eventually(lambda: looks.seen[-1] == "look", 20, "it is looked at after the rest")


def test_it_stops_while_it_waits() -> None:
    looks = Looks()
    with running(looks.look, looks.tell) as ready:
        pass
    ready.changed("booth")  # what comes later is no error
    assert looks.seen == ["look"]


def test_the_pages_asked_for_last_are_looked_at() -> None:
    views = Views()
    assert views.lately() == [Asked()]
    for n in range(MOST + 2):
        views.note(Asked(place=f"booth-{n}"))
    views.note(Asked(place="booth-3"))
    assert [view.place for view in views.lately()] == ["booth-3", "booth-5", "booth-4", "booth-2"]


def test_figures_are_drawn_ahead_in_the_words_spoken_last() -> None:
    views = Views()
    views.note(Asked("booth"))  # a wall screen shows none
    assert views.spoken() == []
    german, english = (Words(UTC, tongue=Tongue(lang, Locale(lang))) for lang in ("de", "en"))
    for words in (english, german, replace(english, us=True), german):
        views.note(Asked("booth"), words)
    assert views.spoken() == [german, replace(english, us=True)]


@pytest.fixture
def followed(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Materials whose film was followed, in order."""
    times: list[str] = []
    reckon = desk_module.reckoned

    def counted(air, material, *rest):
        times.append(material.id)
        return reckon(air, material, *rest)

    monkeypatch.setattr(desk_module, "reckoned", counted)
    return times


def test_a_page_finds_everything_reckoned_and_says_what_the_api_says(
    shop: LiveShop, followed: list[str]
) -> None:
    shop.read_day("booth", 22.0, 40.0)
    shop.add_piece()
    page = "/?place=booth&material=nitro-lacquer-gun"
    shop.http.get(page, headers={"accept": "text/html"})
    for air_c, rh_pct in ((22.3, 41.0), (21.0, 70.0), (20.8, 72.0)):
        shop.turn(air_c, rh_pct, minutes=10)
        for asked in shop.app.state.shop.views.lately():
            look_ahead(shop.app.state.shop, asked)
        done = len(followed)
        html = shop.http.get(page, headers={"accept": "text/html"}).text
        told = shop.http.get(
            "/api/v1/places/booth/spray-check", params={"material": "nitro-lacquer-gun"}
        ).json()
        assert f'data-answer="{told["answer"]}"' in html
        assert len(followed) == done, "the page followed a film that had been followed"
    assert told["answer"] == "wait"


@pytest.mark.skipif(
    databases.ON_POSTGRESQL, reason="there only films and airs are kept between two requests"
)
def test_a_page_finds_its_figure_drawn(shop: LiveShop, monkeypatch: pytest.MonkeyPatch) -> None:
    times: list[str] = []
    draw = course._draw

    def counted(rows, from_at, to_at, words, past):
        times.append(words.tongue.lang)
        return draw(rows, from_at, to_at, words, past)

    monkeypatch.setattr(course, "_draw", counted)
    shop.read_day("booth", 22.0, 40.0)
    german = {"accept": "text/html", "accept-language": "de"}
    shop.http.get("/?place=booth", headers=german)
    shop.read(22.4, 41.0)
    for asked in shop.app.state.shop.views.lately():
        look_ahead(shop.app.state.shop, asked)
    assert times == ["de", "de"]
    figure = re.compile(r'<svg class="course".*?</svg>', re.DOTALL)
    (ahead,) = figure.findall(shop.http.get("/?place=booth", headers=german).text)
    assert times == ["de", "de"], "the page drew a figure that had been drawn"
    shop.read(23.9, 41.0)
    (after,) = figure.findall(shop.http.get("/?place=booth", headers=german).text)
    assert times == ["de"] * 3
    assert after != ahead


def test_the_same_air_read_again_needs_no_film_anew(shop: LiveShop, followed: list[str]) -> None:
    shop.read(22.0, 40.0)
    first = shop.desk.spray_check("booth", "nitro-lacquer-gun")
    shop.clock.drive(now=shop.clock.now() + timedelta(seconds=40))
    shop.read(22.0, 40.0)
    again = shop.desk.spray_check("booth", "nitro-lacquer-gun")
    assert len(followed) == 1
    assert again.as_of > first.as_of
    assert again.film_floor_c == first.film_floor_c


def test_what_was_reckoned_ahead_is_no_answer_once_it_is_old(shop: LiveShop) -> None:
    shop.read(22.0, 40.0)
    page = "/?place=booth&material=nitro-lacquer-gun"
    look_ahead(shop.app.state.shop, Asked("booth", "nitro-lacquer-gun"))
    assert 'data-answer="spray"' in shop.http.get(page, headers={"accept": "text/html"}).text
    shop.clock.drive(now=shop.clock.now() + timedelta(minutes=11))
    look_ahead(shop.app.state.shop, Asked("booth", "nitro-lacquer-gun"))
    old = shop.http.get(page, headers={"accept": "text/html"}).text
    assert 'data-answer="spray"' not in old
    assert 'data-answer="unknown"' in old
