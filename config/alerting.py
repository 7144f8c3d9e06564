"""Settings of alerts: what is worth one, when it may disturb, and by which ways it goes out.

Passwords and secrets are never settings: they come from the environment or from a file of their own.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from trimkeep.config.fields import setting


@dataclass(frozen=True, slots=True)
class MailSettings:
    """Alerts by mail; off while there is no host or nobody to send to."""

    host: str = setting("", "Mail server that takes the alerts; empty means no mail.")
    port: int = setting(587, "Port of the mail server.", low=1, high=65535)
    security: str = setting(
        "starttls",
        "How the connection is protected; none is for a server on the same machine, and sends no password.",
        choices=("starttls", "tls", "none"),
    )
    sender: str = setting("", "Address the mail comes from.")
    recipients: tuple[str, ...] = setting((), "Addresses it goes to.")
    user: str = setting(
        "", "User at the mail server; the password is in TRIMKEEP_MAIL_PASSWORD or in password_file."
    )
    password_file: str = setting("", "File that holds the password and nothing else.")
    authority_file: str = setting(
        "", "Certificate of the authority behind the server's own, when the system does not know it."
    )


@dataclass(frozen=True, slots=True)
class WebhookSettings:
    """Alerts as signed JSON to an address; off while there is none."""

    url: str = setting("", "Address that alerts are posted to as JSON; empty means none.")
    secret_file: str = setting(
        "", "File that holds the secret of the signature; TRIMKEEP_WEBHOOK_SECRET wins over it."
    )


@dataclass(frozen=True, slots=True)
class AlertSettings:
    """What is alerted, when, and how."""

    tiers: tuple[str, ...] = setting(
        ("called",),
        "Which findings may alert; watch adds those that are not yet sure.",
        choices=("called", "watch"),
    )
    again_after: float = setting(
        1.0,
        "A finding alerts again when it grew worse by this many times what matters.",
        unit="times what matters",
        low=0.1,
        high=100.0,
    )
    newest_days: float = setting(
        14.0,
        "Only findings that a flight of the last so many days shows are alerted; an old history is no news.",
        unit="days",
        low=0.1,
        high=3650.0,
    )
    quiet_from: str = setting(
        "", "Begin of the hours in which no alert goes out, such as 22:00, in the fleet's time zone."
    )
    quiet_until: str = setting("", "End of those hours, such as 07:00.")
    hazards_break_quiet: bool = setting(
        False, "Send what needs a hand before the next flight in the quiet hours too."
    )
    first_wait_s: float = setting(
        30.0, "Wait after a first try that failed; it doubles with each.", unit="s", low=0.01, high=3600.0
    )
    longest_wait_s: float = setting(
        3600.0, "Longest wait between two tries.", unit="s", low=0.01, high=86400.0
    )
    give_up_days: float = setting(
        7.0,
        "An alert that could not be delivered for so long, in many tries, is given up, and said so.",
        unit="days",
        low=0.01,
        high=365.0,
    )
    file: str = setting(
        "", "File that alerts are added to, one line of JSON each, relative to the fleet folder; empty: none."
    )
    mail: MailSettings = field(default_factory=MailSettings, metadata={"help": "Alerts by mail."})
    webhook: WebhookSettings = field(default_factory=WebhookSettings, metadata={"help": "Alerts by webhook."})
