"""Flaws of a made-up trade, each with a cause that is hidden from the tool.

Shops with a gun, an air line, a season and habits of their own coat pieces; every coat runs the
risks of its true air, wait, thickness and distance, and every shop those of things that no record
sees. Which risk struck is the hidden cause. The tool is told what it would have been told: air by a
sensor that is a little wrong, waits by a clock that does not know the shop's own pace, film margins
by its own model.

The risks are our own guess at the trade and are not taken from the tool's table of causes; all of
it is simulation.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from service.science import air as moist
from service.shop.causes import Finding, Findings
from service.shop.film_table import FilmTable, Known
from service.shop.materials import Coating
from service.store.catalogue import load_catalogue

__all__ = ["Case", "cases"]

MATERIAL = "nitro-lacquer-gun"
COATS = 8
SENSOR_SD_K, SENSOR_SD_PCT = 0.3, 2.0


@dataclass(frozen=True)
class Case:
    """A flaw: its kind, its hidden cause, and what the tool finds of it."""

    kind: str
    cause: str
    findings: Findings


@dataclass
class _Coat:
    """A coat as it really was."""

    day: int
    air_c: float
    rh_pct: float
    rh_after: float
    cooled_k: float
    wait: float
    wet: float
    distance: float
    retarder: float
    batch: int
    fresh: bool


@dataclass
class _Piece:
    coats: list[_Coat]
    levelled: float
    rubbed: float
    handled: float
    swing_k: float
    coldest_c: float
    dried: float
    wetted: float
    wood: float
    build: float
    filled: bool
    scuffed: bool
    clean: bool
    jointed: bool
    cut: bool
    struck: tuple[str, str] | None = None  # kind, cause


@dataclass
class _Shop:
    """What is a shop's own, and hidden."""

    pace: float
    film_off_k: float
    air_off_k: float
    rh_off_pct: float
    air_c: float
    rh_pct: float
    hurry: float
    gun_days: set[int] = field(default_factory=set)
    wet_line_days: set[int] = field(default_factory=set)
    bad_batches: set[int] = field(default_factory=set)


def cases(shops: int, seed: int) -> Iterator[Case]:
    """Yield the flaws of so many shops over a season of twelve pieces each."""
    rng = np.random.default_rng(seed)
    table = _table()
    for _ in range(shops):
        shop = _shop(rng)
        pieces = [_piece(shop, start, rng) for start in range(0, 36, 3)]
        for piece in pieces:
            piece.struck = _strike(shop, piece, table, rng)
        for piece in pieces:
            if piece.struck is not None:
                yield Case(*piece.struck, _told(shop, piece, pieces, table, rng))


def _table() -> FilmTable:
    material = load_catalogue().materials[MATERIAL]
    known = Known(101_000.0, SENSOR_SD_K, SENSOR_SD_PCT, surface_measured=False)
    return FilmTable(material, Coating(material.usual_wet_um), known)


# -- what happens --------------------------------------------------------------------------------


def _shop(rng: np.random.Generator) -> _Shop:
    return _Shop(
        pace=float(np.exp(rng.normal(0.0, 0.2))),
        film_off_k=float(rng.normal(0.0, 0.8)),
        air_off_k=float(rng.normal(0.0, SENSOR_SD_K)),
        rh_off_pct=float(rng.normal(0.0, SENSOR_SD_PCT)),
        air_c=float(rng.normal(20.0, 2.5)),
        rh_pct=float(rng.normal(54.0, 7.0)),
        hurry=float(np.exp(rng.normal(0.0, 0.15))),
        gun_days={d for d in range(80) if rng.random() < 0.02},
        wet_line_days={d for d in range(80) if rng.random() < 0.01},
        bad_batches={b for b in range(8) if rng.random() < 0.04},
    )


def _piece(shop: _Shop, start: int, rng: np.random.Generator) -> _Piece:
    coats = []
    day_air = {}
    for number in range(COATS):
        day = start + number // 3
        if day not in day_air:
            day_air[day] = (rng.normal(shop.air_c, 2.5), rng.normal(shop.rh_pct, 9.0))
        air_c, rh = day_air[day][0] + rng.normal(0, 1.0), day_air[day][1] + rng.normal(0, 3.0)
        batch = day // 10
        coats.append(
            _Coat(
                day=day,
                air_c=float(np.clip(air_c, 8.0, 35.0)),
                rh_pct=float(np.clip(rh, 20.0, 92.0)),
                rh_after=float(np.clip(rh + abs(rng.normal(0.0, 7.0)), 20.0, 97.0)),
                cooled_k=float(abs(rng.normal(0.0, 2.0))),
                wait=float(1.25 / shop.hurry * np.exp(rng.normal(0.0, 0.4))),
                wet=float(np.exp(rng.normal(0.0, 0.25))),
                distance=float(np.exp(rng.normal(0.0, 0.18))),
                retarder=float(rng.choice([0.0, 0.0, 0.0, 5.0, 10.0])),
                batch=batch,
                fresh=day % 10 == 0 and number == 0,
            )
        )
    season = float(rng.normal(0.0, 9.0))
    return _Piece(
        coats=coats,
        levelled=float(1.3 / shop.hurry * np.exp(rng.normal(0.0, 0.4))),
        rubbed=float(1.3 / shop.hurry * np.exp(rng.normal(0.0, 0.4))),
        handled=float(np.exp(rng.normal(0.3, 0.8))),
        swing_k=float(abs(rng.normal(5.0, 4.0))),
        coldest_c=float(rng.normal(13.0, 5.0)),
        dried=max(0.0, -season) + abs(float(rng.normal(0.0, 2.0))),
        wetted=max(0.0, season) + abs(float(rng.normal(0.0, 2.0))),
        wood=0.14 * season + float(rng.normal(0.0, 0.25)),
        build=float(np.exp(rng.normal(0.0, 0.2))),
        filled=rng.random() > 0.03,
        scuffed=rng.random() > 0.02,
        clean=rng.random() > 0.02,
        jointed=rng.random() > 0.015,
        cut=rng.random() < 0.02,
    )


def _chance(excess: float, width: float) -> float:
    return 1.0 / (1.0 + math.exp(-excess / width))


def _strike(
    shop: _Shop, piece: _Piece, table: FilmTable, rng: np.random.Generator
) -> tuple[str, str] | None:
    """Let every risk have its chance, in a random order; the first that strikes is the cause."""
    risks: list[tuple[float, str, Mapping[str, float]]] = []
    for coat in piece.coats:
        risks += _risks_of_coat(shop, coat, table)
    risks += _risks_of_piece(shop, piece)
    for number in rng.permutation(len(risks)):
        chance, cause, kinds = risks[number]
        if rng.random() < chance:
            return str(rng.choice(list(kinds), p=list(kinds.values()))), cause
    return None


def _risks_of_coat(
    shop: _Shop, coat: _Coat, table: FilmTable
) -> list[tuple[float, str, Mapping[str, float]]]:
    margin = _margin(table, coat.air_c, coat.rh_pct) + 0.25 * coat.retarder + shop.film_off_k
    wait = coat.wait / shop.pace
    return [
        (_chance(-margin, 0.5), "damp_air", {"blush": 0.95, "pinholes": 0.05}),
        (0.7 * _chance(coat.rh_after - 88.0, 2.0), "damp_later", {"blush": 1.0}),
        (
            0.25 * (coat.day in shop.wet_line_days),
            "water_in_the_line",
            {"blush": 0.5, "pinholes": 0.2, "fisheyes": 0.3},
        ),
        (
            0.6 * _chance(0.45 - wait, 0.07),
            "recoated_early",
            {"solvent_pop": 0.35, "wrinkling": 0.2, "sink_back": 0.2, "gummy_sanding": 0.25},
        ),
        (
            _chance(coat.wet - 1.95, 0.08),
            "wet_coat",
            {"runs": 0.6, "solvent_pop": 0.2, "gummy_sanding": 0.1, "pinholes": 0.1},
        ),
        (_chance(0.48 - coat.wet, 0.03), "thin_coat", {"dry_spray": 0.5, "orange_peel": 0.5}),
        (_chance(coat.distance - 1.6, 0.05), "too_far", {"dry_spray": 0.7, "orange_peel": 0.3}),
        (_chance(0.6 - coat.distance, 0.03), "too_near", {"runs": 0.8, "orange_peel": 0.2}),
        (
            _chance(coat.air_c - 31.0 - 0.2 * coat.retarder, 0.8),
            "hot_dry_air",
            {"dry_spray": 0.4, "orange_peel": 0.4, "solvent_pop": 0.2},
        ),
        (
            0.5 * _chance(11.5 - coat.air_c, 0.8),
            "cold_air",
            {"runs": 0.4, "orange_peel": 0.3, "gummy_sanding": 0.3},
        ),
        (
            0.25 * (coat.day in shop.gun_days),
            "gun_set_up",
            {"orange_peel": 0.5, "dry_spray": 0.2, "runs": 0.3},
        ),
        (
            0.1 * (coat.batch in shop.bad_batches),
            "bad_batch",
            {"wrinkling": 0.4, "gummy_sanding": 0.3, "delamination": 0.2, "fisheyes": 0.1},
        ),
    ]


def _risks_of_piece(shop: _Shop, piece: _Piece) -> list[tuple[float, str, Mapping[str, float]]]:
    return [
        (
            _chance(0.55 - piece.levelled / shop.pace, 0.07),
            "levelled_early",
            {"sink_back": 0.5, "gummy_sanding": 0.4, "witness_lines": 0.1},
        ),
        (
            0.6 * _chance(0.5 - piece.rubbed / shop.pace, 0.07),
            "rubbed_early",
            {"sink_back": 0.6, "printing": 0.4},
        ),
        (_chance(0.35 - piece.handled / shop.pace, 0.06), "handled_early", {"printing": 1.0}),
        (
            max(_chance(piece.swing_k - 15.0, 1.0), _chance(-1.0 - piece.coldest_c, 1.0)),
            "cold_swing",
            {"cold_checks": 0.8, "crazing": 0.2},
        ),
        (
            _chance(piece.build - 1.65, 0.08),
            "too_much_film",
            {"crazing": 0.6, "cold_checks": 0.4},
        ),
        (
            _chance(-2.2 - piece.wood, 0.2),
            "wood_dried",
            {"open_seams": 0.5, "plate_moved": 0.4, "cold_checks": 0.1},
        ),
        (
            _chance(piece.wood - 2.2, 0.2),
            "wood_took_up_water",
            {"plate_moved": 0.8, "open_seams": 0.2},
        ),
        (0.7 * (not piece.filled), "pores_not_filled", {"pinholes": 0.6, "sink_back": 0.4}),
        (0.7 * (not piece.scuffed), "not_scuffed", {"delamination": 0.6, "witness_lines": 0.4}),
        (0.8 * (not piece.clean), "contamination", {"fisheyes": 0.85, "delamination": 0.15}),
        (0.8 * (not piece.jointed), "joint_or_brace", {"open_seams": 0.6, "plate_moved": 0.4}),
        (
            0.9 * piece.cut + 0.3 * _chance(0.68 - piece.build, 0.05),
            "cut_through",
            {"witness_lines": 1.0},
        ),
    ]


def _margin(table: FilmTable, air_c: float, rh_pct: float) -> float:
    """Wet film over the dew point by the film model; far out where the model is not asked."""
    dew = float(moist.dew_point(air_c, rh_pct))
    floor, _ = table.film(np.array([air_c]), np.array([air_c - dew]), np.zeros(1))
    return float(floor[0]) - dew if math.isfinite(floor[0]) else 0.6 * (air_c - dew) - 4.0


# -- what the tool is told -----------------------------------------------------------------------


def _told(
    shop: _Shop,
    piece: _Piece,
    pieces: list[_Piece],
    table: FilmTable,
    rng: np.random.Generator,
) -> Findings:
    coats = tuple(_told_of_coat(shop, coat, table, rng) for coat in piece.coats)
    rough = float(rng.normal(0.0, 0.1))
    told = {
        "levelled_part": Finding(piece.levelled, 0.15 * piece.levelled),
        "rubbed_part": Finding(piece.rubbed, 0.15 * piece.rubbed),
        "handled_part": Finding(piece.handled, 0.15 * piece.handled),
        "swing_k": Finding(piece.swing_k + float(rng.normal(0.0, 0.5)), 0.5),
        "coldest_c": Finding(piece.coldest_c + shop.air_off_k, SENSOR_SD_K),
        "dried_pct": Finding(piece.dried, 1.0),
        "wetted_pct": Finding(piece.wetted, 1.0),
        "wood_change_pct": Finding(piece.wood + float(rng.normal(0.0, 0.2)), 0.3),
        "build_part": Finding(piece.build * math.exp(rough), 0.12),
    }
    days = {coat.day for coat in piece.coats}
    beside = [p for p in pieces if p is not piece and days & {c.day for c in p.coats}]
    if beside:
        kind = piece.struck[0] if piece.struck else ""
        same = sum(p.struck is not None and p.struck[0] == kind for p in beside)
        told["others_flawed"] = Finding(same / len(beside))
    return Findings(coats, told)


def _told_of_coat(
    shop: _Shop, coat: _Coat, table: FilmTable, rng: np.random.Generator
) -> dict[str, Finding]:
    air_c = coat.air_c + shop.air_off_k + float(rng.normal(0.0, 0.1))
    rh = float(np.clip(coat.rh_pct + shop.rh_off_pct + rng.normal(0.0, 0.5), 1.0, 99.0))
    dew = float(moist.dew_point(air_c, rh))
    return {
        "blush_margin_k": Finding(_margin(table, air_c, rh) + 0.25 * coat.retarder, 0.9),
        "dew_margin_k": Finding(air_c - dew, 0.7),
        "rh_pct": Finding(rh, SENSOR_SD_PCT),
        "air_c": Finding(air_c, SENSOR_SD_K),
        "waited_part": Finding(coat.wait, 0.15 * coat.wait),
        "wet_part": Finding(coat.wet * math.exp(float(rng.normal(0.0, 0.12))), 0.12),
        "retarder_pct": Finding(coat.retarder),
        "distance_part": Finding(coat.distance * math.exp(float(rng.normal(0.0, 0.08))), 0.08),
        "cooled_k": Finding(coat.cooled_k, 0.2),
        "damp_after_pct": Finding(coat.rh_after + shop.rh_off_pct, SENSOR_SD_PCT),
        "fresh_batch": Finding(float(coat.fresh)),
        "closed_part": Finding(0.0),  # this lacquer's window never closes
    }
