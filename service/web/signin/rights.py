"""Who may do what: a request is looked up in the table of rights, and refused by default."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from starlette.routing import compile_path

from service.web.signin.caller import Caller
from service.web.signin.rights_table import AFRESH, LEVELS, MOUNTS, ROUTES, SECRET

__all__ = ["Right", "Rights", "Verdict"]

Verdict = Literal["may", "unknown", "method", "sign in", "refused"]
"""What comes of asking: leave; no such route; no such method; nobody is known; not this role."""


@dataclass(frozen=True)
class Right:
    """A row of the table that a path fits, with what stands in the path for its parameters."""

    template: str
    methods: Mapping[str, str]
    params: Mapping[str, str]

    def level(self, method: str) -> str | None:
        """Level that a method asks for; ``HEAD`` is a ``GET``."""
        return self.methods.get("GET" if method == "HEAD" else method)

    def plain_path(self, path: str, method: str) -> str:
        """Return the path as it may be written down: without a secret."""
        return self.template if self.level(method) in SECRET else path


class Rights:
    """The table, ready to be asked."""

    def __init__(
        self,
        routes: Mapping[str, Mapping[str, str]] = ROUTES,
        mounts: Mapping[str, str] = MOUNTS,
        levels: Mapping[str, frozenset[str]] = LEVELS,
    ) -> None:
        self._levels, self._mounts = levels, mounts
        # Plain words go before parameters, as the routers have them: /flaws/compare is no flaw.
        ordered = sorted(routes, key=lambda path: [("{" in part, part) for part in path.split("/")])
        self._rows: list[tuple[re.Pattern[str], str, Mapping[str, str]]] = [
            (compile_path(path)[0], path, routes[path]) for path in ordered
        ]

    def find(self, method: str, path: str) -> Right | None:
        """Return the first row that fits path and method, else one that fits the path; or None."""
        for mount, level in self._mounts.items():
            if path == mount or path.startswith(f"{mount}/"):
                return Right(mount, {"GET": level}, {})
        near = None
        for pattern, template, methods in self._rows:
            if found := pattern.fullmatch(path):
                right = Right(template, methods, found.groupdict())
                if right.level(method) is not None:
                    return right
                near = near or right
        return near

    def asks_afresh(self, method: str, path: str) -> bool:
        """Whether only who signed in lately may."""
        right = self.find(method, path)
        return right is not None and (method, right.template) in AFRESH

    def ask(self, caller: Caller, method: str, path: str, *, on_machine: bool = False) -> Verdict:
        """Say whether a caller may; ``on_machine`` says that the machine itself asks."""
        right = self.find(method, path)
        level = None if right is None else right.level(method)
        if right is None or level is None:
            if caller.role == "nobody":
                return "sign in"
            return "unknown" if right is None else "method"
        if caller.role in self._levels[level] and not _anothers(caller, level, right):
            return "may"
        if level == "machine" and on_machine:
            return "may"
        return "sign in" if caller.role == "nobody" else "refused"


def _anothers(caller: Caller, level: str, right: Right) -> bool:
    """Whether a route is about another person than the one whose it may be."""
    if level != "self" or caller.role == "owner":
        return False
    return right.params.get("person_id") != str(caller.person_id)
