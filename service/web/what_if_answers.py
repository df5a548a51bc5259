"""What the API gives for *what if*: now beside then, the gain, the cost, what was assumed."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

from service.shop.materials import Material
from service.shop.what_if import Side, WhatIf
from service.store.what_if import Asked
from service.web import answers
from service.web.models import Number, SprayCheckOut

__all__ = ["WhatIfOut", "what_if_out"]


class _Out(BaseModel):
    model_config = ConfigDict(from_attributes=True)


class WaitOut(_Out):
    """Hours from this coat to a mark; ``under_way``: what is left of the last coat's wait."""

    mark: str
    wait_h: float
    under_way: bool


class SideOut(_Out):
    """One side: the spray check as it would be asked, and the waits in such air."""

    check: SprayCheckOut
    humidity_ratio_g_kg: Number
    waits: list[WaitOut]


class CostOut(_Out):
    """What it takes; null where no machine, or no heat, is asked for.

    ``water_l`` leaves the air once, ``water_l_day`` is what the machine then keeps taking out;
    nine tenths of the drying are done after ``follows_h``. ``energy_kwh`` is for all of it with
    ``hold_h`` hours of holding.
    """

    hold_h: float
    energy_kwh: float
    steady_g_kg: Number
    water_g_kg: Number
    water_l: Number
    water_l_day: Number
    dry_kw: Number
    time_constant_h: Number
    follows_h: Number
    heat_kwh: Number
    hold_kw: Number


class AssumptionOut(_Out):
    """What a figure rests on; ``assumed`` false: it was given or read."""

    text: str
    assumed: bool


class WhatIfOut(_Out):
    """Now and then, what is gained and what it costs."""

    now: SideOut
    then: SideOut
    blush_margin_gain_k: Number
    cost: CostOut
    assumptions: list[AssumptionOut]


def what_if_out(found: WhatIf, asked: Asked, material: Material) -> WhatIfOut:
    """Both sides with everything they rest on."""

    def side(one: Side) -> SideOut:
        return SideOut(
            check=answers.spray_check_out(one.check, asked.place_id, material, asked.instrument_id),
            humidity_ratio_g_kg=one.air.humidity_ratio_g_kg,
            waits=[
                WaitOut(mark=wait.mark, wait_h=wait.hours, under_way=wait.under_way)
                for wait in one.waits
            ],
        )

    return WhatIfOut(
        now=side(found.now),
        then=side(found.then),
        blush_margin_gain_k=found.blush_margin_gain_k,
        cost=CostOut.model_validate({**vars(found.cost), "energy_kwh": found.cost.kwh}),
        assumptions=[AssumptionOut.model_validate(a) for a in found.assumptions],
    )
