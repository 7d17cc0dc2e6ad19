"""Letters by e-mail: plain text and HTML in one message, or 160 characters for a gateway to phones."""

from __future__ import annotations

import hashlib
import smtplib
import ssl
from datetime import UTC, datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.utils import format_datetime
from pathlib import Path
from typing import Final

from adapters.outlet import Letter, Said, Verdict, text_option, to_mend
from adapters.secrets import read_secret
from monitor.plant.people import ChannelSpec

_PERMANENT: Final = range(500, 600)


class MailOutlet:
    """One mail server. A connection a letter: at a few letters a day nothing is gained by keeping one open."""

    def __init__(self, spec: ChannelSpec) -> None:
        self.id = spec.id
        self._host, self._sender = text_option(spec, "host"), text_option(spec, "sender")
        self._security = text_option(spec, "security")
        self._port = int(str(spec.options["port"]))
        self._timeout_s = float(str(spec.options.get("timeout") or 20.0))
        self._username = spec.options.get("username")
        self._password_file, self._ca_file = spec.options.get("password_file"), spec.options.get("ca_file")
        self._short = spec.form == "short"

    def send(self, letter: Letter) -> Verdict:
        """Hand the letter to the server once."""
        try:
            message = self._message(letter)
        except ValueError as error:
            return Verdict(Said.NEVER, f"the letter to {letter.to!r} cannot be written: {error}")
        try:
            password, context = self._password(), self._context()
        except OSError as error:
            return to_mend(f"channel {self.id}: a file cannot be used: {error}", "see to password_file and ca_file")
        try:
            with self._server(context) as server:
                if isinstance(self._username, str):
                    server.login(self._username, password)
                server.send_message(message, self._sender, [letter.to])
        except (smtplib.SMTPException, OSError) as error:
            return self._trouble(error)
        return Verdict(Said.DELIVERED)

    def _trouble(self, error: smtplib.SMTPException | OSError) -> Verdict:
        """Judge what went wrong; what only somebody here can mend says so."""
        server = f"{self._host}:{self._port}"
        if isinstance(error, smtplib.SMTPRecipientsRefused):
            return _refused(error)
        if isinstance(error, smtplib.SMTPResponseException):
            return self._answered(error)
        if isinstance(error, ssl.SSLCertVerificationError):
            what = f"{server}: the server's certificate is not trusted: {error.verify_message}"
            return to_mend(what, "name its authority in ca_file, and the server in host as its certificate does")
        if isinstance(error, smtplib.SMTPNotSupportedError):
            return to_mend(f"{server}: {error}", "see to the server, or to security and username here")
        return Verdict(Said.AGAIN, f"{server}: {error}")

    def _answered(self, error: smtplib.SMTPResponseException) -> Verdict:
        """Judge an answer that is a refusal: only of the letter itself it is final, log-in and server can be mended."""
        words = f"{error.smtp_code} {_words(error.smtp_error)}"
        if isinstance(error, smtplib.SMTPAuthenticationError) and error.smtp_code in _PERMANENT:
            what = f"{self._host} refuses the log-in of {self._username}: {words}"
            return to_mend(what, "put the right name into username, the right password into password_file")
        final = isinstance(error, smtplib.SMTPDataError) and error.smtp_code in _PERMANENT
        return Verdict(Said.NEVER if final else Said.AGAIN, f"{self._host} does not take the letter: {words}")

    def _server(self, context: ssl.SSLContext) -> smtplib.SMTP:
        if self._security == "tls":
            return smtplib.SMTP_SSL(self._host, self._port, timeout=self._timeout_s, context=context)
        server = smtplib.SMTP(self._host, self._port, timeout=self._timeout_s)
        if self._security == "starttls":
            try:
                server.starttls(context=context)
            except BaseException:
                server.close()
                raise
        return server

    def _password(self) -> str:
        if not isinstance(self._username, str):
            return ""
        return read_secret(self._password_file, f"{self.id}-password") or ""

    def _context(self) -> ssl.SSLContext:
        ca_file = self._ca_file if isinstance(self._ca_file, Path) else None
        return ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))

    def _message(self, letter: Letter) -> EmailMessage:
        message = EmailMessage()
        message["From"] = Address("Bandkeeper", addr_spec=self._sender)
        message["To"] = letter.to
        message["Subject"] = " ".join(letter.subject.split())
        message["Date"] = format_datetime(datetime.fromtimestamp(round(letter.made_s), UTC))
        digest = hashlib.sha256(f"{letter.id} {letter.to}".encode()).hexdigest()[:32]
        message["Message-ID"] = f"<{digest}@{self._sender.rpartition('@')[2]}>"
        message["Auto-Submitted"] = "auto-generated"
        message["X-Bandkeeper-Event"] = letter.id
        if self._short:
            message.set_content(letter.short)
        else:
            message.set_content(letter.text)
            message.add_alternative(letter.html, subtype="html")
        return message


def _refused(error: smtplib.SMTPRecipientsRefused) -> Verdict:
    (to, (code, words)), *_ = error.recipients.items()
    said = Said.NEVER if code in _PERMANENT else Said.AGAIN
    return Verdict(said, f"{to} is not taken: {code} {_words(words)}")


def _words(raw: bytes | str) -> str:
    return raw.decode("utf-8", "replace") if isinstance(raw, bytes) else raw
