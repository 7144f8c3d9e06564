"""Who is logged in: kept in memory only, so that stopping the service logs everybody out.

The browser gets a random name; what is kept is its hash, and the account is looked up anew each time: an
account that was removed, or that has a new password, is logged out by that.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import threading
from collections import OrderedDict
from dataclasses import dataclass
from datetime import datetime, timedelta

from trimkeep.service.web.accounts import Account, find_account

KEY_BYTES = 32
# More logins at once than people a fleet has; beyond it the oldest ends.
MOST_SESSIONS = 500


@dataclass(slots=True)
class Session:
    """One login. `notice` is a sentence to be shown once, on the next page."""

    account: str
    credential: str
    until: datetime
    notice: str = ""


class SessionBook:
    """All logins of this process. Safe for threads."""

    def __init__(self, hours: float) -> None:
        self.length = timedelta(hours=hours)
        self._key = secrets.token_bytes(KEY_BYTES)
        self._lock = threading.Lock()
        self._sessions: OrderedDict[str, Session] = OrderedDict()

    def begin(self, account: Account, now: datetime) -> str:
        """A new login; the random name that the browser is given."""
        name = secrets.token_urlsafe(KEY_BYTES)
        with self._lock:
            self._sessions = OrderedDict((key, one) for key, one in self._sessions.items() if one.until > now)
            while len(self._sessions) >= MOST_SESSIONS:
                self._sessions.popitem(last=False)
            self._sessions[_hash(name)] = Session(account.name, account.credential, now + self.length)
        return name

    def find(self, name: str, accounts: tuple[Account, ...], now: datetime) -> tuple[Session, Account] | None:
        """The login of that name with its account as it is now; None when it has ended."""
        key = _hash(name)
        with self._lock:
            session = self._sessions.get(key)
            if session is None:
                return None
            account = find_account(accounts, session.account)
            if session.until <= now or account is None or account.credential != session.credential:
                del self._sessions[key]
                return None
            return session, account

    def end(self, name: str) -> None:
        """Log out."""
        with self._lock:
            self._sessions.pop(_hash(name), None)

    def form_token(self, binding: str) -> str:
        """What a form must carry to be taken: bound to the browser's own cookie, unknown to other sites."""
        return hmac.new(self._key, binding.encode("utf-8", "surrogatepass"), hashlib.sha256).hexdigest()

    def is_form_token(self, given: str, binding: str) -> bool:
        """Whether a form came from a page that this service gave to the same browser."""
        expected = self.form_token(binding)
        return bool(binding) and hmac.compare_digest(
            expected.encode(), given.encode("utf-8", "surrogatepass")
        )


def _hash(name: str) -> str:
    return hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()
