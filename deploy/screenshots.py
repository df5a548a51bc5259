"""Make the pictures of the README from the real pages of the running demo.

Needs what the tests need: the package with its ``dev`` extra, and Debian's Chromium. Run it with
the Python of that environment: ``python deploy/screenshots.py``.
"""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from io import BytesIO
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, sync_playwright

PICTURES = Path(__file__).resolve().parents[1] / "dashboards" / "docs"
LARGEST_BYTES = 150_000
COLOURS = 128

BELOW_THE_BAR_PX = 70
"""The bar at the top of a page stays; what is scrolled to comes to lie below it."""

PHONE, WIDE = (390, 844), (1280, 800)

DRY_DAY = "2026-05-11T12:40:00Z"
DAMP_DAY = "2026-05-05T12:40:00Z"
"""Two days of the demo's weather: one to spray on, and one to wait."""

CHROMIUM = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


@dataclass(frozen=True)
class Picture:
    """One picture: which page, how large a screen, and where the page is scrolled to.

    With ``of_season`` it waits until the season behind the workshop is recorded; ``{blush}`` in its
    path then stands for the number of the season's first flaw of that kind.
    """

    name: str
    day: str
    path: str
    size: tuple[int, int]
    scroll_to: str = ""
    dark: bool = False
    wait_for: str = ""
    of_season: bool = False


NOW_GUN, BAND = "/?place=booth&material=nitro-lacquer-gun", "svg.band-window"

PICTURED = (
    Picture("now-phone", DRY_DAY, NOW_GUN, PHONE, wait_for=BAND),
    Picture(
        "wait-phone",
        DAMP_DAY,
        "/?place=booth&material=nitro-lacquer-can",
        PHONE,
        wait_for=BAND,
    ),
    Picture("now-dark", DRY_DAY, NOW_GUN, PHONE, dark=True, wait_for=BAND),
    Picture(
        "ladder-phone",
        DAMP_DAY,
        "/?place=booth&material=nitro-lacquer-can",
        PHONE,
        scroll_to=".ladder-box",
    ),
    Picture("piece-phone", DRY_DAY, "/instruments/1", PHONE),
    Picture("air-wide", DRY_DAY, "/air/booth", WIDE, wait_for=".chart-legend .key-film"),
    Picture("now-wide", DRY_DAY, NOW_GUN, WIDE, wait_for=BAND),
    Picture("flaw-phone", DRY_DAY, "/flaws/{blush}", PHONE, of_season=True),
    Picture(
        "strip-phone",
        DRY_DAY,
        "/flaws/{blush}",
        PHONE,
        scroll_to="svg.strip-of-flaw",
        of_season=True,
    ),
)


def main() -> None:
    """Make every picture."""
    chromium = shutil.which("chromium")
    if chromium is None:
        raise SystemExit("chromium is not installed: sudo apt install chromium")
    PICTURES.mkdir(exist_ok=True)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=list(CHROMIUM))
        for day in dict.fromkeys(picture.day for picture in PICTURED):
            with demo(day) as (address, folder):
                for picture in PICTURED:
                    if picture.day == day:
                        path = of_season(address, folder, picture) if picture.of_season else ""
                        take(browser, address, replace(picture, path=path or picture.path))
        browser.close()


@contextmanager
def demo(day: str) -> Iterator[tuple[str, Path]]:
    """Run the demo from that instant in a folder of its own; gives its address and the folder."""
    port = free_port()
    with tempfile.TemporaryDirectory() as folder:
        process = subprocess.Popen(
            [Path(sys.executable).with_name("boothglass"), "demo", "--port", str(port)],
            env={
                **os.environ,
                "BOOTHGLASS_DATA": folder,
                "BOOTHGLASS_CLOCK_START": day,
                "BOOTHGLASS_MQTT_PORT": str(free_port()),
                "BOOTHGLASS_ZONE": "Europe/Lisbon",
            },
            stdout=subprocess.DEVNULL,
        )
        try:
            address = f"http://127.0.0.1:{port}"
            wait_until_well(address)
            yield address, Path(folder)
        finally:
            process.terminate()
            process.wait(timeout=30)


def wait_until_well(address: str, timeout_s: float = 120.0) -> None:
    """Wait until the service says that it is well and has recorded live readings."""
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline:
        try:
            with urllib.request.urlopen(f"{address}/api/v1/health") as answer:  # noqa: S310 -- ours
                said = answer.read()
        except OSError:
            said = b""
        if b'"status":"ok"' in said and b'"recorded":0' not in said:
            return
        time.sleep(0.5)
    raise SystemExit(f"{address} was not well within {timeout_s:g} s: {said.decode()}")


def of_season(address: str, folder: Path, picture: Picture, timeout_s: float = 1200.0) -> str:
    """Wait until the season is recorded, and return the picture's path in it."""
    kept, deadline = folder / "season.json", time.monotonic() + timeout_s
    while not (kept.exists() and json.loads(kept.read_text()).get("recorded")):
        if time.monotonic() > deadline:
            raise SystemExit(f"the season was not recorded within {timeout_s:g} s")
        time.sleep(1.0)
    with urllib.request.urlopen(f"{address}/api/v1/flaws?kind=blush") as answer:  # noqa: S310 -- ours
        blush = min(flaw["id"] for flaw in json.load(answer))
    return picture.path.replace("{blush}", str(blush))


def take(browser: Browser, address: str, picture: Picture) -> None:
    """Take one picture and keep it small."""
    width, height = picture.size
    page = browser.new_page(
        viewport={"width": width, "height": height},
        color_scheme="dark" if picture.dark else "light",
        reduced_motion="reduce",
        timezone_id="Europe/Lisbon",
        locale="en-GB",
    )
    # The live stream never falls silent, so "network idle" would never come.
    page.goto(address + picture.path, wait_until="load")
    if picture.wait_for:  # the page asks again by itself until the windows are reckoned
        page.wait_for_selector(picture.wait_for, timeout=300_000)
    page.wait_for_timeout(1000)
    if picture.scroll_to:
        page.locator(picture.scroll_to).evaluate("part => part.scrollIntoView({block: 'start'})")
        page.mouse.wheel(0, -BELOW_THE_BAR_PX)
        page.wait_for_timeout(300)
    shot = page.screenshot()
    page.close()
    file = PICTURES / f"{picture.name}.png"
    # A palette keeps flat pages sharp and small.
    Image.open(BytesIO(shot)).convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE).save(
        file, optimize=True
    )
    size = file.stat().st_size
    print(f"{file.relative_to(PICTURES.parents[1])}: {width}x{height}, {size} bytes")
    if size > LARGEST_BYTES:
        raise SystemExit(f"{file.name} is larger than {LARGEST_BYTES} bytes")


def free_port() -> int:
    """Return a port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


if __name__ == "__main__":
    main()
