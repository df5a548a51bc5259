"""Collect what is said to people, and bring the catalogues of other languages up to it.

    python deploy/messages.py           add what is new, drop what is gone
    python deploy/messages.py --check   only say whether something would change

Messages are the templates of ``say("...")`` and ``gettext``, the texts of the pages, the words in
tables of phrases, the names in the shipped YAML, and ``t("...")`` in scripts. Catalogues are
compiled when the service starts.
"""

from __future__ import annotations

import argparse
import ast
import re
import sys
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import Any

import yaml
from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_file
from babel.messages.pofile import read_po, write_po

from service.web.tongue import TOLD_IN

ROOT = Path(__file__).resolve().parents[1]
LOCALE = ROOT / "dashboards" / "locale"
LANGUAGES = ("de",)

KEYWORDS: dict[str, Any] = {"say": None, "_": None, "gettext": None, "ngettext": (1, 2)}

SENTENCES = (
    "service/web/**/*.py",
    *(f"{place}**/*.py" if place.endswith("/") else place for place in TOLD_IN),
)
"""Pages say sentences as they are drawn; what is told elsewhere must be known again there."""

TABLES = {
    "service/web/phrases.py": (),
    "service/shop/notices.py": ("NOTICE_KINDS",),
    "service/shop/parts.py": ("PARTS",),
    "service/shop/learning.py": ("SAID",),
    "service/shop/jars.py": ("SALTS",),
    "service/shop/quality/course.py": ("WORDS",),
    "service/web/flag_shapes.py": ("FLAG_WORDS",),
    "service/web/people_words.py": (
        "CHANNEL_KINDS",
        "FORMS",
        "HOW_TOLD",
        "TURNS",
        "DELIVERY_STATES",
    ),
    "service/web/validation.py": ("CHECKS",),
    "service/web/pages/evidence_words.py": ("NAMES", "AFTER_ENDS"),
    "service/web/pages/cause_words.py": ("VERDICTS",),
    "service/shop/evidence/unknown.py": ("OF_COATS", "OF_THE_ONE"),
    "service/web/pages/listening.py": ("SAID",),
    "service/web/pages/places.py": ("SPANS",),
    "service/web/pages/mapping_form.py": ("QUANTITIES", "TIME_FORMS", "_UNIT_NAMES", "_NOT_SENT"),
}
"""Tables of words by module; none named: all of the module's."""

KEYS = {
    "service/science/woods.py": ("WOODS",),
    "service/science/salts.py": ("SALTS",),
}
"""Tables whose keys are names that a person reads."""

REFUSALS = ("PayloadError", "MappingError")

FEWEST_LETTERS = 7
"""A template with fewer letters of its own would be seen in what is none of its sentences."""

NAMED = (
    "service/data/materials/*.yaml",
    "service/data/schedules/*.yaml",
    "service/data/flaws/*.yaml",
    "service/data/causes.yaml",
)

TOLD = frozenset(
    {"name", "how", "plain", "family", "looks", "shows", "basis", "closes_basis", "note",
     "remedies", "cautions"}
)  # fmt: skip
"""Fields of these files that a person reads."""


def collect() -> Catalog:
    """Return a catalogue of every message there is."""
    found = Catalog(project="Boothglass", fuzzy=False)
    for path, message in sorted(_everything(), key=lambda one: (one[0], str(one[1]))):
        found.add(message, locations=[(path, 0)])
    return found


def _everything() -> Iterator[tuple[str, Any]]:
    for path in {path for pattern in SENTENCES for path in ROOT.glob(pattern)}:
        yield from _extracted("python", path, KEYWORDS)
    for path in (ROOT / "dashboards" / "templates").rglob("*.html"):
        yield from _extracted("jinja2.ext:babel_extract", path, KEYWORDS, {"trimmed": "true"})
    for path in (ROOT / "dashboards" / "src").rglob("*.js"):
        yield from _extracted("javascript", path, {"t": None})
    yield from _tabled()


def _tabled() -> Iterator[tuple[str, str]]:
    """What stands in tables of the code, and in the shipped YAML."""
    for name, tables in TABLES.items():
        for text in _tables(ROOT / name, tables):
            yield name, text
    for folder in ("sensors", "service/intake"):
        for path in (ROOT / folder).glob("*.py"):
            for text in _refusals(path):
                yield _short(path), text
    for name, tables in KEYS.items():
        for text in _tables(ROOT / name, tables, keys=True):
            yield name, text
    yield from _shipped()


def _shipped() -> Iterator[tuple[str, str]]:
    """What the shipped materials, schedules, kinds of flaws and causes tell."""
    for pattern in NAMED:
        for path in ROOT.glob(pattern):
            for text in _names(yaml.safe_load(path.read_text(encoding="utf-8"))):
                yield _short(path), text


def _extracted(
    method: str, path: Path, keywords: dict[str, Any], options: dict[str, Any] | None = None
) -> Iterator[tuple[str, Any]]:
    for _, message, _, _ in extract_from_file(method, str(path), keywords, options=options):
        if isinstance(message, tuple):
            yield _short(path), tuple(message[:2])
        elif message:
            yield _short(path), message


def _refusals(path: Path) -> Iterator[str]:
    """Reasons of refusals as templates: ``sensors`` knows nothing of languages."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        called = node.func if isinstance(node, ast.Call) else None
        if not isinstance(called, ast.Name) or called.id not in REFUSALS or len(node.args) < 2:
            continue
        reason = node.args[1]
        parts = reason.values if isinstance(reason, ast.JoinedStr) else [reason]
        template, held = "", 0
        for part in parts:
            if isinstance(part, ast.Constant) and isinstance(part.value, str):
                template += part.value.replace("{", "{{").replace("}", "}}")
            else:
                held += 1
                template += f"{{it{held}}}"
        if held == 0:
            yield template.replace("{{", "{").replace("}}", "}")
        elif sum(map(str.isalpha, re.sub(r"{it\d+}", "", template))) >= FEWEST_LETTERS:
            yield template


def _tables(path: Path, wanted: tuple[str, ...], *, keys: bool = False) -> Iterator[str]:
    """Strings that are values (or keys) of a module's tables, however deep."""
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        targets = node.targets if isinstance(node, ast.Assign) else ()
        if isinstance(node, ast.AnnAssign):
            targets = [node.target]
        names = {t.id for t in targets if isinstance(t, ast.Name)} - {"__all__"}
        if names and node.value is not None and (not wanted or names & set(wanted)):
            for part in ast.walk(node.value):
                if isinstance(part, ast.Dict):
                    for value in part.keys if keys else part.values:
                        yield from () if value is None else _words_of(value)
            if names & set(wanted):
                yield from _words_of(node.value)


def _words_of(node: ast.AST) -> Iterator[str]:
    if isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value.strip():
        if any(letter.isalpha() for letter in node.value):
            yield node.value
    elif isinstance(node, ast.Tuple | ast.List):
        for one in node.elts:
            yield from _words_of(one)


def _names(data: Any) -> Iterator[str]:
    """What a material, a schedule, a kind of flaw or a cause of one tells a person."""
    if isinstance(data, dict):
        for key, value in data.items():
            if key in TOLD and isinstance(value, str):
                yield value
            elif key in TOLD and isinstance(value, list):
                yield from map(str, value)
            else:
                yield from _names(value)
    elif isinstance(data, list):
        for one in data:
            yield from _names(one)


def _short(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def updated(lang: str, template: Catalog) -> bytes:
    """Return a language's catalogue as it should be: every message, and none that is gone."""
    path = LOCALE / lang / "LC_MESSAGES" / "boothglass.po"
    old = Catalog(locale=lang)
    if path.exists():
        with path.open("rb") as file:
            old = read_po(file, locale=lang)
    fresh = Catalog(locale=lang, project="Boothglass", fuzzy=False, header_comment="")
    for message in template:
        if not message.id:
            continue
        said = old.get(message.id)
        fresh.add(
            message.id,
            said.string if said is not None else None,
            locations=message.locations,
        )
    out = BytesIO()
    write_po(out, fresh, width=100, omit_header=False, sort_output=True, include_lineno=False)
    lines = out.getvalue().splitlines(keepends=True)
    # Dates and versions of tools would make every run another file.
    kept = [
        line
        for line in lines
        if not line.startswith((b'"POT-Creation', b'"PO-Revision', b'"Generated-By'))
    ]
    return b"".join(kept)


def main() -> int:
    """Update or check every catalogue; 1 where a check finds one behind."""
    parser = argparse.ArgumentParser(description="Bring the catalogues of messages up to the code.")
    parser.add_argument("--check", action="store_true", help="change nothing")
    only_check = parser.parse_args().check
    template, behind = collect(), 0
    for lang in LANGUAGES:
        path = LOCALE / lang / "LC_MESSAGES" / "boothglass.po"
        content = updated(lang, template)
        if path.exists() and path.read_bytes() == content:
            continue
        behind += 1
        print(f"{_short(path)}: {'is behind' if only_check else 'written'}")
        if not only_check:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
    return 1 if behind and only_check else 0


if __name__ == "__main__":
    sys.exit(main())
