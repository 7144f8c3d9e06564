"""Logins that failed are counted, by account, by address and by both; too many and nobody is even asked."""

from __future__ import annotations

import threading
from collections import OrderedDict, deque
from datetime import datetime, timedelta

WINDOW = timedelta(minutes=15)
# A person mistypes a few times; everybody behind one address more often; and one account tried from many
# addresses is an attack, though its owner must not be shut out by a handful of strangers' tries.
PER_BOTH, PER_ADDRESS, PER_ACCOUNT = 5, 20, 50
MOST_KEYS = 10_000


class Throttle:
    """Failed logins of the last quarter of an hour. Safe for threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._failed: OrderedDict[tuple[str, str], deque[datetime]] = OrderedDict()

    def take(self, account: str, address: str, now: datetime) -> timedelta:
        """Ask for one try: it counts as failed until `succeeded`, so that tries at once cannot slip by.

        Returns
        -------
        timedelta
            Zero when it may be tried; else how long to wait, and nothing is counted.
        """
        with self._lock:
            wait = max(self._wait(key, most, now) for key, most in _keys(account, address))
            if wait > timedelta(0):
                return wait
            for key, _ in _keys(account, address):
                self._failed.setdefault(key, deque()).append(now)
                self._failed.move_to_end(key)
            while len(self._failed) > MOST_KEYS:
                self._failed.popitem(last=False)
            return timedelta(0)

    def succeeded(self, account: str, address: str) -> None:
        """The right password: what failed from there with this account is forgotten, and so is this try."""
        both, *others = (key for key, _ in _keys(account, address))
        with self._lock:
            self._failed.pop(both, None)
            for key in others:
                tries = self._failed.get(key)
                if tries:
                    tries.pop()

    def _wait(self, key: tuple[str, str], most: int, now: datetime) -> timedelta:
        tries = self._failed.get(key)
        if tries is None:
            return timedelta(0)
        while tries and tries[0] <= now - WINDOW:
            tries.popleft()
        if not tries:
            del self._failed[key]
        return timedelta(0) if len(tries) < most else tries[0] + WINDOW - now


def _keys(account: str, address: str) -> tuple[tuple[tuple[str, str], int], ...]:
    name = account.casefold()[:80]
    return (((name, address), PER_BOTH), (("", address), PER_ADDRESS), ((name, ""), PER_ACCOUNT))
