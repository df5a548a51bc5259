"""Sensors of any make: listen to the broker, try a mapping, adopt a sensor kind, retire it."""

from __future__ import annotations

from fastapi import APIRouter, Response
from starlette.exceptions import HTTPException

from service.web import kind_answers as answers
from service.web.deps import ListenError, ShopDep

__all__ = ["router"]

router = APIRouter(tags=["sensors"])


@router.get("/listening")
def get_listening(shop: ShopDep) -> answers.ListeningOut:
    """Say how far listening has come, what was heard that nothing reads, and what is proposed."""
    return answers.listening_out(shop)


@router.post("/listening", status_code=202)
def listen(body: answers.ListenIn, shop: ShopDep) -> answers.ListeningOut:
    """Listen to everything the broker carries for some seconds; 409 while that is under way."""
    try:
        shop.listener.start(body.seconds, shop.kinds.reads())
    except ListenError as error:
        raise HTTPException(409, str(error)) from error
    return answers.listening_out(shop)


@router.get("/sensor-kinds")
def list_kinds(shop: ShopDep) -> list[answers.KindOut]:
    """List the sensor kinds in use."""
    return [answers.kind_out(kind) for kind in shop.kinds.in_use()]


@router.post("/sensor-kinds", status_code=201)
def adopt(body: answers.KindIn, shop: ShopDep, response: Response) -> answers.KindOut:
    """Adopt a sensor kind: its topics are subscribed at once, and read by its mapping."""
    kind = shop.kinds.adopt(body.name, body.mapping, body.id)
    shop.kinds_changed()
    response.headers["Location"] = f"/api/v1/sensor-kinds/{kind.id}"
    return answers.kind_out(kind)


@router.post("/sensor-kinds/try")
def try_mapping(body: answers.TryIn, shop: ShopDep) -> list[answers.TriedOut]:
    """Read one message by a mapping without keeping anything; errors name the field."""
    return answers.try_out(body.mapping, body.topic, body.payload.encode(), shop)


@router.delete("/sensor-kinds/{kind_id}", status_code=204, response_class=Response)
def retire(kind_id: str, shop: ShopDep) -> Response:
    """Take a sensor kind out of use; what it has brought stays."""
    shop.kinds.retire(kind_id)
    shop.kinds_changed()
    return Response(status_code=204)
