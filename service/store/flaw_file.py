"""A kind of flaw read from YAML and checked."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from service.shop.flaws import FlawKind
from service.store.yaml_files import Strict, parsed

__all__ = ["parse_flaw_kind"]

Sentence = Annotated[str, Field(min_length=3, max_length=500)]


class _FlawKind(Strict):
    id: str = Field(pattern=r"^[a-z][a-z0-9_]{0,31}$")
    order: int = Field(ge=0, le=10_000)
    name: str = Field(min_length=1, max_length=60)
    plain: Sentence
    looks: Sentence
    shows: Sentence
    newest_coat: bool
    remedies: list[Sentence] = Field(min_length=1, max_length=12)
    cautions: list[Sentence] = Field(min_length=1, max_length=12)
    basis: str = Field(min_length=3, max_length=200)


def parse_flaw_kind(text: str, where: str) -> FlawKind:
    """Read one kind of flaw.

    Raises
    ------
    CatalogueError
        Naming ``where``, the line, the field and what is wrong with it.
    """
    read = parsed(_FlawKind, text, where).model_dump()
    read["remedies"], read["cautions"] = tuple(read["remedies"]), tuple(read["cautions"])
    return FlawKind(**read)
