"""Signed posts to a receiver of one's own, verified by the reference library of the scheme."""

from __future__ import annotations

import base64
import json
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime

import pytest
from counterparts import Answering, message
from equipment import SetClock
from standardwebhooks.webhooks import Webhook as Reference
from standardwebhooks.webhooks import WebhookVerificationError

from service.notify.channels import Later, Refused
from service.notify.channels.webhook import Webhook, signature
from service.notify.outward import Outward

SECRET = "whsec_" + base64.b64encode(bytes(range(32))).decode()


@pytest.fixture
def webhook(receiver: Answering) -> Webhook:
    return Webhook(Outward([receiver.host]))


def test_a_post_is_verified_by_the_reference_library(webhook: Webhook, receiver: Answering) -> None:
    config = webhook.check({"url": receiver.url, "secret": SECRET, "more": "left out"})
    assert config == {"url": receiver.url, "secret": SECRET}
    sent = message(body="Nº 41: 21.5 °C")
    webhook.send(config, sent)
    (got,) = receiver.got
    said = Reference(SECRET).verify(got.body, got.headers)
    assert said == json.loads(got.body)
    assert said["type"] == "notice.sand-ready"
    assert said["timestamp"] == "2026-03-02T09:00:00Z"
    assert said["data"]["body"] == "Nº 41: 21.5 °C"
    assert said["data"]["notices"] == [11, 12, 13]
    with pytest.raises(WebhookVerificationError):
        Reference(SECRET).verify(got.body.replace(b"41", b"42"), got.headers)
    with pytest.raises(WebhookVerificationError):
        Reference("whsec_" + base64.b64encode(bytes(32)).decode()).verify(got.body, got.headers)


def test_the_published_example_has_the_published_signature() -> None:
    """The worked example in the specification of Standard Webhooks (section on signatures)."""
    body = b'{"test": 2432232314}'
    said = signature("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "msg_p5jXN8AQM9LWM0D4loKWxJek", "1614265330", body)  # fmt: skip  # noqa: E501
    assert said == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="


def test_a_repeat_has_the_same_id_and_another_delivery_another(
    webhook: Webhook, receiver: Answering
) -> None:
    config = webhook.check({"url": receiver.url, "secret": SECRET})
    webhook.send(config, message())
    webhook.send(config, message())
    webhook.send(config, message(ack_url="http://booth.local:8317/n/other"))
    ids = [got.headers["webhook-id"] for got in receiver.got]
    assert ids[0] == ids[1] != ids[2]
    assert "tOk-en" not in ids[0], "the id gives the token away"


@pytest.mark.parametrize("status", [200, 201, 202, 204])
def test_any_success_is_taken(webhook: Webhook, receiver: Answering, status: int) -> None:
    receiver.status = status
    webhook.send({"url": receiver.url, "secret": SECRET}, message())


@pytest.mark.parametrize("status", [301, 302, 307, 308, 400, 401, 403, 404, 405, 410, 413])
def test_a_refusal_is_final(webhook: Webhook, receiver: Answering, status: int) -> None:
    receiver.status = status
    receiver.headers = {"Location": "http://localhost/"}
    with pytest.raises(Refused, match=str(status)):
        webhook.send({"url": receiver.url, "secret": SECRET}, message())


@pytest.mark.parametrize("status", [408, 425, 429, 500, 502, 503, 504])
def test_trouble_is_tried_again(webhook: Webhook, receiver: Answering, status: int) -> None:
    receiver.status = status
    with pytest.raises(Later, match=str(status)) as caught:
        webhook.send({"url": receiver.url, "secret": SECRET}, message())
    assert caught.value.wait is None


def test_nobody_there_is_tried_again() -> None:
    hook = Webhook(Outward(["localhost"]))
    with pytest.raises(Later):
        hook.send({"url": "http://localhost:1/", "secret": SECRET}, message())


NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("said", "wait"),
    [
        ("120", timedelta(minutes=2)),
        ("0", timedelta(0)),
        ("99999999999", timedelta(hours=24)),
        (format_datetime(NOW + timedelta(minutes=5), usegmt=True), timedelta(minutes=5)),
        (format_datetime(NOW - timedelta(minutes=5), usegmt=True), timedelta(0)),
        ("soon", None),
        ("-5", None),
        ("१२", None),
    ],
)
def test_retry_after_is_honoured(receiver: Answering, said: str, wait: timedelta | None) -> None:
    """RFC 9110, 10.2.3: seconds or an HTTP date."""
    receiver.status, receiver.headers = 503, {"Retry-After": said.encode().decode("latin-1")}
    hook = Webhook(Outward([receiver.host]), SetClock(NOW))
    with pytest.raises(Later) as caught:
        hook.send({"url": receiver.url, "secret": SECRET}, message())
    assert caught.value.wait == wait


def test_an_address_inside_is_refused_when_typed_and_when_sent(receiver: Answering) -> None:
    hook = Webhook(Outward())
    with pytest.raises(ValueError, match=r"^url: localhost leads to .*BOOTHGLASS_WEBHOOK_HOSTS"):
        hook.check({"url": receiver.url, "secret": SECRET})
    with pytest.raises(Refused) as caught:
        hook.send({"url": receiver.url, "secret": SECRET}, message())
    assert "who=ana" not in str(caught.value), "the address may be secret"
    assert receiver.connections == 0


@pytest.mark.parametrize(
    ("secret", "reason"),
    [
        ("", "is needed"),
        ("not base64!", "must be base64"),
        (base64.b64encode(bytes(23)).decode(), "24 to 64 bytes"),
        (base64.b64encode(bytes(65)).decode(), "24 to 64 bytes"),
    ],
)
def test_a_secret_that_cannot_be_is_refused(
    webhook: Webhook, receiver: Answering, secret: str, reason: str
) -> None:
    with pytest.raises(ValueError, match=f"^secret: .*{reason}"):
        webhook.check({"url": receiver.url, "secret": secret})


def test_the_secret_that_is_proposed_can_be_used(webhook: Webhook, receiver: Answering) -> None:
    with pytest.raises(ValueError, match="a new one") as caught:
        webhook.check({"url": receiver.url})
    proposed = str(caught.value).rpartition(" ")[2]
    webhook.send(webhook.check({"url": receiver.url, "secret": proposed}), message())
    assert Reference(proposed).verify(receiver.got[0].body, receiver.got[0].headers)
