"""YAML read against a model, with errors that point at the line."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from importlib.resources.abc import Traversable
from typing import Any, TypeVar

import yaml
from pydantic import BaseModel, ConfigDict, ValidationError

__all__ = ["CatalogueError", "Strict", "parsed", "yaml_files"]


class CatalogueError(ValueError):
    """A file of data is wrong; the message names file, line, field and reason."""


class Strict(BaseModel):
    """A model that takes no field it does not know, and no infinite number."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


Model = TypeVar("Model", bound=BaseModel)

QUICK = yaml.CSafeLoader if yaml.__with_libyaml__ else yaml.SafeLoader
"""The same language by the C library where it was built in, ten times as fast."""


def parsed(model: type[Model], text: str, where: str) -> Model:
    """Read one file's text as ``model``.

    Raises
    ------
    CatalogueError
        Naming ``where``, the line, the field and what is wrong with it.
    """
    try:
        data: Any = yaml.load(text, Loader=QUICK)  # noqa: S506 -- both are safe ones
    except yaml.YAMLError as error:
        raise CatalogueError(f"{where}: not YAML: {error}") from error
    if not isinstance(data, dict):
        raise CatalogueError(f"{where}: expected fields and values at the top")
    try:
        return model.model_validate(data)
    except ValidationError as error:
        first = error.errors()[0]
        field = ".".join(str(part) for part in first["loc"]) or "file"
        line = _line_of(text, first["loc"])
        raise CatalogueError(f"{where}, line {line}: {field}: {first['msg']}") from error


def _line_of(text: str, path: Sequence[str | int]) -> int:
    """Return the line, counted from one, of the deepest part of ``path`` that is written."""
    node = yaml.compose(text, Loader=yaml.SafeLoader)
    line = 1
    for part in path:
        if isinstance(node, yaml.MappingNode):
            here = next(((k, v) for k, v in node.value if k.value == str(part)), None)
        elif isinstance(node, yaml.SequenceNode) and isinstance(part, int):
            here = (node.value[part], node.value[part]) if part < len(node.value) else None
        else:
            here = None
        if here is None:
            break
        line = here[0].start_mark.line + 1
        node = here[1]
    return line


def yaml_files(folder: Traversable) -> Iterator[tuple[str, str]]:
    """Yield name and text of the YAML files of a folder, by name; none where there is no folder."""
    if not folder.is_dir():
        return
    for entry in sorted(folder.iterdir(), key=lambda entry: entry.name):
        if entry.name.endswith(".yaml"):
            yield entry.name, entry.read_text(encoding="utf-8")
