"""What a report on a flaw says, section by section, as plain text and pictures."""

from __future__ import annotations

from collections.abc import Callable
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

LATER = timedelta(days=400)
"""A report is read long after: told from so far off, every instant carries its date and year."""


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
    speaks for and against each. ``say`` gives what is printed around it in the
    reader's language.
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
    say: Callable[..., str]


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
    say, name = words.say, words.tongue.said
    said, likely = told(behind, words, now), CauseWords(causes, words)
    seen = words.at(flaw.seen_at, now)
    if flaw.who:
        seen = say("{at}, by {who}", at=seen, who=flaw.who)
    head = [
        (say("Piece"), say("No. {number}, {kind}", number=card.shop_number, kind=card.kind)),
        (say("Part"), name(flaw.part) if flaw.part else say("not said")),
        (say("How bad"), name(str(phrases.SEVERITIES.get(flaw.severity, flaw.severity)))),
        (say("Seen"), seen),
        (say("Logged"), words.at(flaw.made_at, now)),
    ]
    if shop_name:
        head.insert(0, (say("Shop"), shop_name))
    digest = behind.digest
    made = say(
        "Made {at} {zone} by Boothglass from the shop's own record.",
        at=words.at(now - LATER, now),
        zone=words.zone_name,
    )
    return Contents(
        title=say("{kind} on No. {number}", kind=name(kind.name), number=card.shop_number),
        head=tuple(head),
        note=flaw.note,
        photos=tuple((path, photo.digest[:16]) for path, photo in photos),
        figure=figure,
        caption=say(
            "Numbers: coats. Bars: the wait before each, filled as far as its clock was. Air and "
            "dew point in {degrees}, relative humidity in %, moisture of the plate in % (dotted: "
            "what it would come to in that air). Diamonds: lowest temperature that the wet film is "
            "reckoned to have reached.",
            degrees=words.temperature_unit,
        ),
        coats=tuple(_coat(n, coat, said, words, now) for n, coat in _numbered(behind)),
        facts=_facts(behind, said, words, now),
        changed=tuple(said.changed(behind.changed)),
        not_known=tuple(map(words.local, behind.evidence.not_known)),
        verdict=likely.verdict,
        causes=_causes(likely, words),
        remedies=tuple(map(name, kind.remedies)),
        cautions=(
            *map(name, kind.cautions),
            say(
                "Follow the data sheet of the material first. Nothing here says that air is safe "
                "to breathe."
            ),
        ),
        digest=digest.sha256,
        digest_of=say(
            "SHA-256 of {coats} coats and the {readings} readings around them as they were sent. "
            "On the shop's machine, boothglass verify-evidence {flaw} DIGEST reckons it again "
            "from the record.",
            coats=digest.coats,
            readings=digest.readings,
            flaw=flaw.id,
        ),
        made=made,
        say=say,
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
    say, material = words.say, words.tongue.said(coat.material_name)
    went_on_in = say("no reading") if air is None else words.temperature(air.air_c)
    if air is not None and air.flagged:
        went_on_in = say("{air} (doubtful)", air=went_on_in)
    return CoatLine(
        number=f"{number}{' *' if coat.named else ''}",
        went_on=f"{words.day(coat.at, now)} {words.clock(coat.at)}",
        material=say("{material}, batch {batch}", material=material, batch=coat.batch)
        if coat.batch
        else material,
        wet=words.film(coat.wet_um),
        air=went_on_in,
        humidity="–" if air is None else words.humidity(air.rh_pct),
        margin=margin,
        waited="–" if coat.waited is None else said.share(coat.waited),
    )


def _facts(
    behind: Behind, said: Told, words: Words, now: datetime
) -> tuple[tuple[str, tuple[str, ...]], ...]:
    sections = [
        (
            words.say("Coat {number}, {at}", number=n, at=words.at(coat.at, now)),
            tuple(said.coat(coat)),
        )
        for n, coat in _numbered(behind)
    ]
    sections += [
        (words.say("Since the last coat"), tuple(said.since())),
        (
            words.say("Steps and moves"),
            tuple(f"{words.at(at, now)}: {text}" for at, text in said.steps()),
        ),
        (words.say("Sensors it rests on"), tuple(said.sensors())),
        (words.say("Corrections"), tuple(said.corrections())),
    ]
    return tuple((title, lines) for title, lines in sections if lines)


def _causes(likely: CauseWords, words: Words) -> tuple[tuple[str, tuple[str, ...]], ...]:
    say: Callable[..., str] = words.say
    found: list[tuple[str, tuple[str, ...]]] = []
    for cause in likely.first:
        title = say("{cause}, {chance}", cause=likely.name(cause.name), chance=likely.chance(cause))
        if cause.coat:
            title = say("{cause}, most likely in coat {number}", cause=title, number=cause.coat)
        lines = [likely.name(cause.how)]
        lines += [say("For: {says}.", says=likely.says(says)) for says in cause.speaks_for]
        lines += [say("Against: {says}.", says=likely.says(says)) for says in cause.speaks_against]
        if cause.not_known:
            lines.append(say("Not known: {what}.", what=likely.not_known(cause)))
        found.append((title, tuple(lines)))
    if likely.confirmed:
        title = say("Found by the shop to be: {cause}", cause=likely.confirmed)
        found.insert(0, (title, ()))
    return tuple(found)
