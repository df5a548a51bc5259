"""The general library, by its own JSON kind of address to a receiver of one's own."""

from __future__ import annotations

import json
import logging

import pytest
from counterparts import Answering, message

from service.notify.channels import Later, Refused
from service.notify.channels.apprise import Apprise
from service.notify.outward import Outward

# A service of the library's hundreds, none of ours, still loads a module that Python has retired.
pytestmark = pytest.mark.filterwarnings("ignore:.*imghdr.*:DeprecationWarning")


def test_a_message_arrives_by_the_library(receiver: Answering) -> None:
    sender = Apprise(Outward([receiver.host]))
    sender.send(sender.check({"url": f" json://{receiver.host}/in "}), message())
    said = json.loads(receiver.got[0].body)
    assert said["title"] == "3 pieces ready to scuff"
    assert said["message"].startswith("No. 41: ready since 14:02\n")
    assert "http://booth.local:8317/n/tOk-en_123" in said["message"]


def test_what_it_does_not_take_is_tried_again(receiver: Answering) -> None:
    sender = Apprise(Outward(["localhost"]))
    receiver.status = 503
    for url in (f"json://{receiver.host}/", "json://localhost:1/"):
        with pytest.raises(Later):
            sender.send({"url": url}, message())


def test_a_host_of_ones_own_must_have_been_named_by_the_owner(receiver: Answering) -> None:
    sender = Apprise(Outward())
    for url in (
        f"json://{receiver.host}/in",
        f"json://user:pw@{receiver.host}/in",
        "xml://127.0.0.1/",
        "mqtt://broker.example/topic",
        "mailto://u:pw@mail.example",
        "gotify://169.254.169.254/token",
    ):
        with pytest.raises(ValueError, match="BOOTHGLASS_WEBHOOK_HOSTS") as caught:
            sender.check({"url": url})
        assert "pw" not in str(caught.value)
        with pytest.raises(Refused):
            sender.send({"url": url}, message())
    assert receiver.connections == 0


def test_a_second_host_cannot_ride_along() -> None:
    with pytest.raises(ValueError, match=r"^url: "):
        Apprise(Outward(["mail.example"])).check(
            {"url": "mailto://u:pw@mail.example?smtp=127.0.0.1"}
        )


@pytest.mark.parametrize(
    "url",
    [
        "syslog://",
        "dbus://",
        "DBUS://",
        "windows://",
        "fcm://project@key/device?keyfile=/etc/passwd",
        "vapid://who@example.org?subfile=/etc/passwd",
        "slack://T1JJ3T3L2/A1BRTD4JD/TIiajkdnlazkcOXrIdevi7FQ/?template=/etc/passwd",
    ],
)
def test_what_reads_from_this_machine_or_shows_on_it_is_not_taken(url: str) -> None:
    with pytest.raises(ValueError, match="this machine"):
        Apprise(Outward(["localhost"])).check({"url": url})


@pytest.mark.parametrize(
    "url", [None, "", "ana", "nothing://x", "json://a b", "json://", "x" * 3000]
)
def test_what_is_no_address_is_refused_by_name(url: object) -> None:
    with pytest.raises(ValueError, match=r"^url: "):
        Apprise(Outward(["localhost"])).check({"url": url})


def test_a_service_with_one_known_home_is_taken_and_no_secret_is_logged(
    caplog: pytest.LogCaptureFixture,
) -> None:
    url = "tgram://123456789:abcdefg_hijklmnop/12315544/"
    with caplog.at_level(logging.DEBUG):
        assert Apprise(Outward()).check({"url": url}) == {"url": url}
    assert "abcdefg" not in caplog.text
