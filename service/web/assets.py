"""Where templates, bundles and icons lie, and under which address each file is served."""

from __future__ import annotations

import hashlib
import logging
from dataclasses import dataclass, field
from pathlib import Path

from starlette.responses import Response
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

__all__ = ["Dashboards", "LongLived", "find_dashboards"]

log = logging.getLogger(__name__)

FOREVER = "public, max-age=31536000, immutable"


@dataclass(frozen=True)
class Dashboards:
    """The folder of everything that a person sees."""

    root: Path
    _stamps: dict[str, str] = field(default_factory=dict, repr=False)

    @property
    def templates(self) -> Path:
        """Jinja2 templates."""
        return self.root / "templates"

    @property
    def dist(self) -> Path:
        """Built scripts and styles."""
        return self.root / "dist"

    @property
    def locale(self) -> Path:
        """Catalogues of other languages."""
        return self.root / "locale"

    @property
    def icons(self) -> Path:
        """Icons, as they are."""
        return self.root / "icons"

    def address(self, name: str) -> str:
        """Return the address of a built file, with a stamp of its content so it caches for good."""
        return self._stamped(self.dist / name, f"/assets/{name}")

    def icon(self, name: str) -> str:
        """Return the address of an icon, stamped the same way."""
        return self._stamped(self.icons / name, f"/icons/{name}")

    def _stamped(self, path: Path, address: str) -> str:
        if address not in self._stamps:
            content = path.read_bytes() if path.is_file() else b""
            self._stamps[address] = hashlib.sha256(content).hexdigest()[:12]
        return f"{address}?v={self._stamps[address]}"


class LongLived(StaticFiles):
    """Static files; those asked for by their stamp may be kept for good, others are rechecked."""

    async def get_response(self, path: str, scope: Scope) -> Response:
        """Serve one file."""
        response = await super().get_response(path, scope)
        stamped = scope.get("query_string", b"").startswith(b"v=")
        response.headers["Cache-Control"] = FOREVER if stamped else "no-cache"
        return response


def find_dashboards() -> Dashboards:
    """Find the dashboards folder: inside the installed package, else beside it in a source tree.

    Raises
    ------
    FileNotFoundError
        Where neither place has templates.
    """
    package = Path(__file__).resolve().parents[1]
    candidates = (package / "dashboards", package.parent / "dashboards")
    for root in candidates:
        if (root / "templates").is_dir():
            if not (root / "dist" / "app.css").is_file():
                log.warning(
                    "pages have no script and style: dist/app.css is missing; "
                    "reinstall the package, or run the build of dashboards/"
                )
            return Dashboards(root)
    raise FileNotFoundError(f"templates: no dashboards folder in {package} or beside it")
