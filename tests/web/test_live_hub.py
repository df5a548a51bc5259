"""The hub: events reach listeners from any thread, and nobody can make it wait or grow."""

from __future__ import annotations

import asyncio
import threading

import pytest
from equipment import in_a_loop

from service.web.live import MOST_LISTENERS, QUEUE_LENGTH, Event, Hub, HubFullError


def test_an_event_from_another_thread_reaches_every_listener_in_order() -> None:
    async def run() -> list[list[Event]]:
        hub = Hub()
        listeners = [hub.subscribe(), hub.subscribe()]

        def publish() -> None:
            for number in range(20):
                hub.publish("air", {"n": number})
            hub.close()

        threading.Thread(target=publish).start()
        return [[event async for event in listener] for listener in listeners]

    wanted = [Event("air", {"n": number}) for number in range(20)]
    assert in_a_loop(run()) == [wanted, wanted]


def test_a_listener_that_falls_behind_is_dropped_and_the_others_hear_on() -> None:
    async def run() -> tuple[int, int, int]:
        hub = Hub()
        slow, quick = hub.subscribe(), hub.subscribe()
        heard = 0
        for number in range(QUEUE_LENGTH * 3):
            hub.publish("air", {"n": number})
            await anext(quick)
            heard += 1
        left = hub.listeners
        kept = len([event async for event in slow])
        return heard, left, kept

    heard, left, kept = in_a_loop(run())
    assert heard == QUEUE_LENGTH * 3
    assert left == 1
    assert kept == QUEUE_LENGTH


def test_a_listener_whose_loop_is_gone_is_forgotten() -> None:
    hub = Hub()

    async def join() -> None:
        hub.subscribe()

    in_a_loop(join())
    assert hub.listeners == 1
    hub.publish("air", {})
    assert hub.listeners == 0


def test_closing_a_subscription_twice_is_safe_and_ends_it() -> None:
    async def run() -> list[Event]:
        hub = Hub()
        listener = hub.subscribe()
        hub.publish("air", {})
        await asyncio.sleep(0)
        listener.close()
        listener.close()
        assert hub.listeners == 0
        return [event async for event in listener]

    assert in_a_loop(run()) == [Event("air", {})]


def test_there_is_a_bound_on_listeners_and_a_closed_hub_takes_none() -> None:
    async def run() -> None:
        hub = Hub()
        for _ in range(MOST_LISTENERS):
            hub.subscribe()
        with pytest.raises(HubFullError, match=str(MOST_LISTENERS)):
            hub.subscribe()
        hub.close()
        with pytest.raises(HubFullError, match="closed"):
            hub.subscribe()

    in_a_loop(run())
