"""A connection that is cut when it has taken too long as a whole.

A limit on silence alone is not enough: a server that sends one byte every few seconds would hold its client
for hours, and with it whatever waits for the client.
"""

from __future__ import annotations

import socket
import threading
from contextlib import suppress
from typing import Any

# No answer of a working mail or web server takes so long.
WHOLE_TRY_S = 120.0


class Bounded:
    """Mixed in before a connection class that has `connect`, `close` and `sock`.

    When the time is up the socket is shut: whoever reads from it sees the end, and raises what the class
    raises when the other side hangs up.
    """

    sock: socket.socket | None
    _timer: threading.Timer | None = None
    _first: socket.socket | None = None

    def connect(self, *arguments: Any, **named: Any) -> Any:
        """Connect, with the time running."""
        self._timer = threading.Timer(WHOLE_TRY_S, self._cut)
        self._timer.daemon = True
        self._timer.start()
        try:
            answer = super().connect(*arguments, **named)  # type: ignore[misc]
        except BaseException:
            self.in_time()
            raise
        self._first = self.sock
        return answer

    def close(self) -> None:
        """Close it; the time does not matter any more."""
        self.in_time()
        super().close()  # type: ignore[misc]

    def in_time(self) -> None:
        """It is over, whether well or not."""
        if self._timer is not None:
            self._timer.cancel()

    def _cut(self) -> None:
        # The web's classes let go of the socket while an answer is still read from it, and a protected
        # connection replaces it.
        for one in (self.sock, self._first):
            if one is not None:
                with suppress(OSError):
                    one.shutdown(socket.SHUT_RDWR)
