"""Languages: gettext catalogues, and a person's own locale for figures and dates.

Decisions and notices are told in English sentences, and kept as such. A sentence that is made from
a template (``say("... {figure} ...", ...)``, here and in ``service.shop``) is known again by that
template, so that it can be said in another language long after it was written down.
"""

from __future__ import annotations

import re
import string
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from io import BytesIO
from pathlib import Path

from babel import Locale
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from babel.support import NullTranslations, Translations

__all__ = ["DOMAIN", "ENGLISH", "TOLD_IN", "Tongue", "Tongues", "load_tongues"]

DOMAIN = "boothglass"

TOLD_IN = (
    "service/shop/",
    "service/store/",
    "service/web/phrases.py",
    "service/web/validation.py",
    "service/web/problems.py",
    "service/web/api/",
    "service/web/pages/recipes.py",
    "service/web/pages/what_if.py",
    "service/web/pages/wall.py",
    "service/notify/",
    "sensors/",
    "service/worker/",
    "service/watch.py",
    "service/intake/",
    "service/backup/keeper.py",
)
"""Where sentences are made that reach a page already said."""

SCRIPTS = "dashboards/src/"

FIGURE = r"[-−+]?\d[\d.]*(?:e[-+]?\d+)?%?"
"""What a figure in a sentence looks like."""

MOST_DEEP = 4
"""A sentence may hold another one, which may hold a name."""


@dataclass(frozen=True)
class Tongue:
    """A language: ``lang`` as a page names it, its catalogue, its locale.

    Languages are told apart by ``lang``: a service reads each catalogue once.
    """

    lang: str
    locale: Locale = field(compare=False)
    catalogue: NullTranslations = field(default_factory=NullTranslations, compare=False)
    templates: tuple[str, ...] = field(default=(), compare=False)
    """English templates of sentences that are known again."""
    script: Mapping[str, str] = field(default_factory=dict, compare=False)
    """What the pages' scripts say."""

    @property
    def name(self) -> str:
        """Name of the language, in itself."""
        return str(self.locale.language_name or self.lang)

    def gettext(self, message: str) -> str:
        """A message in this language, or as it is."""
        return str(self.catalogue.gettext(message)) if message else ""

    def ngettext(self, one: str, many: str, count: int) -> str:
        """A message for a number of things."""
        return str(self.catalogue.ngettext(one, many, count))

    def say(self, template: str, /, **given: object) -> str:
        """A sentence from its template."""
        return self.gettext(template).format(**given)

    def said(self, sentence: str) -> str:
        """An English sentence in this language; one that is not known stays as it is."""
        return self._said(sentence) if self._known else sentence

    @cached_property
    def decimal(self) -> str:
        """The sign between whole and part."""
        return str(self.locale.number_symbols["latn"]["decimal"])

    @cached_property
    def _known(self) -> tuple[tuple[re.Pattern[str], str], ...]:
        # The one with the most letters of its own first: it says the most of what it fits.
        ordered = sorted(self.templates, key=lambda t: -len("".join(_literals(t))))
        return tuple((_pattern(template), template) for template in ordered)

    @cached_property
    def _said(self) -> Callable[[str], str]:
        return lru_cache(maxsize=4096)(self._translate)

    def _translate(self, sentence: str, depth: int = 0) -> str:
        plain = self.gettext(sentence)
        if plain != sentence or depth > MOST_DEEP:
            return plain
        for pattern, template in self._known:
            found = pattern.fullmatch(sentence)
            if found is not None:
                given = {n: self._translate(v, depth + 1) for n, v in found.groupdict().items()}
                return string.Formatter().vformat(self.gettext(template), (), _AsSaid(given))
        upper = sentence[:1].upper() + sentence[1:]
        return self.gettext(upper) if upper != sentence and self.gettext(upper) != upper else plain


class _AsSaid(dict[str, "_Figure"]):
    """What a sentence held, as it was said: the figures have been rounded already."""

    def __init__(self, given: Mapping[str, str]) -> None:
        super().__init__({name: _Figure(value) for name, value in given.items()})


class _Figure(str):
    """Text that takes any format and keeps its own."""

    __slots__ = ()

    def __format__(self, _spec: str) -> str:
        return str(self)


ENGLISH = Tongue("en", Locale("en", "GB"))
"""What everything is written in: day before month."""


class Tongues:
    """The languages there are."""

    def __init__(self, others: Sequence[Tongue] = ()) -> None:
        self._by_lang = {tongue.lang: tongue for tongue in (ENGLISH, *others)}

    def __iter__(self) -> Iterator[Tongue]:
        """Every one, English first."""
        return iter(self._by_lang.values())

    def of(self, *wanted: object, accept: str = "") -> Tongue:
        """Return the first that is wanted and there; else what a browser would take; else English.

        ``accept`` is a browser's ``Accept-Language``.
        """
        for lang in wanted:
            if isinstance(lang, str) and lang in self._by_lang:
                return self._by_lang[lang]
        return next((t for lang in _accepted(accept) if (t := self._by_lang.get(lang))), ENGLISH)


def load_tongues(folder: Path) -> Tongues:
    """Read the catalogues ``<folder>/<language>/LC_MESSAGES/boothglass.po``.

    They are compiled in memory, so what is read is never older than what is written; shops of one
    process share them.
    """
    found = sorted(folder.glob(f"*/LC_MESSAGES/{DOMAIN}.po"))
    return Tongues([_load(path, path.stat().st_mtime_ns) for path in found])


@lru_cache(16)
def _load(path: Path, _changed_ns: int) -> Tongue:
    locale = Locale.parse(path.parts[-3])
    with path.open("rb") as file:
        catalogue = read_po(file, locale=locale)
    compiled = BytesIO()
    write_mo(compiled, catalogue)
    compiled.seek(0)
    told = tuple(
        message.id
        for message in catalogue
        if isinstance(message.id, str)
        and "{" in message.id
        and any(place.startswith(TOLD_IN) for place, _ in message.locations)
    )
    script = {
        str(message.id): str(message.string)
        for message in catalogue
        if any(place.startswith(SCRIPTS) for place, _ in message.locations)
    }
    return Tongue(locale.language, locale, Translations(compiled, DOMAIN), told, script)


def _accepted(header: str) -> list[str]:
    """Languages of an ``Accept-Language`` (RFC 9110, 12.5.4), the dearest first."""
    found: list[tuple[float, str]] = []
    for part in header[:500].split(","):
        tag, _, weight = part.strip().partition(";")
        try:
            share = float(weight.strip().removeprefix("q=")) if weight else 1.0
        except ValueError:
            continue
        if tag and share > 0.0:
            found.append((share, tag.split("-")[0].lower()))
    return [lang for _, lang in sorted(found, key=lambda one: -one[0])]


def _literals(template: str) -> list[str]:
    return [text for text, *_ in string.Formatter().parse(template)]


def _pattern(template: str) -> re.Pattern[str]:
    parts, seen = [], set[str]()
    for text, name, spec, _ in string.Formatter().parse(template):
        parts.append(re.escape(text))
        if name is not None:
            held = FIGURE if spec and spec[-1] in "fg%d" else ".+?"
            parts.append(f"(?P={name})" if name in seen else f"(?P<{name}>{held})")
            seen.add(name)
    return re.compile("".join(parts), re.DOTALL)
