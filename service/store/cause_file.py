"""What is known of causes: read from YAML and checked."""

from __future__ import annotations

import math
from importlib import resources
from typing import Literal

from pydantic import Field, model_validator

from service.shop.causes import Cause, Indicator, Knowledge
from service.store.yaml_files import CatalogueError, Strict, parsed

__all__ = ["load_causes", "parse_causes"]

FILE = "causes.yaml"


class _Indicator(Strict):
    of: Literal["coat", "piece"]
    group: str
    name: str = Field(min_length=3)
    unit: str
    edges: list[float] = Field(min_length=1)
    usual: list[float]

    @model_validator(mode="after")
    def _sense(self) -> _Indicator:
        if sorted(set(self.edges)) != self.edges:
            raise ValueError("edges: must rise")
        return self


class _Cause(Strict):
    name: str = Field(min_length=3)
    how: str = Field(min_length=3)
    kinds: dict[str, float] = Field(min_length=1)
    expects: dict[str, list[float]]


class _Causes(Strict):
    basis: str = Field(min_length=3)
    indicators: dict[str, _Indicator]
    near_the_surface: list[str]
    causes: dict[str, _Cause]


def parse_causes(text: str, where: str) -> Knowledge:
    """Read causes and indicators.

    Raises
    ------
    CatalogueError
        Naming ``where`` and the field; with the line where the file's own form is wrong.
    """
    read = parsed(_Causes, text, where)
    indicators = {
        name: Indicator(name, i.of, i.group, i.name, i.unit, tuple(i.edges), tuple(i.usual))
        for name, i in read.indicators.items()
    }
    for name, indicator in indicators.items():
        _check(f"{where}: indicators.{name}.usual", indicator, indicator.usual)
    causes = {}
    for name, cause in read.causes.items():
        for asked, shares in cause.expects.items():
            field = f"{where}: causes.{name}.expects.{asked}"
            if asked not in indicators:
                raise CatalogueError(f"{field}: no such indicator")
            _check(field, indicators[asked], shares)
        if any(weight <= 0 for weight in cause.kinds.values()):
            raise CatalogueError(f"{where}: causes.{name}.kinds: a weight must be above 0")
        expects = {asked: tuple(shares) for asked, shares in cause.expects.items()}
        causes[name] = Cause(name, cause.name, cause.how, cause.kinds, expects)
    return Knowledge(indicators, causes, frozenset(read.near_the_surface), read.basis)


def load_causes() -> Knowledge:
    """Read what ships."""
    file = resources.files("service") / "data" / FILE
    return parse_causes(file.read_text(encoding="utf-8"), FILE)


def _check(field: str, indicator: Indicator, shares: list[float] | tuple[float, ...]) -> None:
    if len(shares) != len(indicator.edges) + 1:
        raise CatalogueError(f"{field}: needs {len(indicator.edges) + 1} shares, one a bin")
    if min(shares) <= 0 or not math.isclose(sum(shares), 1.0, abs_tol=1e-6):
        raise CatalogueError(f"{field}: shares must be above 0 and add up to 1")
