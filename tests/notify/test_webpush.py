"""Push to a browser, by a push service of our own that proves the sender and reads the message.

The reader's side is a program of its own, proven on the worked example of RFC 8291 (appendix A).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import pytest
from counterparts import Answering, Certified, Got, answering, message
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, utils
from push_reader import Browser, raw, text

from service.clock import WallClock
from service.notify.channels import Later, Message, Refused
from service.notify.channels.webpush import WebPush, payload
from service.notify.outward import Outward
from service.notify.vapid import Vapid
from service.store.db import Database
from service.store.facts import Facts


def test_the_reader_reads_the_worked_example_of_the_standard() -> None:
    """RFC 8291, appendix A and section 5."""
    private = ec.derive_private_key(
        int.from_bytes(raw("q1dXpw3UpT5VOmu_cf_v6ih07Aems3njxI-JWgLcM94"), "big"), ec.SECP256R1()
    )
    browser = Browser(private, raw("BTBZMqHH6r4Tts7J_aSIgg"))
    assert browser.keys["p256dh"] == (
        "BCVxsr7N_eNgVRqvHtD0zTZsEc6-VV-JvLexhqUzORcxaOzi6-AYWXvTBHm4bjyPjs7Vd8pZGH6SRpkNtoIAiw4"
    )
    body = raw(
        "DGv6ra1nlYgDCS1FRnbzlwAAEABBBP4z9KsN6nGRTbVYI_c7VJSPQTBtkgcy27ml"
        "mlMoZIIgDll6e3vCYLocInmYWAmS6TlzAC8wEqKK6PBru3jl7A_yl95bQpu6cVPT"
        "pK4Mqgkf1CXztLVBSt2Ks3oZwbuwXPXLWyouBWLVWGNWQexSgSxsj_Qulcy4a-fN"
    )
    assert browser.read(body) == b"When I grow up, I want to be a watermelon"


@pytest.fixture
def browser() -> Browser:
    return Browser(ec.generate_private_key(ec.SECP256R1()), bytes(range(16)))


@pytest.fixture
def push(database: Database, certified: Certified) -> WebPush:
    vapid = Vapid(Facts(database), "mailto:ana@saltmarsh.example")
    return WebPush(Outward(["localhost"], tls=certified.client), vapid)


def subscription(service: Answering, browser: Browser) -> dict[str, Any]:
    """What ``PushSubscription.toJSON`` gives."""
    return {"endpoint": service.url, "expirationTime": None, "keys": browser.keys}


def sent(push: WebPush, service: Answering, browser: Browser, note: Message) -> Got:
    push.send(push.check(subscription(service, browser)), note)
    return service.got[-1]


def claims_of(header: str, expected_key: str) -> dict[str, Any]:
    """Verify a VAPID header as RFC 8292, section 4.2 tells a push service to."""
    scheme, _, rest = header.partition(" ")
    parts = dict(part.strip().split("=", 1) for part in rest.split(","))
    assert scheme == "vapid"
    assert parts["k"] == expected_key
    head, claims, signature = parts["t"].split(".")
    assert json.loads(raw(head)) == {"typ": "JWT", "alg": "ES256"}
    both = raw(signature)
    der = utils.encode_dss_signature(
        int.from_bytes(both[:32], "big"), int.from_bytes(both[32:], "big")
    )
    key = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), raw(parts["k"]))
    key.verify(der, f"{head}.{claims}".encode(), ec.ECDSA(hashes.SHA256()))
    found: Mapping[str, Any] = json.loads(raw(claims))
    return dict(found)


def test_only_the_browser_reads_it_and_the_service_knows_who_sends(
    push: WebPush, secure_receiver: Answering, browser: Browser, database: Database
) -> None:
    got = sent(push, secure_receiver, browser, message(body="No. 41: 21.5 °C"))
    assert b"41" not in got.body
    said = json.loads(browser.read(got.body))
    assert said["title"] == "3 pieces ready to scuff"
    assert said["body"] == "No. 41: 21.5 °C"
    assert said["ack_url"].endswith("/n/tOk-en_123")
    assert (said["tag"], said["at"]) == ("boothglass-7", "2026-03-02T09:00:00Z")
    assert got.headers["content-encoding"] == "aes128gcm"
    assert got.headers["topic"] == "boothglass-7"
    assert (got.headers["ttl"], got.headers["urgency"]) == ("86400", "normal")

    key = Vapid(Facts(database)).public_key()
    claims = claims_of(got.headers["authorization"], key)
    assert claims["aud"] == f"https://localhost:{secure_receiver.port}"
    assert claims["sub"] == "mailto:ana@saltmarsh.example"
    ahead = claims["exp"] - WallClock().now().timestamp()
    assert 0 < ahead <= 24 * 3600, "RFC 8292, section 2"
    head, claims_text, rest = got.headers["authorization"].split(".")
    later = text(json.dumps({**claims, "exp": claims["exp"] + 1}).encode())
    assert later != claims_text
    with pytest.raises(InvalidSignature):
        claims_of(f"{head}.{later}.{rest}", key)


def test_what_is_urgent_is_said_to_be_and_does_not_come_late(
    push: WebPush, secure_receiver: Answering, browser: Browser
) -> None:
    got = sent(push, secure_receiver, browser, message(urgent=True))
    assert (got.headers["ttl"], got.headers["urgency"]) == ("3600", "high")


def test_each_message_has_a_key_and_salt_of_its_own(
    push: WebPush, secure_receiver: Answering, browser: Browser
) -> None:
    first = sent(push, secure_receiver, browser, message()).body
    second = sent(push, secure_receiver, browser, message()).body
    assert first[:16] != second[:16]
    assert first[21:86] != second[21:86]


@pytest.mark.parametrize("body", ["x" * 20_000, "°" * 20_000, '"\\\n' * 5000, "𝄞" * 4000])
def test_a_long_text_is_cut_to_what_every_service_takes(
    push: WebPush, secure_receiver: Answering, browser: Browser, body: str
) -> None:
    """RFC 8030, 7.2: a service need not take more than 4096 bytes."""
    got = sent(push, secure_receiver, browser, message(body=body))
    assert len(got.body) <= 4096
    said = json.loads(browser.read(got.body))
    assert said["body"].endswith(" …")
    assert len(said["body"]) > 500
    assert said["ack_url"]


def test_a_message_that_cannot_fit_is_refused() -> None:
    with pytest.raises(Refused):
        payload(message(url="http://booth.local/" + "x" * 5000))


@pytest.mark.parametrize("status", [404, 410])
def test_a_subscription_that_is_gone_is_refused(
    push: WebPush, secure_receiver: Answering, browser: Browser, status: int
) -> None:
    secure_receiver.status = status
    with pytest.raises(Refused, match="gone"):
        sent(push, secure_receiver, browser, message())


@pytest.mark.parametrize("status", [429, 500, 503])
def test_a_busy_service_is_left_alone_as_long_as_it_asks(
    push: WebPush, secure_receiver: Answering, browser: Browser, status: int
) -> None:
    secure_receiver.status, secure_receiver.headers = status, {"Retry-After": "90"}
    with pytest.raises(Later) as caught:
        sent(push, secure_receiver, browser, message())
    assert caught.value.wait is not None
    assert caught.value.wait.total_seconds() == 90


def test_the_key_is_made_once_and_kept(database: Database) -> None:
    first = Vapid(Facts(database)).public_key()
    assert first == Vapid(Facts(database)).public_key()
    assert len(raw(first)) == 65
    assert raw(first)[0] == 4


def test_an_endpoint_is_an_address_like_any_other(
    database: Database, browser: Browser, receiver: Answering, certified: Certified
) -> None:
    """A subscription is posted to us: it must not make us reach inside."""
    push = WebPush(Outward(), Vapid(Facts(database)))
    for endpoint, reason in (
        (f"https://localhost:{receiver.port}/", "endpoint: localhost leads to"),
        ("http://93.184.216.34/x", "endpoint: must begin with https"),
        (None, "endpoint: is needed"),
    ):
        with pytest.raises(ValueError, match=reason):
            push.check({"endpoint": endpoint, "keys": browser.keys})
    with answering(certified.server) as inside, pytest.raises(Refused):
        push.send({"endpoint": inside.url, "keys": browser.keys}, message())
    assert receiver.connections == 0


@pytest.mark.parametrize(
    ("keys", "reason"),
    [
        (None, "keys: must hold"),
        ({}, "keys.p256dh: must be 65 bytes"),
        ({"p256dh": "!!", "auth": ""}, "keys.p256dh: is not base64url"),
        ({"p256dh": text(b"\4" + bytes(64)), "auth": text(bytes(16))}, "is no point"),
        ({"p256dh": None, "auth": text(bytes(15))}, "keys.auth: must be 16 bytes, and is 15"),
    ],
)
def test_keys_that_cannot_be_are_named(
    push: WebPush, secure_receiver: Answering, browser: Browser, keys: Any, reason: str
) -> None:
    if keys and keys.get("p256dh", "") is None:
        keys = {**keys, "p256dh": browser.keys["p256dh"]}
    with pytest.raises(ValueError, match=reason):
        push.check({"endpoint": secure_receiver.url, "keys": keys})
