"""What a browser needs to install the pages and to open them without connection."""

from __future__ import annotations

import hashlib
import json

from fastapi import APIRouter, Request
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, Response

from service.web.assets import Dashboards
from service.web.deps import ShopDep
from service.web.pages.render import renderer_of

__all__ = ["router"]

router = APIRouter()

OFFLINE = "/offline"

SHELL_ENDS = (".js", ".css", ".svg", ".png")


@router.get("/manifest.webmanifest")
def manifest(shop: ShopDep) -> Response:
    """Let a phone put the pages on its home screen."""
    asset = shop.dashboards.address
    icons = [
        {"src": shop.dashboards.icon("mark.svg"), "sizes": "any", "type": "image/svg+xml"},
        *(
            {"src": asset(f"{name}-{size}.png"), "sizes": f"{size}x{size}", "type": "image/png"}
            | purpose
            for name, purpose in (("icon", {}), ("icon-full", {"purpose": "maskable"}))
            for size in (192, 512)
        ),
    ]
    return JSONResponse(
        {
            "id": "/",
            "name": "Boothglass",
            "short_name": "Boothglass",
            "description": "When to spray, when to wait, and which piece is ready.",
            "start_url": "/",
            "scope": "/",
            "display": "standalone",
            "background_color": "#e8eae4",
            "theme_color": "#1b1613",
            "icons": icons,
            "shortcuts": [
                {"name": "Pieces", "url": "/instruments"},
                {"name": "Wall screen", "url": "/wall"},
            ],
        },
        media_type="application/manifest+json",
        headers={"Cache-Control": "no-cache"},
    )


@router.get("/sw.js")
def service_worker(shop: ShopDep) -> Response:
    """Serve the service worker with the files of this version in front of it.

    Its text changes whenever one of them does; that is how a browser knows of a new version.
    """
    path = shop.dashboards.dist / "sw.js"
    if not path.is_file():
        raise HTTPException(404, "sw.js: the pages were built without a service worker")
    script = path.read_text(encoding="utf-8")
    files = shell_files(shop.dashboards)
    version = hashlib.sha256("\n".join((*files, script)).encode()).hexdigest()[:12]
    shell = json.dumps({"version": version, "files": files, "offline": OFFLINE})
    return Response(
        f"self.SHELL = {shell};\n{script}",
        media_type="text/javascript",
        headers={"Cache-Control": "no-cache"},
    )


@router.get(OFFLINE)
def offline(request: Request) -> Response:
    """Say that there is no connection; the service worker keeps this page for when that is so."""
    return renderer_of(request).page(request, "offline.html")


def shell_files(dashboards: Dashboards) -> list[str]:
    """List the addresses of everything that pages load besides themselves."""
    return [
        address(path.name)
        for folder, address in (
            (dashboards.dist, dashboards.address),
            (dashboards.icons, dashboards.icon),
        )
        for path in sorted(folder.glob("*"))
        if path.name != "sw.js" and path.name.endswith(SHELL_ENDS)
    ]
