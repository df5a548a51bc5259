"""The evidence behind a flaw as frozen dataclasses: facts, each with what is not known of them.

Instants are aware and in UTC. Temperatures are °C, differences of temperature K, relative humidity
%, film thickness µm, times in hours where a name ends in ``_h``. A figure that the record does not
know is None, never a guess. Standard uncertainties (one standard deviation) end in ``_sd_k`` or
``_sd_pct``.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

__all__ = [
    "AirAt",
    "AirSpan",
    "Beside",
    "Bounds",
    "CoatEvidence",
    "CorrectionNote",
    "Evidence",
    "FilmAt",
    "FilmBuild",
    "Move",
    "SensorNote",
    "StepEvidence",
    "Swing",
    "Swings",
    "Wait",
    "WoodCourse",
    "WoodPoint",
]


@dataclass(frozen=True)
class Bounds:
    """A quantity over a span: mean of the readings, lowest and highest of them, and the spread.

    ``sd`` is the standard deviation of five-minute means about the mean; it is how much the air
    went up and down, not how well it is known.
    """

    mean: float
    min: float
    max: float
    sd: float


@dataclass(frozen=True)
class AirSpan:
    """Air over a span of whole five minutes, as the history of its places tells it.

    It is made of the rows of the history at ``resolution=5m`` from ``from_at`` until before
    ``until_at``: means weighted by their counts, lowest and highest readings.

    Attributes
    ----------
    places
        Places it hung in during the span, in order.
    readings
        How many readings count.
    flagged, left_out
        Readings among all that came that are doubtful, and those that cannot be right and do not
        count.
    flagged_share
        ``flagged`` by all that came, 0 to 1; None where none came.
    missing_share
        Part of the span, 0 to 1, that no reading covers (readings more than an hour apart).
    bridged_share
        Part of the span, 0 to 1, that no reading covers and that lies between readings, so that
        clocks bridge it, with a wider range. Never more than ``missing_share``.
    air_c, rh_pct, dew_point_c, surface_c
        None where no reading counts; ``dew_point_c`` too in bone-dry air, ``surface_c`` too where
        no surface was measured.
    air_sd_k, rh_sd_pct, dew_point_sd_k
        Standard uncertainty of the air told, by the least sure of the sensors heard there and
        their corrections.
    """

    from_at: datetime
    until_at: datetime
    places: tuple[str, ...]
    readings: int
    flagged: int
    left_out: int
    flagged_share: float | None
    missing_share: float
    bridged_share: float
    air_c: Bounds | None
    rh_pct: Bounds | None
    dew_point_c: Bounds | None
    surface_c: Bounds | None
    air_sd_k: float | None
    rh_sd_pct: float | None
    dew_point_sd_k: float | None


@dataclass(frozen=True)
class AirAt:
    """Air in the five minutes in which a coat went on (or the nearest ones within 15 minutes).

    It is the row of the place's history at ``resolution=5m`` that begins at ``from_at``.

    Attributes
    ----------
    apart_s
        From the coat to the nearer end of those five minutes, s; 0 where it lies in them.
    flagged
        Whether some of its readings are doubtful.
    surface_c, surface_measured
        Surface of the work; taken as the air's where none was measured.
    dew_point_margin_k
        Surface less dew point; None in bone-dry air.
    """

    place_id: str
    from_at: datetime
    apart_s: float
    readings: int
    flagged: bool
    air_c: float
    rh_pct: float
    surface_c: float
    surface_measured: bool
    dew_point_c: float | None
    dew_point_margin_k: float | None
    air_sd_k: float
    rh_sd_pct: float
    dew_point_sd_k: float
    dew_point_margin_sd_k: float


@dataclass(frozen=True)
class FilmAt:
    """The wet film of a coat as it is reckoned in the air it went on in.

    ``blush_margin_k`` is the film floor less the dew point (below zero: water came down in the
    film), with its standard uncertainty and the probability that it was below zero.
    ``haze_margin_k`` is how far the dew point was below the one from which on water stays in the
    film undissolved (below zero: it did); None where water is the carrier, or in bone-dry air.
    """

    film_floor_c: float
    blush_margin_k: float | None
    blush_margin_sd_k: float
    blush_probability: float
    haze_margin_k: float | None = None


@dataclass(frozen=True)
class Wait:
    """How far a coat's drying clock was when something was done to it.

    Attributes
    ----------
    coat_id
        The coat that had to wait.
    mark
        Mark it had to reach: ``recoat``, ``sand`` ...
    clock
        Part of that wait that had passed, 0 and on: 0.83 is seventeen per cent short, 1.4 well
        past it.
    clock_low, clock_high
        80 % range of ``clock``, by the spread of the material's own time and holes in the record.
    waited_h
        Hours by the calendar.
    elapsed_h, needed_h
        Reference hours passed and needed.
    missing_h, bridged_h
        Hours of the wait without a reading, and those of them that were bridged.
    closed_part
        Part of the window that had passed, where the mark opens one that closes again: 1 is the
        moment it closes; None where it never closes.
    """

    coat_id: int
    mark: str
    clock: float
    clock_low: float
    clock_high: float
    waited_h: float
    elapsed_h: float
    needed_h: float
    missing_h: float
    bridged_h: float
    closed_part: float | None


@dataclass(frozen=True)
class CoatEvidence:
    """One coat under the flaw.

    Attributes
    ----------
    named
        Whether the flaw was said to be in this coat.
    usual_wet_um
        Usual wet film of the material.
    usual_distance_cm
        Usual spray distance: the middle of the shop's other coats of this material where three or
        more tell it, else common practice; None where the material is not sprayed.
    fresh_batch
        Whether this was the first coat in the shop from another batch than the one before; None
        where batches were not told.
    before
        The six hours before it, where it was sprayed.
    air_at, film_at
        None where no reading is near, or the film model does not cover it.
    after, after_ends
        Where the piece hung, until the next coat or its sanding (``recoat``, ``sand``), the flaw
        (``flaw``), or for 24 hours (``day``), whichever comes first.
    cooled_k
        Fall of the air from the coat to the coldest five minutes of the six hours after it, 0 or
        more.
    damp_after_pct
        Highest relative humidity in the two hours after it.
    waited
        How far the coat below was; None for the first coat, or where its clock is not known.
    told_air
        Air and film as they were told when the coat was recorded, as kept then.
    """

    coat_id: int
    named: bool
    at: datetime
    parts: tuple[str, ...]
    step_key: str
    step_name: str
    place_id: str
    who: str
    note: str
    material_id: str
    material_name: str
    material_version: int | None
    batch: str
    fresh_batch: bool | None
    wet_um: float
    usual_wet_um: float | None
    passes: int | None
    build: str
    distance_cm: float | None
    usual_distance_cm: float | None
    retarder_pct: float
    before: AirSpan
    air_at: AirAt | None
    film_at: FilmAt | None
    after: AirSpan
    after_ends: Literal["recoat", "sand", "flaw", "day"]
    cooled_k: float | None
    damp_after_pct: float | None
    waited: Wait | None
    told_air: dict[str, float | str | None]


@dataclass(frozen=True)
class StepEvidence:
    """A step that was finished on the part: sanding, levelling, rubbing out, set up ...

    ``kind`` is the schedule's; ``waited`` is how far the coat under it was towards the mark that
    the step had to wait for.
    """

    step_key: str
    step_name: str
    kind: str
    at: datetime
    who: str
    removed_um: float | None
    waited: Wait | None


@dataclass(frozen=True)
class Move:
    """The piece was hung elsewhere; ``hardness`` is how far its newest coat's hardest mark was."""

    at: datetime
    from_place: str | None
    to_place: str
    hardness: Wait | None


@dataclass(frozen=True)
class Swing:
    """The largest change of hourly means within 24 hours; ``change`` is later less earlier."""

    change: float
    from_at: datetime
    until_at: datetime
    from_value: float
    to_value: float


@dataclass(frozen=True)
class Swings:
    """What the air did from the last coat up to the flaw.

    Attributes
    ----------
    air_k, rh_pct
        Largest change within a day, in K and % RH.
    coldest_c, coldest_at
        Coldest hour.
    dried_pct, wetted_pct
        Largest fall and rise of the week's mean relative humidity, % RH, each 0 or more; None with
        less than eight days on record since the first coat.
    missing_share
        Part of the time, 0 to 1, without a reading.
    """

    from_at: datetime
    until_at: datetime
    air_k: Swing | None
    rh_pct: Swing | None
    coldest_c: float | None
    coldest_at: datetime | None
    dried_pct: float | None
    wetted_pct: float | None
    missing_share: float


@dataclass(frozen=True)
class WoodPoint:
    """Moisture of the plate, % of oven-dry mass, and what it would come to in that air."""

    at: datetime
    moisture_pct: float
    equilibrium_pct: float


@dataclass(frozen=True)
class WoodCourse:
    """The plate's moisture from the first coat to the flaw, lagging behind the air.

    Attributes
    ----------
    board
        Wood that stands for it.
    response_h
        Time constant with which it follows.
    first_pct, last_pct, driest_pct, wettest_pct
        Lagged moisture at the first coat and at the flaw, and its extremes between.
    change_pct
        ``last_pct - first_pct``, in points.
    moved_mm
        What that makes across the grain of a plate ``width_mm`` wide; below zero: it shrank.
    change_sd_pct
        Standard uncertainty of the change, by the sensors and the unknown start (assumed).
    """

    board: str
    thickness_mm: float
    width_mm: float
    response_h: float
    first_pct: float
    last_pct: float
    driest_pct: float
    wettest_pct: float
    change_pct: float
    change_sd_pct: float
    moved_mm: float
    points: tuple[WoodPoint, ...]


@dataclass(frozen=True)
class FilmBuild:
    """Dry film on the part at the flaw, against what its schedule would have built by then.

    ``build_part`` is one by the other; None where the schedule tells no thickness.
    """

    dry_um: float
    planned_um: float | None
    build_part: float | None


@dataclass(frozen=True)
class Beside:
    """Other pieces that were coated within a day from the same material as a coat under the flaw.

    ``flawed`` of them have a flaw of the same kind.
    """

    pieces: int
    flawed: int


@dataclass(frozen=True)
class SensorNote:
    """A sensor whose readings the evidence rests on, and when it was last checked before them."""

    sensor_id: int
    place_id: str
    sensor: str
    readings: int
    checked_at: datetime | None
    check_method: str | None


@dataclass(frozen=True)
class CorrectionNote:
    """A correction of one of the sensors.

    Attributes
    ----------
    in_force
        Whether it bears on the figures shown: it stands, and begins before the flaw.
    later
        Whether it was made (or undone) after the flaw was logged, so that the figures are not those
        of then.
    """

    sensor_id: int
    place_id: str
    sensor: str
    quantity: str
    from_at: datetime
    slope: float
    offset: float
    sd: float | None
    method: str
    made_at: datetime
    undone_at: datetime | None
    in_force: bool
    later: bool


@dataclass(frozen=True)
class Evidence:
    """Everything the record shows behind one flaw, reckoned from the record as it stands.

    Attributes
    ----------
    from_at, until_at
        From six hours before the first coat to the flaw.
    coats
        Under the flaw's part, oldest first.
    steps, moves
        Up to the flaw, oldest first.
    handled
        How far the newest coat's hardest mark was when the piece was first set up, or moved to a
        place where it may lie or be cased (a store, outdoors), after its last coat. Moves between
        booth and rack do not count: it hangs there.
    beside
        None where no coat is under the flaw.
    not_known
        What the record should know and does not, in words.
    """

    flaw_id: int | None
    instrument_id: int
    kind: str
    part: str
    coat_id: int | None
    seen_at: datetime
    logged_at: datetime
    from_at: datetime
    until_at: datetime
    coats: tuple[CoatEvidence, ...]
    steps: tuple[StepEvidence, ...]
    moves: tuple[Move, ...]
    handled: Wait | None
    swings: Swings | None
    wood: WoodCourse | None
    film: FilmBuild | None
    beside: Beside | None
    sensors: tuple[SensorNote, ...]
    corrections: tuple[CorrectionNote, ...]
    not_known: tuple[str, ...]
