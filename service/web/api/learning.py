"""Verdicts on coats, and what a material's time scale has learned from them."""

from __future__ import annotations

from fastapi import APIRouter, Response

from service.web import inputs, learning_answers
from service.web.deps import ShopDep
from service.web.scalars import RowId

__all__ = ["router"]

router = APIRouter(tags=["learning"])


@router.post("/instruments/{instrument_id}/verdicts", status_code=201)
def record_verdict(
    instrument_id: RowId, body: inputs.VerdictIn, shop: ShopDep
) -> learning_answers.VerdictOut:
    """Say what a coat was found to be: ``soft``, ``clean``, ``gummed`` or ``printed``.

    Without ``coat`` it is the last one; without ``mark`` it is about the mark that the piece waits
    for, or the nearest on the coat's clock that the word can be about.
    """
    row = shop.work.verdicts.record(
        instrument_id, body.said, mark=body.mark, at=body.at, who=body.who, coat_id=body.coat
    )
    shop.worked(instrument_id)
    told = shop.work.verdicts.learning(row.material_id).told
    return learning_answers.verdict_out(next(one for one in told if one.id == row.id))


@router.delete("/verdicts/{verdict_id}", status_code=204, response_class=Response)
def undo_verdict(verdict_id: RowId, shop: ShopDep) -> Response:
    """Take a verdict back: ready times are then what they were without it."""
    shop.work.undo("verdict", verdict_id)
    shop.hub.publish("work", {"verdict": verdict_id})
    return Response(status_code=204)


@router.get("/materials/{material_id}/learning")
def get_learning(material_id: str, shop: ShopDep) -> learning_answers.LearningOut:
    """Give a material's time scale in this shop: where it began, each verdict, where it stands."""
    return learning_answers.learning_out(shop.work.verdicts.learning(material_id))
