"""The two ways of a report out of here: by mail, and posted to an address.

Whatever goes wrong leaves here as ReportNotSent, whose text names no address, no user and no
password; the cause is not chained, since it may quote one.
"""

from __future__ import annotations

import hashlib
import logging
import smtplib
import ssl
from collections.abc import Callable
from dataclasses import dataclass, field
from email.message import EmailMessage
from email.policy import SMTP
from typing import Protocol

import requests
from urllib3.exceptions import HTTPError

from bot.errors import ReportNotSent
from bot.gateway import open_session
from bot.report_settings import MailServer

SECONDS = 30.0  # that one answer of the mail server may take

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Parcel:
    """A report to be sent. *key* is the same for every try of it; *text* is read without opening
    the PDF."""

    district: str
    month: str
    title: str
    text: str
    file_name: str
    pdf: bytes

    @property
    def key(self) -> str:
        """Names this report for whoever takes it, so that one that comes twice is known."""
        said = f"{self.district}|{self.month}".encode()
        return f"soakbell-{self.month}-{hashlib.sha256(said).hexdigest()[:24]}"


class Way(Protocol):
    """A way out. *name* is kept beside what was sent by it."""

    @property
    def name(self) -> str: ...

    def send(self, parcel: Parcel, /) -> None: ...


@dataclass(frozen=True, slots=True)
class Mail:
    """Mail to *to*. Encrypted with a certificate that stands, unless the server is this machine."""

    server: MailServer
    to: tuple[str, ...]
    trusted: Callable[[], ssl.SSLContext] = ssl.create_default_context
    name: str = "mail"

    def send(self, parcel: Parcel) -> None:
        """ReportNotSent unless the server took it for one address at least."""
        try:
            with self._open() as smtp:
                if self.server.user:
                    smtp.login(self.server.user, self.server.password)
                refused = smtp.send_message(self._message(parcel), self.server.sender, self.to)
        except (OSError, ValueError, smtplib.SMTPException) as error:
            raise ReportNotSent(f"no mail ({_told(error)})") from None
        if refused:
            log.warning("a report was mailed, but %d of %d addresses were refused", len(refused),
                        len(self.to))

    def _open(self) -> smtplib.SMTP:
        place, own = (self.server.host, self.server.port), self.server.sender.rpartition("@")[2]
        if self.server.scheme == "smtps":
            return smtplib.SMTP_SSL(*place, own, timeout=SECONDS, context=self.trusted())
        smtp = smtplib.SMTP(*place, own, timeout=SECONDS)
        try:
            smtp.ehlo()
            if not self.server.is_here:
                smtp.starttls(context=self.trusted())  # raises where the server knows no STARTTLS
        except BaseException:
            smtp.close()
            raise
        return smtp

    def _message(self, parcel: Parcel) -> EmailMessage:
        mail = EmailMessage(policy=SMTP)
        mail["Subject"], mail["From"] = parcel.title, self.server.sender
        mail["To"] = ", ".join(self.to)
        mail["Message-ID"] = f"<{parcel.key}@{self.server.sender.rpartition('@')[2]}>"
        mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: nobody's holiday answers it
        mail.set_content(parcel.text)
        mail.add_attachment(parcel.pdf, maintype="application", subtype="pdf",
                            filename=f"{parcel.file_name}.pdf")  # fmt: skip
        return mail


@dataclass(frozen=True, slots=True)
class Post:
    """A POST of a form with the PDF in it to *url*. *timeouts*: seconds to connect, and between
    bytes read."""

    url: str = field(repr=False)
    session: Callable[[], requests.Session] = open_session
    timeouts: tuple[float, float] = (10.0, SECONDS)
    name: str = "post"

    def send(self, parcel: Parcel) -> None:
        """ReportNotSent unless the answer says that it was taken (2xx)."""
        try:
            with self.session() as session, session.post(
                self.url,
                data={"district": parcel.district, "month": parcel.month, "title": parcel.title},
                files={"report": (f"{parcel.file_name}.pdf", parcel.pdf, "application/pdf")},
                headers={"Idempotency-Key": parcel.key},
                timeout=self.timeouts,
                # A redirect would turn the POST into a GET, and leave for somewhere else.
                allow_redirects=False,
                stream=True,  # what is said beside the status is not waited for
            ) as answer:
                status = answer.status_code
        except (requests.RequestException, HTTPError, UnicodeError) as error:
            raise ReportNotSent(f"not posted ({type(error).__name__})") from None
        if not 200 <= status < 300:
            raise ReportNotSent(f"not posted (HTTP {status})")


def _told(error: Exception) -> str:
    """The kind of *error*, and the code of the server's answer if it gave one."""
    code = getattr(error, "smtp_code", None)
    return f"{type(error).__name__}, {code}" if code else type(error).__name__
