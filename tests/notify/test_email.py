"""Mail to a mail server of our own, over TLS and with sign-in, as it comes out at the far end."""

from __future__ import annotations

import email
import email.policy
from collections.abc import Iterator
from contextlib import contextmanager
from email.message import EmailMessage
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session
from counterparts import Certified, message
from equipment import free_port

from service.notify.channels import Later, Refused
from service.notify.channels.email import Email, MailServer, mail_address
from service.notify.channels.making import mail_server
from service.settings import Settings

USER, PASSWORD = "booth@saltmarsh.example", "s3cret, with spaces"


class Post:
    """Takes mail, and answers as it is told."""

    def __init__(self) -> None:
        self.got: list[tuple[EmailMessage, Envelope, Session]] = []
        self.to_recipient = self.to_data = "250 OK"

    async def handle_RCPT(  # noqa: N802
        self, _server: SMTP, _session: Session, envelope: Envelope, address: str, _options: Any
    ) -> str:
        if self.to_recipient.startswith("250"):
            envelope.rcpt_tos.append(address)
        return self.to_recipient

    async def handle_DATA(self, _server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        if self.to_data.startswith("250"):
            content = envelope.content
            assert isinstance(content, bytes)
            parsed = email.message_from_bytes(content, policy=email.policy.default)
            assert isinstance(parsed, EmailMessage)
            self.got.append((parsed, envelope, session))
        return self.to_data


def known(
    _server: SMTP, _session: Session, _envelope: Envelope, mechanism: str, said: Any
) -> AuthResult:
    good = (
        mechanism in {"PLAIN", "LOGIN"}
        and isinstance(said, LoginPassword)
        and (said.login, said.password) == (USER.encode(), PASSWORD.encode())
    )
    return AuthResult(success=good, handled=False)


@contextmanager
def post_office(post: Post, **how: Any) -> Iterator[int]:
    """A mail server on a free port."""
    port = free_port()
    controller = Controller(post, hostname="127.0.0.1", port=port, ready_timeout=10, **how)
    controller.start()
    try:
        yield port
    finally:
        controller.stop()


@pytest.fixture
def post() -> Post:
    return Post()


@pytest.fixture
def starttls(post: Post, certified: Certified) -> Iterator[int]:
    """A server that speaks to nobody before TLS, and takes mail from who signs in only."""
    with post_office(
        post,
        tls_context=certified.server,
        require_starttls=True,
        auth_required=True,
        authenticator=known,
    ) as port:
        yield port


def by(port: int, certified: Certified, **changes: Any) -> Email:
    usual: dict[str, Any] = {
        "host": "localhost",
        "sender": USER,
        "port": port,
        "user": USER,
        "password": PASSWORD,
    }
    return Email(MailServer(**(usual | changes)), certified.client)


def test_a_message_comes_out_as_mail_that_a_person_can_read(
    post: Post, starttls: int, certified: Certified
) -> None:
    sender = by(starttls, certified)
    sender.send(sender.check({"to": " ana@saltmarsh.example "}), message())
    ((mail, envelope, session),) = post.got
    assert session.ssl is not None, "not encrypted"
    assert session.authenticated
    assert envelope.rcpt_tos == ["ana@saltmarsh.example"]
    assert envelope.mail_from == USER
    assert mail["To"] == "ana@saltmarsh.example"
    assert mail["From"].addresses[0].display_name == "Boothglass"
    assert mail["Subject"] == "3 pieces ready to scuff"
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail["Date"].datetime.tzinfo is not None
    plain, html = mail.get_body(("plain",)), mail.get_body(("html",))
    assert plain is not None
    assert html is not None
    lines = plain.get_content().splitlines()
    assert lines[:2] == ["No. 41: ready since 14:02", "No. 43 at 21.5 °C: ready"]
    assert lines[-1].endswith("http://booth.local:8317/n/tOk-en_123")
    assert "No. 41: ready since 14:02<br>" in html.get_content()
    assert not list(mail.iter_attachments())


def test_a_repeat_has_the_same_message_id(post: Post, starttls: int, certified: Certified) -> None:
    sender = by(starttls, certified)
    for note in (message(), message(), message(ack_url="http://booth.local:8317/n/other")):
        sender.send({"to": "ana@saltmarsh.example"}, note)
    ids = [mail["Message-ID"] for mail, *_ in post.got]
    assert ids[0] == ids[1] != ids[2]
    assert ids[0].endswith("@saltmarsh.example>")
    assert "tOk-en" not in ids[0]


def test_what_comes_from_outside_cannot_write_headers_or_markup(
    post: Post, starttls: int, certified: Certified
) -> None:
    note = message(title="Ready\r\nBcc: eve@example.org", body='<script>"&\r\n.\r\nQUIT')
    by(starttls, certified).send({"to": "ana@saltmarsh.example"}, note)
    ((mail, envelope, _),) = post.got
    assert mail["Bcc"] is None
    assert mail["Subject"] == "Ready Bcc: eve@example.org"
    assert envelope.rcpt_tos == ["ana@saltmarsh.example"]
    plain, html = mail.get_body(("plain",)), mail.get_body(("html",))
    assert plain is not None
    assert html is not None
    assert plain.get_content().splitlines()[:3] == ['<script>"&', ".", "QUIT"]
    assert "<script" not in html.get_content()


def test_tls_from_the_beginning(post: Post, certified: Certified) -> None:
    with post_office(post, ssl_context=certified.server) as port:
        by(port, certified, tls="tls", user=None).send({"to": "ana@saltmarsh.example"}, message())
    assert len(post.got) == 1


def test_a_server_without_tls_gets_neither_password_nor_mail(
    post: Post, certified: Certified
) -> None:
    with post_office(post) as port:
        with pytest.raises(Later, match="does not offer"):
            by(port, certified).send({"to": "ana@saltmarsh.example"}, message())
        assert post.got == []
        # A relay in the same house, as the owner has set it.
        by(port, certified, tls="none", user=None).send({"to": "ana@saltmarsh.example"}, message())
        assert len(post.got) == 1


def test_a_certificate_that_is_not_believed_gets_nothing(
    post: Post, starttls: int, certified: Certified
) -> None:
    with pytest.raises(Later, match="certificate"):
        Email(MailServer("localhost", USER, starttls, "starttls", USER, PASSWORD)).send(
            {"to": "ana@saltmarsh.example"}, message()
        )
    with pytest.raises(Later, match="certificate"):
        by(starttls, certified, host="127.0.0.1").send({"to": "ana@saltmarsh.example"}, message())
    assert post.got == []


@pytest.mark.parametrize("step", ["to_recipient", "to_data"])
def test_a_refusal_is_final_and_trouble_is_not(
    post: Post, starttls: int, certified: Certified, step: str
) -> None:
    """RFC 5321, 4.2.1: 5yz is permanent, 4yz transient."""
    sender = by(starttls, certified)
    setattr(post, step, "550 5.1.1 no such mailbox")
    with pytest.raises(Refused, match=r"550 5\.1\.1 no such mailbox"):
        sender.send({"to": "ana@saltmarsh.example"}, message())
    setattr(post, step, "451 4.7.1 greylisted")
    with pytest.raises(Later, match="451"):
        sender.send({"to": "ana@saltmarsh.example"}, message())
    setattr(post, step, "250 OK")
    sender.send({"to": "ana@saltmarsh.example"}, message())
    assert len(post.got) == 1


def test_a_wrong_password_is_a_matter_of_settings_and_is_not_told(
    starttls: int, certified: Certified
) -> None:
    with pytest.raises(Later, match="does not take user and password") as caught:
        by(starttls, certified, password="wr0ng").send({"to": "a@b.example"}, message())
    assert "wr0ng" not in str(caught.value)


def test_nobody_there_is_tried_again(certified: Certified) -> None:
    with pytest.raises(Later, match="cannot be reached"):
        by(1, certified).send({"to": "a@b.example"}, message())


@pytest.mark.parametrize("good", ["ana@saltmarsh.example", "a.b+booth@x-y.example", "u@localhost"])
def test_one_address_is_taken(good: str) -> None:
    assert mail_address(good) == good


@pytest.mark.parametrize(
    "bad",
    [
        None, "", "  ", "ana", "@example.org", "ana@", "ana@@example.org",
        "a@b.example, c@d.example",
        "a@b.example;c@d.example", "Ana <a@b.example>", "a@b.example\r\nBcc: c@d.example",
        "a@b.example\x00", f"{'a' * 250}@b.example", 41,
    ],
)  # fmt: skip
def test_what_is_not_one_address_is_refused_by_name(bad: object, certified: Certified) -> None:
    with pytest.raises(ValueError, match=r"^to: "):
        by(1, certified).check({"to": bad})


def test_settings_make_the_server_or_name_what_is_wrong(tmp_path: Any) -> None:
    def of(**given: Any) -> MailServer | None:
        return mail_server(Settings(_env_file=None, data=tmp_path, **given))

    assert of() is None
    found = of(smtp_host="mail.example", smtp_user=USER, smtp_password=PASSWORD)
    assert found == MailServer("mail.example", USER, None, "starttls", USER, PASSWORD)
    assert [MailServer("m", USER, tls=t).usual_port for t in ("starttls", "tls", "none")] == [
        587, 465, 25,
    ]  # fmt: skip
    with pytest.raises(ValueError, match="BOOTHGLASS_SMTP_FROM"):
        of(smtp_host="mail.example")
    with pytest.raises(ValueError, match="BOOTHGLASS_SMTP_FROM: must be one mail address"):
        of(smtp_host="mail.example", smtp_user="booth")
    with pytest.raises(ValueError, match="BOOTHGLASS_SMTP_TLS"):
        of(smtp_host="mail.example", smtp_user=USER, smtp_tls="none")
    shown = repr(Settings(_env_file=None, data=tmp_path, smtp_password=PASSWORD))
    assert PASSWORD not in shown
    assert PASSWORD not in repr(found)
