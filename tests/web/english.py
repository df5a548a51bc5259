"""Finds English left on what is shown in German.

Three nets: a sentence of the catalogue that stands there in English, with anything in its gaps; a
small English word that German does not have; and a text that is the same on the English page,
where neither its words are the same in German nor a person wrote them.
"""

from __future__ import annotations

import re
import string
from collections.abc import Iterable
from html.parser import HTMLParser

from babel.messages.catalog import Catalog

from service.web.tongue import Tongue

__all__ = ["English", "Page"]

_SMALL = (
    "the of and is are with not for by from this that has have which when where its it to been "
    "than your you does should before after behind between until every into no on or at as be "
    "what there they them then their more less most many"
)
SMALL_WORDS = frozenset(_SMALL.split())
"""No German words, and so frequent that hardly an English sentence goes without one."""

_SIGNS = (
    "h min s K mm cm m nm µm g kg kJ W hPa kPa Pa mbar mmHg inHg mil x MB kWh Boothglass MQTT JSON "
    "YAML URL SHA ISO UTC ID id RH API QR PDF A A5 A6 Deutsch English NaCl MgCl2 LiCl KCl K2CO3 "
    "K2SO4 Mg NO3 Europe WebP P-256 C F"
)
SIGNS = frozenset(_SIGNS.split())
"""Said alike everywhere: units, standards, formulas, languages in themselves."""

UNSEEN = frozenset({"script", "style", "code", "pre", "textarea"})
SAID_IN = frozenset({"aria-label", "title", "alt", "placeholder"})

_WORD = re.compile(r"[^\W\d_][\w-]*")
_ADDRESS = re.compile(r"(?<!\w)/[\w/.-]+")
_POINT = re.compile(r"(?<![\d.:/])\d+\.\d+(?![.\d])")
_PERCENT = re.compile(r"%\((\w+)\)s")


class Page(HTMLParser):
    """What a page shows, piece by piece, what it names for a screen reader, and where it leads."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.said: list[str] = []
        self.links: list[str] = []
        self._inside: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note what an element is called, and its link."""
        if tag in UNSEEN:
            self._inside.append(tag)
        self.said += [value for name, value in attrs if name in SAID_IN and value]
        self.links += [v for name, v in attrs if tag == "a" and name == "href" and v]

    def handle_endtag(self, tag: str) -> None:
        """Come out of what shows no words."""
        if self._inside and self._inside[-1] == tag:
            self._inside.pop()

    def handle_data(self, data: str) -> None:
        """Note what is shown."""
        if not self._inside and data.strip():
            self.said.append(" ".join(data.split()))


class English:
    """Knows what the catalogue says in English, and what is alike in both."""

    def __init__(self, catalogue: Catalog, tongue: Tongue, written: Iterable[str]) -> None:
        """Take the messages, the language, and ``written``: words that people typed in."""
        one = [m.id for m in catalogue if isinstance(m.id, str) and m.id]
        many = [part for m in catalogue if isinstance(m.id, tuple) for part in m.id]
        alike = [text for text in one if tongue.gettext(text) == text]
        self._alike = {word for text in alike for word in _WORD.findall(text)}
        self._alike |= SIGNS | {w for text in written for w in _WORD.findall(text)}
        self._plain, self._gapped = set[str](), list[re.Pattern[str]]()
        for text in [*one, *many]:
            if text in one and text in alike:
                continue
            if "{" in text or "%(" in text:
                self._gapped += _pattern(text, self._alike)
            else:
                self._plain.add(_bare(text.replace("%%", "%")))

    def left(self, shown: Iterable[str], in_english: Iterable[str] = ()) -> list[str]:
        """Return the texts that are English, or that write a figure as English does."""
        same = {_bare(text) for text in in_english}
        return [
            text
            for raw in shown
            if (text := _bare(raw)) and (self._is_english(text) or self._untouched(text, same))
        ]

    def _is_english(self, text: str) -> bool:
        words = _WORD.findall(text)
        own = [word for word in words if word not in self._alike]
        return bool(
            SMALL_WORDS & set(own)
            or _POINT.search(text)
            or (own and text in self._plain)
            or (own and any(pattern.fullmatch(text) for pattern in self._gapped))
        )

    def _untouched(self, text: str, same: set[str]) -> bool:
        return text in same and any(word not in self._alike for word in _WORD.findall(text))


def _bare(text: str) -> str:
    """A text without the signs at its ends."""
    return " ".join(_ADDRESS.sub(" ", text).split()).strip(" .:;,·▲!✓−+")


def _pattern(message: str, alike: set[str]) -> list[re.Pattern[str]]:
    """A message with anything in its gaps; none where hardly a word of it is its own."""
    if "%(" in message:
        literals = _PERCENT.split(message.replace("%%", "%"))[::2]
    else:
        literals = [""]
        for text, name, _, _ in string.Formatter().parse(message):
            literals[-1] += text
            if name is not None:
                literals.append("")
    own = {word for text in literals for word in _WORD.findall(text)} - alike
    if not any(len(word) > 2 for word in own):
        return []
    literals[0], literals[-1] = literals[0].lstrip(" .:;,·▲"), literals[-1].rstrip(" .:;,")
    return [re.compile(".+?".join(map(re.escape, literals)), re.DOTALL)]
