"""Errors as problem details (RFC 9457), and as a page where a person's browser asked for one."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from service.clock import ClockError
from service.shop.said import say
from service.store.errors import Conflict, NotFound, StoreError

__all__ = [
    "API_ROOT",
    "FieldError",
    "field_name",
    "install",
    "problem",
    "store_status",
    "wants_page",
]

API_ROOT = "/api/"
MEDIA_TYPE = "application/problem+json"

FieldError = tuple[str, str]
"""A field's name and what is wrong with it."""

_FIELD_NAMES = {
    "material_id": "material",
    "place_id": "place",
    "instrument_id": "instrument",
    "schedule_id": "schedule",
    "coat_id": "coat",
    "step_key": "step",
}

Page = Callable[[Request, int, str, str, Sequence[FieldError]], Response]
"""Draws a problem as a page: request, status, title, detail, errors."""


def field_name(inner: str) -> str:
    """Return the name that a field has at the edge (``material_id`` is sent as ``material``)."""
    return _FIELD_NAMES.get(inner, inner)


def problem(
    status: int,
    detail: str,
    errors: Sequence[FieldError] = (),
    headers: dict[str, str] | None = None,
) -> Response:
    """Return a problem-details answer; ``errors`` becomes its extension of the same name."""
    body: dict[str, Any] = {
        "type": "about:blank",
        "title": title_of(status),
        "status": status,
        "detail": detail,
        "errors": [{"field": field, "reason": reason} for field, reason in errors],
    }
    return JSONResponse(body, status, headers=headers, media_type=MEDIA_TYPE)


def title_of(status: int) -> str:
    """Return the phrase of an HTTP status."""
    try:
        return HTTPStatus(status).phrase
    except ValueError:
        return "Error"


def store_status(error: StoreError) -> int:
    """Return the HTTP status that fits what the store refused."""
    if isinstance(error, NotFound):
        return 404
    return 409 if isinstance(error, Conflict) else 422


def install(app: FastAPI, page: Page) -> None:
    """Make every error of the app a problem: JSON for programs, a page for browsers."""

    def answer(
        request: Request,
        status: int,
        detail: str,
        errors: Sequence[FieldError] = (),
        headers: dict[str, str] | None = None,
    ) -> Response:
        if wants_page(request):
            return page(request, status, title_of(status), detail, errors)
        return problem(status, detail, errors, headers)

    @app.exception_handler(StoreError)
    async def refused(request: Request, error: StoreError) -> Response:
        name = field_name(error.field)
        status = store_status(error)
        # An unknown *resource* is 404; an unknown value sent in a body or query is bad input.
        if isinstance(error, NotFound) and not _in_path(request, name):
            status = 422
        return answer(request, status, f"{name}: {error.reason}", [(name, error.reason)])

    @app.exception_handler(ClockError)
    async def clock_refused(request: Request, error: ClockError) -> Response:
        name, _, reason = str(error).partition(": ")
        return answer(request, 422, str(error), [(name, reason)])

    @app.exception_handler(RequestValidationError)
    async def invalid(request: Request, error: RequestValidationError) -> Response:
        errors = [_validation(item) for item in error.errors()]
        detail = "; ".join(f"{name}: {reason}" for name, reason in errors)
        return answer(request, 422, detail, errors)

    @app.exception_handler(HTTPException)
    async def http(request: Request, error: HTTPException) -> Response:
        detail = str(error.detail)
        if error.status_code == 404 and detail == "Not Found":
            detail = say("nothing at {path}", path=request.url.path)
        headers = dict(error.headers) if error.headers else None
        # These two are only raised while a body is read.
        errors = [("body", detail)] if error.status_code in {400, 413} else []
        return answer(request, error.status_code, detail, errors, headers)


def wants_page(request: Request) -> bool:
    """Whether a page answers better than JSON."""
    path = request.url.path
    return not path.startswith(API_ROOT) and "text/html" in request.headers.get("accept", "")


def _in_path(request: Request, name: str) -> bool:
    return f"{name}_id" in request.path_params or name in request.path_params


def _validation(item: dict[str, Any]) -> FieldError:
    # "loc" starts with where the value was sent; a reader wants the field's own name.
    parts = [str(part) for part in item["loc"]]
    if len(parts) > 1 and parts[0] in {"body", "query", "path", "header", "cookie"}:
        parts = parts[1:]
    name = ".".join(parts)
    if item["type"] == "json_invalid":
        reason = item.get("ctx", {}).get("error", "not valid JSON")
        return "body", f"not valid JSON: {reason}"
    return field_name(name), str(item["msg"])


def describe(app: FastAPI) -> None:
    """Let the OpenAPI description say that errors are problem details."""
    plain = app.openapi

    def described() -> dict[str, Any]:
        if app.openapi_schema is not None:
            return app.openapi_schema
        schema = plain()
        schemas = schema.setdefault("components", {}).setdefault("schemas", {})
        for unused in ("HTTPValidationError", "ValidationError"):
            schemas.pop(unused, None)
        schemas["Problem"] = _PROBLEM_SCHEMA
        content = {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}}
        for operations in schema["paths"].values():
            for operation in operations.values():
                responses = operation["responses"]
                responses.pop("422", None)
                responses["4XX"] = {
                    "description": "What was asked cannot be; `errors` names the fields.",
                    "content": content,
                }
        app.openapi_schema = schema
        return schema

    app.openapi = described  # type: ignore[method-assign]  # FastAPI's own way to extend it


_PROBLEM_SCHEMA: dict[str, Any] = {
    "title": "Problem",
    "description": "Problem details (RFC 9457).",
    "type": "object",
    "required": ["type", "title", "status", "detail", "errors"],
    "properties": {
        "type": {"type": "string", "format": "uri-reference"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
        "errors": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["field", "reason"],
                "properties": {"field": {"type": "string"}, "reason": {"type": "string"}},
            },
        },
    },
}
