"""What a report on a flaw says, section by section, as plain text and pictures."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from service.shop.cards import InstrumentCard
from service.shop.evidence.model import CoatEvidence
from service.shop.flaws import FlawKind
from service.store.flaw_book import Behind
from service.store.tables import Flaw, FlawPhoto
from service.web import phrases
from service.web.cause_models import CausesOut
from service.web.pages.cause_words import CauseWords
from service.web.pages.evidence_words import Told, told
from service.web.words import Words

__all__ = ["CoatLine", "Contents", "contents_of"]

STANDING = (
    "Facts as they were recorded, reckoned from the readings as they stand and corrected as stated "
    "below. They do not prove a cause."
)

CAPTION = (
    "Numbers: coats. Bars: the wait before each, filled as far as its clock was. Air and dew point "
    "in {degrees}, relative humidity in %, moisture of the plate in % (dotted: what it would come "
    "to in that air). Diamonds: lowest temperature that the wet film is reckoned to have reached."
)

LATER = timedelta(days=400)
"""A report is read long after: told from so far off, every instant carries its date and year."""

DATA_SHEET = (
    "Follow the data sheet of the material first. Nothing here says that air is safe to breathe."
)


@dataclass(frozen=True)
class CoatLine:
    """One coat in the table."""

    number: str
    went_on: str
    material: str
    wet: str
    air: str
    humidity: str
    margin: str
    waited: str


@dataclass(frozen=True)
class Contents:
    """Everything that the report prints; empty lists and texts are left out.

    ``photos`` are files with the first signs of their digests. ``causes`` are titles with what
    speaks for and against each.
    """

    title: str
    head: tuple[tuple[str, str], ...]
    note: str
    photos: tuple[tuple[Path, str], ...]
    figure: str
    caption: str
    coats: tuple[CoatLine, ...]
    facts: tuple[tuple[str, tuple[str, ...]], ...]
    changed: tuple[str, ...]
    not_known: tuple[str, ...]
    verdict: str
    causes: tuple[tuple[str, tuple[str, ...]], ...]
    remedies: tuple[str, ...]
    cautions: tuple[str, ...]
    digest: str
    digest_of: str
    made: str


def contents_of(
    *,
    shop_name: str,
    flaw: Flaw,
    kind: FlawKind,
    card: InstrumentCard,
    behind: Behind,
    causes: CausesOut,
    photos: tuple[tuple[Path, FlawPhoto], ...],
    figure: str,
    words: Words,
    now: datetime,
) -> Contents:
    """Put a report together in a person's words."""
    now += LATER
    said, likely = told(behind, words, now), CauseWords(causes, words)
    head = [
        ("Piece", f"No. {card.shop_number}, {card.kind}"),
        ("Part", flaw.part or "not said"),
        ("How bad", str(phrases.SEVERITIES.get(flaw.severity, flaw.severity))),
        ("Seen", words.at(flaw.seen_at, now) + (f", by {flaw.who}" if flaw.who else "")),
        ("Logged", words.at(flaw.made_at, now)),
    ]
    if shop_name:
        head.insert(0, ("Shop", shop_name))
    digest = behind.digest
    return Contents(
        title=f"{kind.name} on No. {card.shop_number}",
        head=tuple(head),
        note=flaw.note,
        photos=tuple((path, photo.digest[:16]) for path, photo in photos),
        figure=figure,
        caption=CAPTION.format(degrees=words.temperature_unit),
        coats=tuple(_coat(n, coat, said, words, now) for n, coat in _numbered(behind)),
        facts=_facts(behind, said, words, now),
        changed=tuple(said.changed(behind.changed)),
        not_known=tuple(behind.evidence.not_known),
        verdict=likely.verdict,
        causes=_causes(likely),
        remedies=tuple(kind.remedies),
        cautions=(*kind.cautions, DATA_SHEET),
        digest=digest.sha256,
        digest_of=(
            f"SHA-256 of {digest.coats} coats and the {digest.readings} readings around them as "
            f"they were sent. On the shop's machine, boothglass verify-evidence {flaw.id} DIGEST "
            "reckons it again from the record."
        ),
        made=(
            f"Made {words.at(now - LATER, now)} {words.zone_name} by Boothglass from the shop's "
            "own record."
        ),
    )


def _numbered(behind: Behind) -> list[tuple[int, CoatEvidence]]:
    return list(enumerate(behind.evidence.coats, 1))


def _coat(number: int, coat: CoatEvidence, said: Told, words: Words, now: datetime) -> CoatLine:
    air, film = coat.air_at, coat.film_at
    margin = "–"
    if film is not None and film.blush_margin_k is not None:
        margin = (
            f"{words.difference(film.blush_margin_k)} ± {words.difference(film.blush_margin_sd_k)}"
        )
    doubtful = " (doubtful)" if air is not None and air.flagged else ""
    return CoatLine(
        number=f"{number}{' *' if coat.named else ''}",
        went_on=f"{words.day(coat.at, now)} {words.clock(coat.at)}",
        material=coat.material_name + (f", batch {coat.batch}" if coat.batch else ""),
        wet=words.film(coat.wet_um),
        air="no reading" if air is None else words.temperature(air.air_c) + doubtful,
        humidity="–" if air is None else words.humidity(air.rh_pct),
        margin=margin,
        waited="–" if coat.waited is None else said.share(coat.waited),
    )


def _facts(
    behind: Behind, said: Told, words: Words, now: datetime
) -> tuple[tuple[str, tuple[str, ...]], ...]:
    sections = [
        (f"Coat {n}, {words.at(coat.at, now)}", tuple(said.coat(coat)))
        for n, coat in _numbered(behind)
    ]
    sections += [
        ("Since the last coat", tuple(said.since())),
        ("Steps and moves", tuple(f"{words.at(at, now)}: {text}" for at, text in said.steps())),
        ("Sensors that it rests on", tuple(said.sensors())),
        ("Corrections", tuple(said.corrections())),
    ]
    return tuple((title, lines) for title, lines in sections if lines)


def _causes(likely: CauseWords) -> tuple[tuple[str, tuple[str, ...]], ...]:
    found = []
    for cause in likely.first:
        where = f", most likely in coat {cause.coat}" if cause.coat else ""
        lines = [cause.how]
        lines += [f"For: {likely.says(says)}." for says in cause.speaks_for]
        lines += [f"Against: {likely.says(says)}." for says in cause.speaks_against]
        if cause.not_known:
            lines.append(f"Not known: {'; '.join(cause.not_known)}.")
        found.append((f"{cause.name}, {likely.chance(cause)}{where}", tuple(lines)))
    if likely.confirmed:
        found.insert(0, (f"Found by the shop to be: {likely.confirmed}", ()))
    return tuple(found)
