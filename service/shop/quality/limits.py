"""Every limit by which a reading is judged, with what it rests on.

`common practice` is what the trade or the field commonly holds; `data sheet` a figure of the usual
digital humidity sensors' class; `assumed` is ours, and to be judged by the rates in the docs.
"""

from __future__ import annotations

REACH_BACK_S = 6.0 * 3600.0
"""A flag depends on nothing older than this before its reading. Assumed: a night's worth of still
air would need more, but every late reading makes this much be looked at again."""

REACH_AHEAD_S = 15.0 * 60.0
"""Nor on anything later than this after it. Assumed: long enough to see a spike come back."""

RANGE_AIR_C = (-35.0, 50.0)
"""Air that rooms and weather have. Assumed: past the extremes of inhabited places."""

RANGE_RH_LEAST_PCT = 1.0
"""Driest reading. Assumed: deserts and heated rooms in deep frost come down to 3 %, and a sound
sensor errs by 2."""

RANGE_RH_MOST_PCT = 100.0
"""Saturation; a raw reading may be above it by so many standard deviations of the sensor as the
next limit says."""

RANGE_SD = 2.0
"""Standard deviations that a raw reading may be above saturation: fog. Assumed."""

RANGE_DEW_POINT_C = 35.0
"""Highest dew point. The highest observed outdoors anywhere is 35 °C (from memory)."""

RATE_SPAN_K = 25.0
"""The most by which incoming air differs from a room's: a door or a fan in deep winter. Assumed."""

RATE_SPAN_PCT = 60.0
"""The same of relative humidity. Assumed."""

RATE_LAG_S = 90.0
"""Time constant of the quickest change that a sensor can show: an air change a minute, which a
small booth reaches (common practice), and half a minute for the sensor in its housing (data sheets
give 2 to 30 s bare). Two lags in a row are hardly quicker than one as long as both."""

RATE_SD = 3.0
"""So many standard deviations of the sensor are allowed on top. Common practice."""

RATE_GAP_S = 2.0 * 3600.0
"""After a longer silence any change is possible. Assumed."""

RATE_HOLD_S = 5.0 * 60.0
"""So long a reading that stays where such a leap brought it is marked too. Assumed: five
air changes of a minute."""

STUCK_FINE_S = 30.0 * 60.0
"""Both quantities to the last digit the same for so long, of a sensor that was seen to tell fine
differences: its own noise should have shown. Assumed, generous."""

STUCK_FINE_K, STUCK_FINE_PCT = 0.025, 0.15
"""Differences so small, seen, make a sensor fine: below the noise of a single reading, 0.04 K and
0.08 % to 0.25 % repeatability. Data sheet."""

STUCK_MATES_S = 60.0 * 60.0
"""The same for so long while another sensor of the place moved. Assumed."""

STUCK_MOVED_K, STUCK_MOVED_PCT = 0.6, 4.0
"""So much is moving: several steps of 0.1 K and 1 %. Assumed."""

STUCK_COARSE_S = 5.5 * 3600.0
"""The same for so long, whatever the sensor and with nothing beside it to compare. Assumed."""

STUCK_READINGS = 6
"""At least so many readings the same. Assumed."""

STUCK_GAP_S = 90.0 * 60.0
"""A longer silence begins the count again. Assumed."""

SPIKE_READINGS = 3
"""At most so many readings out make a spike. Assumed: more is an event and not a spike."""

SPIKE_LEAST_K, SPIKE_LEAST_PCT = 1.0, 4.0
"""Never less than this counts as leaving. Assumed: what a hand or a breath brings is more."""

SPIKE_SD = 3.0
"""Nor less than so many standard deviations of the sensor. Common practice."""

SPIKE_SHARE = 0.5
"""Of the largest difference of incoming air, the part that a true event may come and go by."""

SPIKE_EVENT_S = 10.0 * 60.0
"""Time constant in which true events (door, fan, heater) come and go. Assumed."""

SPIKE_AT_ONCE = 2.0
"""So many times as far must it be, to be marked before its return was seen. Assumed."""

SPIKE_GAP_S = 3600.0
"""After a longer silence there is nothing to leave from. Assumed."""

JUMP_SD = 4.0
"""A correction that moves a sensor by more standard deviations than this wants a look. Common
practice: beyond 3 is a blunder; 4 leaves room for a sensor that has aged."""

JUMP_HOLD_S = 2.0 * 3600.0
"""So long such a correction marks its readings. Assumed: until somebody will have looked."""

JUMP_BEFORE_S = 4.0 * 3600.0
"""A reading so shortly before the correction is needed to see its step: a sensor may have been over
salt meanwhile. Assumed."""

JUMP_RAW_K, JUMP_RAW_PCT = 3.0, 10.0
"""Raw readings that differ so much before and after tell that the sensor was handled. Assumed."""

JUMP_RAW_S = 15.0 * 60.0
"""Stretch before and after that is compared. Assumed: a jar is opened and closed in less."""

JUMP_RAW_HOLD_S = 30.0 * 60.0
"""So long a sensor that was handled is marked: what it takes to settle. Common practice."""

CLOCK_AHEAD_S = 30.0
"""A right clock that rounds to the full minute is at most so much ahead. Common practice."""

CLOCK_BEHIND_S = 300.0
"""Live readings come sooner than this, even through a slow relay. Assumed."""

CLOCK_STEADY_S = 60.0
"""Delays within this of each other are one delay; a buffer that empties does so faster. Assumed."""

CLOCK_STEADY_SPAN_S = 600.0
"""Late readings over at least so long must share their delay. Assumed."""

CLOCK_STEADY_WINDOW_S = 1200.0
"""Stretch over which that is looked for. Assumed."""

CLOCK_STEADY_READINGS = 4
"""And at least so many readings. Assumed."""

DRIFT_PPM = 500.0
"""A working clock is slower or faster by less: the most that network time corrects by slewing
(RFC 5905 holds clocks to 500 ppm)."""

DRIFT_MOST_PPM = 200_000.0
"""Delays that change faster are a buffer that empties, and no clock. Assumed."""

DRIFT_HOURS = 4
"""The least delay of each of so many hours is compared. Assumed."""

DRIFT_READINGS = 4
"""Readings that each of these hours needs, for the least delay to mean the clock. Assumed."""

DRIFT_EVEN = 3.0
"""The change from hour to hour is steady within this factor. Assumed."""

DISAGREES_SD = 4.0
"""Sensors of one place that differ by more of their joint standard deviations contradict.
Assumed: 3 is common practice in one point; a room's own gradients want more."""

DISAGREES_BESIDE_S = 600.0
"""Readings further apart in time are not compared. Assumed: what counts as fresh."""

DISAGREES_FOR_S = 600.0
"""So long must they contradict: a closed housing follows a change of the air minutes after a bare
sensor. Assumed: three lags of three minutes."""

DISAGREES_WINDOW_S = 3600.0
"""Stretch over which that is looked for. Assumed."""

BATTERY_LOW_PCT = 10.0
"""Below this a cell sags under load, and readings with it. Common practice."""
