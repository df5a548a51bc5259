"""The node's command as it is, on a simulated bus and a clock that can be set: for tests.

``NODE_LOG`` is a file to which every measurement that the driver got from the chip is written, as
the chip's word; no two measurements have the same one, also over restarts. ``NODE_CLOCK`` is a file
with the seconds by which this board's clock is wrong.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

from simulated_bus import RealTime, SimulatedBus, SimulatedSht4x, framed

from sensors.node.bus import Bus
from sensors.node.cli import main
from sensors.node.clock import BoardClock, Clock

LOG = Path(os.environ["NODE_LOG"])
CLOCK = Path(os.environ["NODE_CLOCK"])
FIRST_WORD = 26_214  # 25.0 °C


class CountingSht4x(SimulatedSht4x):
    """Each measurement is one step warmer than the one before."""

    def _measured(self) -> bytes:
        self.count = len(LOG.read_text().splitlines()) if LOG.exists() else 0
        return framed(FIRST_WORD + self.count, 30_000 + self.count % 7)

    def read(self, count: int) -> bytes:
        answer = super().read(count)
        if answer != framed(self.serial >> 16, self.serial & 0xFFFF):
            with LOG.open("a") as log:
                log.write(f"{int.from_bytes(answer[:2], 'big')} {os.getpid()}\n")
        return answer


def open_bus(_number: int) -> Bus:
    clock = RealTime()
    return SimulatedBus({0x44: CountingSht4x(clock, lambda: (0.0, 0.0, 0.0))})


def make_clock(trusted: bool) -> Clock:
    return BoardClock(
        trusted=trusted, utc_ns=lambda: time.time_ns() + round(float(CLOCK.read_text()) * 1e9)
    )


if __name__ == "__main__":
    sys.exit(main(open_bus=open_bus, make_clock=make_clock))
