"""One message as a mail: text and HTML with its pictures, over a protected connection."""

from __future__ import annotations

import hashlib
import smtplib
import ssl
from contextlib import closing, suppress
from email.message import EmailMessage
from email.utils import format_datetime
from pathlib import Path

from trimkeep.config.alerting import MailSettings
from trimkeep.config.errors import SettingsError
from trimkeep.service.bounded import Bounded
from trimkeep.service.message import Message
from trimkeep.service.secrets_read import secret

PASSWORD_VARIABLE = "TRIMKEEP_MAIL_PASSWORD"
# A server that does not answer for so long is tried again later.
TIMEOUT_S = 30.0
LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})


def mail_of(message: Message, settings: MailSettings) -> EmailMessage:
    """The mail as it goes out. The same message has the same Message-ID, however often it is sent."""
    mail = EmailMessage()
    mail["Subject"] = " ".join(message.subject.split())
    mail["From"] = settings.sender
    mail["To"] = ", ".join(settings.recipients)
    mail["Date"] = format_datetime(message.raised_at)
    domain = settings.sender.rpartition("@")[2].strip("> ") or "localhost"
    mail["Message-ID"] = f"<{hashlib.sha256(message.key.encode()).hexdigest()[:32]}@{domain}>"
    mail["Auto-Submitted"] = "auto-generated"
    mail.set_content(message.text)
    if message.html:
        mail.add_alternative(message.html, subtype="html")
        html = mail.get_payload()[-1]  # type: ignore[index]
        for name, picture in message.images:
            html.add_related(  # type: ignore[union-attr]
                picture, "image", "png", cid=f"<{name}>", filename=name, disposition="inline"
            )
    return mail


def send_mail(message: Message, settings: MailSettings, folder: Path) -> None:
    """Hand a message to the mail server.

    Parameters
    ----------
    message : Message
    settings : MailSettings
    folder : Path
        Fleet folder, which files of the settings are relative to.

    Raises
    ------
    OSError, smtplib.SMTPException
        The server cannot be reached or does not take it; try again later.
    SettingsError
        The settings contradict themselves.
    """
    password = secret(PASSWORD_VARIABLE, settings.password_file, folder)
    _check(settings, password)
    mail = mail_of(message, settings)
    with closing(_connected(settings, folder)) as server:
        if settings.user and password:
            server.login(settings.user, password)
        refused = server.send_message(mail, settings.sender, list(settings.recipients))
        if refused:
            # Some were taken; those must not get it again for the sake of a wrong address.
            raise PartlyRefused(", ".join(sorted(refused)))
        with suppress(OSError, smtplib.SMTPException):
            # The mail is taken; a server that hangs up without a word must not make it go out twice.
            server.quit()


class PartlyRefused(Exception):
    """The server took the mail for some recipients only; it is not sent again."""


class _Plain(Bounded, smtplib.SMTP):
    """Cut when it takes too long as a whole."""


class _Protected(Bounded, smtplib.SMTP_SSL):
    """The same, protected from the start."""


def _connected(settings: MailSettings, folder: Path) -> smtplib.SMTP:
    if settings.security == "none":
        return _Plain(settings.host, settings.port, timeout=TIMEOUT_S)
    authority = str(folder / settings.authority_file) if settings.authority_file else None
    context = ssl.create_default_context(cafile=authority)
    if settings.security == "tls":
        return _Protected(settings.host, settings.port, timeout=TIMEOUT_S, context=context)
    server = _Plain(settings.host, settings.port, timeout=TIMEOUT_S)
    try:
        server.starttls(context=context)
    except BaseException:
        server.close()
        raise
    return server


def _check(settings: MailSettings, password: str | None) -> None:
    unprotected = settings.security == "none" and settings.host not in LOOPBACK
    wrong = None
    if not settings.sender or any(mark in settings.sender for mark in "\r\n"):
        wrong = ("sender", "there is no address the mail comes from", "Set alerts.mail.sender")
    elif settings.user and not password:
        wrong = ("user", "the password is not known", f"Set {PASSWORD_VARIABLE} or alerts.mail.password_file")
    elif settings.user and unprotected:
        wrong = (
            "security",
            "a password would go over the network unprotected",
            'Use "starttls" or "tls", or leave the user out',
        )
    if wrong is not None:
        raise SettingsError(wrong[1], subject=f"setting alerts.mail.{wrong[0]}", next_step=wrong[2])
