"""The API keeps to its own description, whoever asks for whatever the description allows.

Cases come from the description by schemathesis. Each is asked for over HTTP by an owner, a guest
and somebody who has not signed in.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

import httpx
import pytest
import requests
import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from schemathesis.checks import not_a_server_error
from schemathesis.core.failures import FailureGroup
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)
from signinkit import GUEST, GuardedShop, guarded_shop

from service.web.signin.rights import Rights
from service.web.signin.rights_table import LEVELS

CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]
NOT_ASKED = {
    "/api/v1/events",  # never ends
    "/api/v1/clock",  # would drive the time of everything that follows
    "/api/v1/access/devices/{session_id}",  # would sign out who asks
    "/api/v1/sign-in/devices/{session_id}",
}
ORDER = {"GET": -1, "DELETE": 1}
FEW = 3
MORE = int(os.environ.get("API_EXAMPLES", "10"))
"""Cases of an operation; some hundreds find more, and take half an hour."""
SEED = int(os.environ.get("API_SEED", "1"))

KNOWN: dict[str, st.SearchStrategy[Any]] = {
    "place_id": st.sampled_from(["booth", "rack"]),
    "material_id": st.sampled_from(["nitro-lacquer-gun", "shellac"]),
    "schedule_id": st.just("lacquer-clear"),
    "kind_id": st.integers(1, 3),
}
"""What the shop has, so that more is reached than what does not exist; other ids are numbers."""


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[GuardedShop]:
    """A shop with something of everything."""
    with guarded_shop(tmp_path) as made:
        made.read_day("booth", 22.0, 40.0, hours=3)
        made.read_day("rack", 20.0, 50.0, hours=3)
        for number in ("41", "42"):
            piece = made.add_piece(number)
            coat = made.work.record_coat(piece, passes=2, at=made.clock.now())
            made.work.flaws.log(piece, kind="blush", part="back", coat_id=coat.id)
        made.tell("sensor-silent", "The sensor wall in booth was not heard for an hour.")
        made.reject(b"{", "body", "not valid JSON")
        yield made


def browser_of(shop: GuardedShop, role: str) -> httpx.Client:
    """The browser of somebody of this role."""
    if role == "nobody":
        return shop.browser()
    return shop.owner() if role == "owner" else shop.invited(GUEST, role)


class Asker:
    """Asks for every operation as one role, and notes what is answered."""

    def __init__(self, shop: GuardedShop, role: str, browser: httpx.Client, start: int) -> None:
        self.shop, self.role, self.start = shop, role, start
        self.cookies = dict(browser.cookies)
        self.rights = Rights()
        self.wrong: dict[str, str] = {}
        self.done: set[str] = set()
        """Operations that were carried out at least once."""

    def ask_all(self, examples: int) -> None:
        """Ask for every operation; what reads goes first, what deletes last."""
        description = self.shop.program("read").get("/openapi.json").json()
        found = schemathesis.openapi.from_dict(description).get_all_operations()
        operations = [o for o in (result.ok() for result in found) if o.path not in NOT_ASKED]
        operations.sort(key=lambda o: ORDER.get(o.method.upper(), 0))
        for operation in operations:
            self._asking(operation, examples)()

    def _asking(self, operation: Any, examples: int) -> Callable[[], None]:
        @seed(self.start)
        @settings(
            max_examples=examples,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(case=operation.as_strategy(), data=st.data())
        def ask(case: schemathesis.Case, data: st.DataObject) -> None:
            for name in case.path_parameters or {}:
                if data.draw(st.integers(0, 3)):
                    case.path_parameters[name] = data.draw(KNOWN.get(name, st.integers(1, 3)))
            self._ask(f"{case.method} {operation.path}", case)

        return ask

    def _ask(self, key: str, case: schemathesis.Case) -> None:
        headers = {"accept": "application/json", "origin": self.shop.url}
        try:
            answer = case.call(self.shop.url, headers=headers, cookies=self.cookies, timeout=60)
        except requests.Timeout as late:
            self.wrong[key] = f"no answer: {late.request and late.request.url}"
            return
        status, sent = answer.status_code, answer.request
        if status < 300:
            self.done.add(key)
        told = f"{case.method} {sent.url} {(sent.body or b'')[:300]!r}: {status}"
        if not self._rightly(case.method, unquote(urlsplit(sent.url or "").path), status):
            self.wrong[key] = f"{told}: by the rights of {self.role}"
        try:
            case.validate_response(answer, checks=CHECKS)
        except FailureGroup as group:
            why = "; ".join(f"{e.title}: {e.message}" for e in group.exceptions)
            self.wrong[f"{key} {status}"] = f"{told}: {why}"

    def _rightly(self, method: str, path: str, status: int) -> bool:
        """Whether the role was let in, or kept out, as the table of rights says."""
        right = self.rights.find(method, path)
        level = right and right.level(method)
        # The test is on the machine itself.
        if level == "machine" or (level is not None and self.role in LEVELS[level]):
            return status not in {401, 403} or level in {"anyone", "secret"}
        return status in {"nobody": {401}, "guest": {403, 404, 405}, "owner": {404, 405}}[self.role]


@pytest.mark.parametrize("role", ["owner", "guest", "nobody"])
def test_the_api_answers_as_described_and_whom_it_may(shop: GuardedShop, role: str) -> None:
    asker = Asker(shop, role, browser_of(shop, role), SEED)
    asker.ask_all(FEW if role == "owner" else 1)
    assert not asker.wrong, "\n".join(asker.wrong.values())
    # Else it would be nothing but refusals that are looked at.
    assert len(asker.done) >= {"owner": 50, "guest": 20, "nobody": 1}[role]


@pytest.mark.slow
def test_so_it_does_when_it_is_asked_for_long(
    shop: GuardedShop,
) -> None:
    asker = Asker(shop, "owner", browser_of(shop, "owner"), SEED + 1)
    asker.ask_all(MORE)
    assert not asker.wrong, "\n".join(asker.wrong.values())
