"""The page of flawed coats against clean ones."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from service.store.comparing import MEASURES
from service.web.api.compare import adopt
from service.web.compare_models import AdoptIn, BinOut, compared_out
from service.web.deps import ShopDep
from service.web.pages.forms import FormDep
from service.web.pages.render import renderer_of
from service.web.words import Words

__all__ = ["router"]

router = APIRouter()


class RateWords:
    """Ranges, rates and limits in a person's words."""

    def __init__(self, words: Words) -> None:
        self.words = words

    def value(self, unit: str, value: float) -> str:
        """A figure of the air."""
        if unit == "degC":
            return self.words.temperature(value)
        return self.words.difference(value) if unit == "K" else f"{self.words.figure(value, 1)} %"

    def span(self, unit: str, found: BinOut) -> str:
        """From where to where a bin reaches."""
        if found.from_value is None:
            return self.words.say("below {to}", to=self.value(unit, found.to_value or 0.0))
        low = self.value(unit, found.from_value)
        if found.to_value is None:
            return self.words.say("{low} and more", low=low)
        return self.words.say("{low} to {high}", low=low, high=self.value(unit, found.to_value))

    def rate(self, found: BinOut) -> str:
        """A rate with its interval; with few coats the interval is what counts."""
        if found.rate is None:
            return self.words.say("no coat")
        return self.words.say(
            "{flawed} of {coats}, {low} to {high} %",
            flawed=found.flawed,
            coats=found.coats,
            low=round(100 * found.rate_low),
            high=round(100 * found.rate_high),
        )


@router.get("/flaws/compare")
def compare(
    request: Request, shop: ShopDep, kind: str = "blush", material: str | None = None
) -> Response:
    """Show how often a kind of flaw comes, by the air of the coat."""
    renderer, catalogue = renderer_of(request), shop.desk.catalogue
    chosen = material or shop.work.comparer.usual_material()
    found = shop.work.comparer.compare(kind, chosen)
    return renderer.page(
        request,
        "flaw_compare.html",
        kind=kind,
        material=chosen,
        kinds=list(catalogue.flaw_kinds.values()),
        materials=list(catalogue.materials.values()),
        found=compared_out(found),
        rows=[row for row in found.rows if row.flawed][-20:],
        rates=RateWords(renderer.words),
        units={name: measure.unit for name, measure in MEASURES.items()},
        names={name: measure.name for name, measure in MEASURES.items()},
    )


@router.post("/flaws/compare/adopt")
def adopt_limit(shop: ShopDep, fields: FormDep) -> Response:
    """Take a suggested limit on."""
    asked = AdoptIn(
        kind=fields.get("kind", ""),
        material=fields.get("material", ""),
        limit=fields.get("limit", ""),
    )
    adopt(shop, asked)
    return RedirectResponse(f"/materials/{asked.material}", 303)
