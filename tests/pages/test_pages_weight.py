"""What a phone has to load for the first page, over the wire, with everything."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import expect

pytestmark = pytest.mark.real

MOST_BYTES = 60_000


def loaded(visit: Any, path: str) -> dict[str, int]:
    """Bytes of each answer as they came, headers too, by Chromium's own count."""
    client = visit.page.context.new_cdp_session(visit.page)
    client.send("Network.enable")
    client.send("Network.setCacheDisabled", {"cacheDisabled": True})
    addresses: dict[str, str] = {}
    sizes: dict[str, int] = {}
    client.on(
        "Network.responseReceived",
        lambda e: addresses.__setitem__(e["requestId"], e["response"]["url"]),
    )
    client.on(
        "Network.loadingFinished",
        lambda e: sizes.__setitem__(
            addresses.get(e["requestId"], "?"), int(e["encodedDataLength"])
        ),
    )
    page = visit.go(path)
    page.wait_for_load_state("load")
    page.wait_for_timeout(700)
    return sizes


def test_the_first_page_weighs_little_and_brings_no_chart(bench: Any, open_page: Any) -> None:
    bench.read_day("booth", 22.0, 45.0, hours=96)
    bench.desk.refresh_outlooks()
    bench.desk.windows("booth", bench.desk.spray_check("booth", "nitro-lacquer-gun"), wait=True)
    for number in range(43, 53):
        bench.add_piece(str(number))
    visit = open_page()
    sizes = loaded(visit, "/?place=booth&material=nitro-lacquer-gun")
    expect(visit.page.locator("svg.band-window")).to_be_visible()
    print({address.rsplit("/", 1)[-1][:24]: size for address, size in sizes.items()})
    assert any("app.css" in address for address in sizes)
    assert not any("charts" in address for address in sizes)
    assert 5_000 < sum(sizes.values()) < MOST_BYTES, sizes


def test_a_page_with_a_chart_brings_it(bench: Any, open_page: Any) -> None:
    sizes = loaded(open_page(), "/air/booth")
    assert any("charts.js" in address for address in sizes)
