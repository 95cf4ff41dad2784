"""Sending to real SMTP servers on the loopback: what is accepted, and what every refusal is called."""

from __future__ import annotations

import os
import shutil
import socket
import ssl
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from email.message import EmailMessage
from email.policy import SMTP as SMTP_POLICY
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, Envelope, LoginPassword

from watcher.config import Security
from watcher.domain.errors import Remedy
from watcher.notify.mail_error import Concerns, MailError
from watcher.notify.smtp import SmtpSender

PASSWORD = "correct-horse"


class Mailbox:
    """Keeps what is accepted; `answers` overrides the reply to a command."""

    def __init__(self, **answers: str) -> None:
        self.answers, self.accepted = answers, list[Envelope]()

    async def handle_MAIL(self, _server: Any, _session: Any, envelope: Any, address: str, options: Any) -> str:  # noqa: N802
        envelope.mail_from = address
        return self.answers.get("MAIL", "250 OK")

    async def handle_RCPT(self, _server: Any, _session: Any, envelope: Any, address: str, options: Any) -> str:  # noqa: N802
        envelope.rcpt_tos.append(address)
        return self.answers.get("RCPT", "250 OK")

    async def handle_DATA(self, _server: Any, _session: Any, envelope: Envelope) -> str:  # noqa: N802
        if "DATA" not in self.answers:
            self.accepted.append(envelope)
        return self.answers.get("DATA", "250 OK")

    async def handle_QUIT(self, server: Any, _session: Any, _envelope: Any) -> str:  # noqa: N802
        if "QUIT" in self.answers:
            server.transport.abort()
        return "221 Bye"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def serving(mailbox: Mailbox, **options: Any) -> Iterator[int]:
    controller = Controller(mailbox, hostname="127.0.0.1", port=free_port(), **options)
    controller.start()
    try:
        yield controller.port
    finally:
        controller.stop()


@contextmanager
def listening(greet: bytes) -> Iterator[int]:
    """A server that says one thing, or nothing, and waits for the client to go."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(10)

        def serve() -> None:
            connection, _ = server.accept()
            with connection:
                connection.settimeout(10)
                connection.sendall(greet)
                while connection.recv(1024):
                    pass

        thread = threading.Thread(target=serve)
        thread.start()
        yield int(server.getsockname()[1])
        thread.join()


@pytest.fixture(scope="session")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A key and a certificate for localhost that nobody signed, in one file."""
    openssl = shutil.which("openssl")
    if openssl is None:
        message = "no openssl on this machine to make a certificate with"
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)
    folder = tmp_path_factory.mktemp("tls")
    key, cert, both = folder / "key.pem", folder / "cert.pem", folder / "both.pem"
    subprocess.run(
        [
            *(openssl, "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"),
            *("-days", "2", "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1"),
            *("-keyout", str(key), "-out", str(cert)),
        ],
        check=True,
        capture_output=True,
    )
    both.write_bytes(key.read_bytes() + cert.read_bytes())
    return both


@pytest.fixture
def guarded(certificate: Path) -> dict[str, Any]:
    """Options of a server as providers run them: STARTTLS first, then a login."""

    def check(_server: Any, _session: Any, _envelope: Any, _mechanism: str, given: Any) -> AuthResult:
        right = isinstance(given, LoginPassword) and (given.login, given.password) == (b"watcher", PASSWORD.encode())
        return AuthResult(success=right, handled=False)

    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate)
    return {"tls_context": context, "require_starttls": True, "auth_required": True, "authenticator": check}


@pytest.fixture
def message() -> EmailMessage:
    message = EmailMessage(policy=SMTP_POLICY)
    message["From"], message["To"], message["Subject"] = "solar@firm.example", "jean@home.example", "Tŷ Gwyn"
    message["Message-ID"] = "<1@firm.example>"
    message.set_content("£2.30 lost.\n.\nA line with only a dot is no end.\n", cte="quoted-printable")
    return message


def plain_sender(port: int, timeout_s: float = 10.0) -> SmtpSender:
    return SmtpSender("127.0.0.1", port, Security.NONE, timeout_s=timeout_s)


def guarded_sender(port: int, certificate: Path | None, password: str = PASSWORD) -> SmtpSender:
    ca_file = str(certificate) if certificate is not None else None
    return SmtpSender("localhost", port, "starttls", "watcher", lambda: password, timeout_s=10.0, ca_file=ca_file)


def refusal(sender: SmtpSender, message: EmailMessage) -> MailError:
    with pytest.raises(MailError) as caught:
        sender.send(message)
    return caught.value


def test_a_message_goes_through_starttls_and_login_unchanged(
    message: EmailMessage, guarded: dict[str, Any], certificate: Path
) -> None:
    mailbox = Mailbox()
    with serving(mailbox, **guarded) as port:
        guarded_sender(port, certificate).send(message)
    (envelope,) = mailbox.accepted
    assert envelope.original_content == message.as_bytes()
    assert (envelope.mail_from, envelope.rcpt_tos) == ("solar@firm.example", ["jean@home.example"])


def test_a_message_goes_over_tls_from_the_first_byte(message: EmailMessage, certificate: Path) -> None:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate)
    mailbox, port = Mailbox(), free_port()
    controller = Controller(mailbox, hostname="127.0.0.1", port=port, ssl_context=context)
    controller.start()
    try:
        SmtpSender("localhost", port, Security.TLS, timeout_s=10.0, ca_file=str(certificate)).send(message)
    finally:
        controller.stop()
    assert len(mailbox.accepted) == 1


def test_case_h1_a_refused_login_is_a_matter_for_a_person_and_says_so_without_the_password(
    message: EmailMessage, guarded: dict[str, Any], certificate: Path
) -> None:
    mailbox = Mailbox()
    with serving(mailbox, **guarded) as port:
        error = refusal(guarded_sender(port, certificate, "wrong-horse"), message)
    assert (error.remedy, error.concerns) == (Remedy.FIX_SETUP, Concerns.SERVER)
    assert "login of watcher refused: 535" in error.text
    assert "wrong-horse" not in repr(error) + str(error)
    assert error.__cause__ is None
    assert mailbox.accepted == []


def test_a_certificate_nobody_trusts_ends_it_before_the_login(message: EmailMessage, guarded: dict[str, Any]) -> None:
    mailbox = Mailbox()
    with serving(mailbox, **guarded) as port:
        error = refusal(guarded_sender(port, None), message)
    assert (error.remedy, error.concerns) == (Remedy.FIX_SETUP, Concerns.SERVER)
    assert "its certificate is not trusted: self-signed certificate" in error.text
    assert mailbox.accepted == []


def test_a_server_without_starttls_is_not_spoken_to_in_the_clear(message: EmailMessage) -> None:
    mailbox = Mailbox()
    with serving(mailbox) as port:
        error = refusal(SmtpSender("127.0.0.1", port, Security.STARTTLS, timeout_s=10.0), message)
    assert error.remedy is Remedy.FIX_SETUP
    assert "does not offer what the setup asks for" in error.text
    assert mailbox.accepted == []


def test_tls_on_the_wrong_port_asks_whether_the_setting_is_right(message: EmailMessage) -> None:
    with serving(Mailbox()) as port:
        error = refusal(SmtpSender("127.0.0.1", port, Security.TLS, timeout_s=10.0), message)
    assert error.remedy is Remedy.FIX_SETUP
    assert "is tls right for this port?" in error.text


@pytest.mark.parametrize(
    ("answers", "remedy", "concerns", "told"),
    [
        ({"RCPT": "550 no such user"}, Remedy.FIX_SETUP, Concerns.ADDRESS, "address jean@home.example refused: 550"),
        ({"RCPT": "450 mailbox busy"}, Remedy.RETRY, Concerns.ADDRESS, "address jean@home.example refused: 450"),
        ({"RCPT": "421 try later"}, Remedy.RETRY, Concerns.SERVER, "421 try later"),
        ({"MAIL": "553 not your address"}, Remedy.FIX_SETUP, Concerns.SERVER, "sender solar@firm.example refused: 553"),
        ({"MAIL": "421 try later"}, Remedy.RETRY, Concerns.SERVER, "421 try later"),
        ({"DATA": "554 looks like spam"}, Remedy.FIX_SETUP, Concerns.ADDRESS, "message refused: 554 looks like spam"),
        ({"DATA": "451 local error"}, Remedy.RETRY, Concerns.ADDRESS, "message refused: 451 local error"),
        ({"DATA": "421 shutting down"}, Remedy.RETRY, Concerns.SERVER, "message refused: 421 shutting down"),
    ],
    ids=lambda value: " ".join(map(str, *value.items())) if isinstance(value, dict) else "",
)
def test_a_refusal_is_told_apart_by_whom_it_concerns_and_whether_it_passes(
    message: EmailMessage, answers: dict[str, str], remedy: Remedy, concerns: Concerns, told: str
) -> None:
    mailbox = Mailbox(**answers)
    with serving(mailbox) as port:
        error = refusal(plain_sender(port), message)
    assert (error.remedy, error.concerns) == (remedy, concerns)
    assert f"mail server 127.0.0.1:{port}: " in error.text
    assert told in error.text
    assert mailbox.accepted == []


def test_a_message_that_was_accepted_is_not_undone_by_a_line_cut_before_the_goodbye(message: EmailMessage) -> None:
    mailbox = Mailbox(QUIT="none, the line is cut")
    with serving(mailbox) as port:
        plain_sender(port).send(message)
    assert len(mailbox.accepted) == 1


def test_a_server_that_is_down_is_tried_again(message: EmailMessage) -> None:
    error = refusal(plain_sender(free_port()), message)
    assert (error.remedy, error.concerns) == (Remedy.RETRY, Concerns.SERVER)
    assert "connection refused" in error.text


@pytest.mark.parametrize(
    ("greet", "timeout_s", "told"),
    [
        pytest.param(b"", 0.3, "no answer within 0.3 s", id="silent"),
        pytest.param(b"421 too busy\r\n", 10.0, "not now: 421 too busy", id="busy at the door"),
    ],
)
def test_a_server_that_does_not_get_to_work_is_tried_again(
    message: EmailMessage, greet: bytes, timeout_s: float, told: str
) -> None:
    with listening(greet) as port:
        error = refusal(plain_sender(port, timeout_s), message)
    assert (error.remedy, error.concerns) == (Remedy.RETRY, Concerns.SERVER)
    assert told in error.text


def unreadable() -> str:
    raise PermissionError(13, "Permission denied")


@pytest.mark.parametrize(
    ("password", "told"),
    [
        pytest.param(lambda: "pässwörd", "outside plain ASCII", id="not ASCII"),
        pytest.param(lambda: "", "no mail password is set for user watcher", id="empty"),
        pytest.param(None, "no mail password is set for user watcher", id="none"),
        pytest.param(unreadable, "cannot be read: Permission denied", id="unreadable"),
    ],
)
def test_a_password_that_cannot_work_is_told_before_anyone_is_called(
    message: EmailMessage, password: Callable[[], str] | None, told: str
) -> None:
    error = refusal(SmtpSender("127.0.0.1", free_port(), Security.STARTTLS, "watcher", password), message)
    assert error.remedy is Remedy.FIX_SETUP
    assert told in error.text
    assert "pässwörd" not in error.text


def test_a_server_that_repeats_the_password_does_not_get_it_into_the_log(
    message: EmailMessage, guarded: dict[str, Any], certificate: Path
) -> None:
    def parrot(_server: Any, _session: Any, _envelope: Any, _mechanism: str, given: LoginPassword) -> AuthResult:
        return AuthResult(success=False, handled=False, message=f"535 {given.password.decode()} is wrong")

    with serving(Mailbox(), **{**guarded, "authenticator": parrot}) as port:
        error = refusal(guarded_sender(port, certificate), message)
    assert "<secret> is wrong" in error.text
    assert PASSWORD not in error.text
