"""Mail over SMTP: one connection a message, certificate checked, every failure in words.

Rule: accepted means the server said so; whatever happens afterwards (a lost QUIT) does not send it again. The
password is asked for at each login, lives in no attribute and appears in no text.
"""

from __future__ import annotations

import contextlib
import smtplib
import socket
import ssl
from collections.abc import Callable
from email.message import EmailMessage

from watcher.config.watcher_file import Security
from watcher.domain.errors import Remedy
from watcher.notify.mail_error import Concerns, MailError

_SERVICE_NOT_AVAILABLE = 421  # RFC 5321, 4.2.3: the server closes the channel, whatever was asked


class SmtpSender:
    """Hands messages to one mail server.

    user: "" for no login. password: asked for at each login; None only without a user
    timeout_s: for each answer of the server
    ca_file: certificates to trust instead of the machine's own (a server inside the house)
    """

    def __init__(
        self,
        host: str,
        port: int,
        security: Security | str = Security.STARTTLS,
        user: str = "",
        password: Callable[[], str] | None = None,
        timeout_s: float = 30.0,
        ca_file: str | None = None,
    ) -> None:
        self.host, self.port, self.security = host, port, Security(security)
        self.user, self.timeout_s, self.ca_file = user, timeout_s, ca_file
        self._password = password

    def send(self, message: EmailMessage) -> None:
        """Returns once the server has accepted the message. MailError where it has not."""
        secret = self._secret()
        try:
            self._send(message, secret)
        except MailError:
            raise
        except (smtplib.SMTPException, OSError, ValueError) as error:
            raise self._in_words(error, secret) from None  # the cause may quote what was sent

    def _secret(self) -> str:
        if not self.user:
            return ""
        try:
            secret = self._password() if self._password is not None else ""
        except OSError as error:
            raise MailError(Remedy.FIX_SETUP, f"the mail password cannot be read: {error.strerror}") from None
        if not secret:
            raise MailError(Remedy.FIX_SETUP, f"no mail password is set for user {self.user}")
        if not (secret.isascii() and self.user.isascii()):
            raise MailError(
                Remedy.FIX_SETUP,
                "the mail user or password holds a letter outside plain ASCII, which mail logins cannot carry",
            )
        return secret

    def _send(self, message: EmailMessage, secret: str) -> None:
        server = self._connect()
        try:
            if self.security is Security.STARTTLS:
                server.starttls(context=self._tls())
            if self.user:
                server.login(self.user, secret)
            server.send_message(message)
        except BaseException:
            server.close()
            raise
        with contextlib.suppress(smtplib.SMTPException, OSError):
            server.quit()
        server.close()

    def _connect(self) -> smtplib.SMTP:
        if self.security is Security.TLS:
            return smtplib.SMTP_SSL(self.host, self.port, timeout=self.timeout_s, context=self._tls())
        return smtplib.SMTP(self.host, self.port, timeout=self.timeout_s)

    def _tls(self) -> ssl.SSLContext:
        try:
            return ssl.create_default_context(cafile=self.ca_file)
        except OSError as error:
            raise MailError(Remedy.FIX_SETUP, f"the file of trusted certificates cannot be used: {error}") from None

    def _in_words(self, error: Exception, secret: str) -> MailError:
        remedy, text, concerns = self._judged(error)
        told = f"mail server {self.host}:{self.port}: {text}"
        return MailError(remedy, told.replace(secret, "<secret>") if secret else told, concerns)

    def _judged(self, error: Exception) -> tuple[Remedy, str, Concerns]:
        server, address = Concerns.SERVER, Concerns.ADDRESS
        match error:
            case smtplib.SMTPRecipientsRefused():
                to, (code, reply) = next(iter(error.recipients.items()))
                return _by_code(code), f"address {to} refused: {_said(code, reply)}", _by_reach(code)
            case smtplib.SMTPAuthenticationError(smtp_code=code):
                return _by_code(code), f"login of {self.user} refused: {_said(code, error.smtp_error)}", server
            case smtplib.SMTPSenderRefused(smtp_code=code):
                return _by_code(code), f"sender {error.sender} refused: {_said(code, error.smtp_error)}", server
            case smtplib.SMTPDataError(smtp_code=code):
                return _by_code(code), f"message refused: {_said(code, error.smtp_error)}", _by_reach(code)
            case smtplib.SMTPNotSupportedError():
                return Remedy.FIX_SETUP, f"it does not offer what the setup asks for: {error}", server
            case smtplib.SMTPServerDisconnected(__context__=TimeoutError()):
                return Remedy.RETRY, f"no answer within {self.timeout_s:g} s", server
            case smtplib.SMTPServerDisconnected():
                return Remedy.RETRY, "it closed the connection", server
            case smtplib.SMTPResponseException():
                return Remedy.RETRY, f"not now: {_said(error.smtp_code, error.smtp_error)}", server
            case ssl.SSLCertVerificationError():
                return Remedy.FIX_SETUP, f"its certificate is not trusted: {error.verify_message}", server
            case ssl.SSLError():
                return Remedy.FIX_SETUP, f"no encrypted connection; is {self.security} right for this port?", server
            case socket.gaierror():
                return Remedy.RETRY, "its name is not known (no network, or a wrong name)", server
            case TimeoutError():
                return Remedy.RETRY, f"no answer within {self.timeout_s:g} s", server
            case ConnectionRefusedError():
                return Remedy.RETRY, "connection refused", server
            case OSError():
                return Remedy.RETRY, error.strerror or type(error).__name__, server
            case _:
                # Left over: a message smtplib will not send as it is, such as an address outside ASCII.
                return Remedy.FIX_SETUP, str(error), address


def _by_code(code: int) -> Remedy:
    """RFC 5321, 4.2.1: 4yz is transient, 5yz permanent."""
    return Remedy.RETRY if 400 <= code < 500 else Remedy.FIX_SETUP


def _by_reach(code: int) -> Concerns:
    return Concerns.SERVER if code == _SERVICE_NOT_AVAILABLE else Concerns.ADDRESS


def _said(code: int, reply: bytes | str) -> str:
    text = reply.decode(errors="replace") if isinstance(reply, bytes) else reply
    return f"{code} {' '.join(text.split())}"
