"""Passkeys (WebAuthn): making one, and signing in by one. The cryptography is the library's."""

from __future__ import annotations

import ipaddress
import json
from typing import Any
from urllib.parse import urlsplit

from fastapi import APIRouter, Request
from pydantic import BaseModel, Field
from starlette.responses import JSONResponse, RedirectResponse, Response
from webauthn import (
    generate_authentication_options,
    generate_registration_options,
    options_to_json,
    verify_authentication_response,
    verify_registration_response,
)
from webauthn.helpers import (
    base64url_to_bytes,
    bytes_to_base64url,
    parse_authentication_credential_json,
    parse_client_data_json,
    parse_registration_credential_json,
)
from webauthn.helpers.exceptions import WebAuthnException
from webauthn.helpers.structs import (
    AuthenticatorSelectionCriteria,
    PublicKeyCredentialDescriptor,
    ResidentKeyRequirement,
    UserVerificationRequirement,
)

from service.shop.said import say
from service.store.errors import BadInput
from service.web.deps import Shop, ShopDep
from service.web.pages.forms import back_to
from service.web.scalars import RowId
from service.web.signin.caller import caller_of
from service.web.signin.doors import device_of
from service.web.signin.entering import enter
from service.web.signin.mine import PAGE
from service.web.signin.recorder import it_was
from service.web.signin.whence import address_of

__all__ = ["router"]

router = APIRouter()

SIGN_IN = "sign in"


class CredentialIn(BaseModel):
    """What an authenticator answered, as browsers write it (``PublicKeyCredential.toJSON``)."""

    credential: dict[str, Any]
    back: str = Field(default="/", max_length=500)


@router.post("/api/v1/passkeys/begin")
def begin_making(request: Request, shop: ShopDep) -> Response:
    """Say what a passkey has to be made for: this host, this account."""
    caller, doors = caller_of(request), shop.doors
    account = doors.accounts.get(int(caller.account_id or 0))
    host, _ = _site(request)
    options = generate_registration_options(
        rp_id=host,
        rp_name="Boothglass",
        user_id=base64url_to_bytes(account.user_handle),
        user_name=caller.name,
        user_display_name=caller.name,
        challenge=doors.challenges.make(_making(account.id)),
        authenticator_selection=AuthenticatorSelectionCriteria(
            resident_key=ResidentKeyRequirement.REQUIRED,
            # A key that is found must not be enough: it asks for its PIN or a finger.
            user_verification=UserVerificationRequirement.REQUIRED,
        ),
        exclude_credentials=[
            PublicKeyCredentialDescriptor(id=base64url_to_bytes(row.credential_id))
            for row in doors.passkeys.of_account(int(account.id or 0))
        ],
    )
    return JSONResponse(json.loads(options_to_json(options)))


@router.post("/api/v1/passkeys", status_code=201)
def make(body: CredentialIn, request: Request, shop: ShopDep) -> Response:
    """Keep the public key of a passkey that was just made."""
    caller, doors = caller_of(request), shop.doors
    account_id = int(caller.account_id or 0)
    host, origin = _site(request)
    try:
        credential = parse_registration_credential_json(body.credential)
        said = verify_registration_response(
            credential=credential,
            expected_challenge=_taken(
                shop, credential.response.client_data_json, _making(account_id)
            ),
            expected_rp_id=host,
            expected_origin=origin,
            require_user_verification=True,
        )
    except WebAuthnException as error:
        raise BadInput("passkey", say("cannot be used: {why}", why=str(error))) from error
    doors.passkeys.add(
        account_id,
        credential_id=bytes_to_base64url(said.credential_id),
        public_key=bytes_to_base64url(said.credential_public_key),
        sign_count=said.sign_count,
        rp_id=host,
        name=device_of(request),
    )
    return JSONResponse({"made": True}, 201)


@router.post("/api/v1/sign-in/passkey/begin")
def begin_sign_in(request: Request, shop: ShopDep) -> Response:
    """Ask for any passkey of this host; the authenticator says whose it is."""
    host, _ = _site(request)
    options = generate_authentication_options(
        rp_id=host,
        challenge=shop.doors.challenges.make(SIGN_IN),
        user_verification=UserVerificationRequirement.REQUIRED,
    )
    return JSONResponse(json.loads(options_to_json(options)))


@router.post("/api/v1/sign-in/passkey")
def sign_in(body: CredentialIn, request: Request, shop: ShopDep) -> Response:
    """Let a person in by a passkey."""
    doors = shop.doors
    host, origin = _site(request)
    unknown = BadInput("passkey", say("is not known here"))
    try:
        credential = parse_authentication_credential_json(body.credential)
        kept = doors.passkeys.find(bytes_to_base64url(credential.raw_id))
        challenge = _taken(shop, credential.response.client_data_json, SIGN_IN)
        if kept is None:
            raise unknown
        said = verify_authentication_response(
            credential=credential,
            expected_challenge=challenge,
            expected_rp_id=host,
            expected_origin=origin,
            credential_public_key=base64url_to_bytes(kept.public_key),
            credential_current_sign_count=kept.sign_count,
            require_user_verification=True,
        )
    except WebAuthnException as error:
        raise BadInput("passkey", say("cannot be used: {why}", why=str(error))) from error
    account = doors.accounts.get(kept.account_id)
    handle = credential.response.user_handle
    if handle is not None and handle != base64url_to_bytes(account.user_handle):
        raise unknown
    doors.passkeys.used(int(kept.id or 0), said.new_sign_count)
    # Whoever has the key is no guesser: earlier slips with the password are forgiven.
    person = shop.telling.people.person(account.person_id)
    it_was(request, person.name)
    doors.throttle.succeeded(person.name, address_of(request))
    led_on = enter(request, shop, int(account.id or 0), back_to({"back": body.back}, "/"))
    answer = JSONResponse({"to": led_on.headers["location"]})
    answer.raw_headers += [pair for pair in led_on.raw_headers if pair[0] == b"set-cookie"]
    return answer


@router.post(f"{PAGE}/passkeys/{{passkey_id:int}}/remove")
def remove(passkey_id: RowId, request: Request, shop: ShopDep) -> Response:
    """Take one of the person's passkeys away."""
    caller = caller_of(request)
    if caller.account_id is not None:
        shop.doors.passkeys.remove(caller.account_id, passkey_id)
    return RedirectResponse(f"{PAGE}?said=passkey-gone", 303)


def _making(account_id: int | None) -> str:
    return f"make {account_id}"


def _taken(shop: Shop, client_data: bytes, purpose: str) -> bytes:
    """Return the challenge that an answer is to, if it is one of ours."""
    challenge = parse_client_data_json(client_data).challenge
    if not shop.doors.challenges.take(challenge, purpose):
        raise BadInput("passkey", say("took too long: try again"))
    return challenge


def _site(request: Request) -> tuple[str, str]:
    """Return the host that passkeys are for, and the origin that pages have there.

    The origin is that of the request: that it is this host's was checked before.

    Raises
    ------
    BadInput
        Naming ``host`` where no browser makes passkeys: an address of figures, or without https.
    """
    host, origin = request.url.hostname or "", request.headers.get("origin", "")
    local = host == "localhost" or host.endswith(".localhost")
    try:
        ipaddress.ip_address(host)
    except ValueError:
        if (urlsplit(origin).scheme == "https" or local) and urlsplit(origin).hostname == host:
            return host, origin
    raise BadInput("host", say("passkeys need https and a name instead of an address of figures"))
