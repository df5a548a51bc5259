"""Form posts into the API's own request models, in the shop's units and zone."""

from __future__ import annotations

from typing import Annotated, Any, TypeVar
from urllib.parse import urlsplit

from fastapi import Depends, Request
from pydantic import BaseModel, ValidationError
from starlette.datastructures import FormData

from service.shop.said import say
from service.store.errors import StoreError
from service.web.problems import FieldError, field_name
from service.web.signin.caller import caller_of
from service.web.words import Words

__all__ = ["Fields", "FormDep", "FormError", "back_to", "blame", "read", "typed_in", "with_point"]

Fields = dict[str, str]
"""What a form sent; fields left empty are absent, but for ``who``: that is who is signed in."""

MOST_FIELDS = 60


class FormError(ValueError):
    """A form that cannot be taken as it is; ``errors`` names the fields."""

    def __init__(self, errors: list[FieldError]) -> None:
        super().__init__("; ".join(f"{name}: {reason}" for name, reason in errors))
        self.errors = errors


async def _fields(request: Request) -> Fields:
    async with request.form(max_files=0, max_fields=MOST_FIELDS) as form:
        return typed_in(request, form)


def typed_in(request: Request, form: FormData) -> Fields:
    """Return the fields of a form, with who is signed in."""
    fields = {
        name: value.strip()
        for name, value in form.multi_items()
        if isinstance(value, str) and value.strip()
    }
    if caller_of(request).signed_in:
        fields.setdefault("who", caller_of(request).name)
    return fields


FormDep = Annotated[Fields, Depends(_fields)]

_Model = TypeVar("_Model", bound=BaseModel)


def read(model: type[_Model], fields: Fields, words: Words) -> _Model:
    """Read the fields that ``model`` knows; others (where to go back to) are left alone.

    ``wet`` and ``removed`` are thicknesses and ``distance`` a length in the shop's unit, and become
    ``wet_um``, ``removed_um`` and ``distance_cm``; instants are local; boxes named ``part-...``
    that are ticked become ``parts``.

    Raises
    ------
    FormError
        Naming the fields that were wrong.
    """
    known = model.model_fields
    figures = {name for name, field in known.items() if "float" in str(field.annotation)}
    given: dict[str, Any] = {
        k: with_point(v) if k in figures else v for k, v in fields.items() if k in known
    }
    for name in ("at", "from_at", "seen_at"):
        if name in given:
            try:
                given[name] = words.from_field(given[name])
            except ValueError as error:
                raise FormError([(name, say("is no date and time"))]) from error
    for name, field, plain in (
        ("wet", "wet_um", words.film_um),
        ("removed", "removed_um", words.film_um),
        ("distance", "distance_cm", words.reach_cm),
    ):
        if name in fields and field in model.model_fields:
            try:
                given[field] = plain(float(with_point(fields[name])))
            except ValueError as error:
                raise FormError([(field, say("is no number"))]) from error
    ticked = [name.removeprefix("part-") for name in fields if name.startswith("part-")]
    if ticked and "parts" in model.model_fields:
        given["parts"] = ticked
    try:
        return model.model_validate(given)
    except ValidationError as error:
        raise FormError(
            [(str(item["loc"][0]), str(item["msg"])) for item in error.errors()]
        ) from error


def with_point(typed: Any) -> Any:
    """A figure as it was typed, with a decimal point and a plain minus, whatever the language."""
    if not isinstance(typed, str):
        return typed  # read already
    return typed.strip().replace(",", ".").replace("−", "-")


def blame(error: FormError | StoreError) -> dict[str, str]:
    """Return what was wrong by field, for the form to show beside it."""
    if isinstance(error, FormError):
        return dict(error.errors)
    return {field_name(error.field): error.reason}


def back_to(fields: Fields, default: str, **query: str) -> str:
    """Return where a form asked to be led back to, if that is an address of ours."""
    back = fields.get("back", default)
    parts = urlsplit(back)
    ours = back.startswith("/") and not back.startswith("//") and "\\" not in back
    if not ours or parts.scheme or parts.netloc or not back.isprintable():
        parts = urlsplit(default)
    added = "&".join(f"{name}={value}" for name, value in query.items())
    joined = "&".join(part for part in (parts.query, added) if part)
    return parts.path + (f"?{joined}" if joined else "")
