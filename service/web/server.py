"""Listening: a plain HTTP server for this machine, or for a proxy that speaks https to the world."""

from __future__ import annotations

import logging

from waitress.server import create_server

from trimkeep.config.errors import SettingsError
from trimkeep.service.web.app import LARGEST_BODY, make_app
from trimkeep.service.web.site import Site

log = logging.getLogger(__name__)

THREADS = 4
MOST_CONNECTIONS = 100
IDLE_S = 30


class Server:
    """Listens from the moment it is made; answers while `run` runs."""

    def __init__(self, site: Site) -> None:
        settings = site.fleet.settings.serve
        self.site = site
        try:
            self._server = create_server(
                make_app(site),
                host=settings.host,
                port=settings.port,
                threads=THREADS,
                connection_limit=MOST_CONNECTIONS,
                channel_timeout=IDLE_S,
                max_request_body_size=LARGEST_BODY,
                max_request_header_size=16 * 1024,
                # What proxies say is weighed by `ProxyWord`, peer by peer.
                clear_untrusted_proxy_headers=False,
                ident=None,
            )
        except (OSError, ValueError) as error:
            why = error.strerror if isinstance(error, OSError) else "there is no such address"
            raise SettingsError(
                f"{settings.host} port {settings.port} cannot be listened at ({why})",
                subject="serve.host",
                next_step="Stop what listens there, or set another host or port; port 0 takes a free one",
            ) from error
        logging.getLogger("waitress.queue").setLevel(logging.ERROR)

    @property
    def url(self) -> str:
        """Address to open."""
        settings = self.site.fleet.settings.serve
        if settings.public_url:
            return settings.public_url.rstrip("/") + "/"
        name = f"[{settings.host}]" if ":" in settings.host else settings.host
        return f"http://{name}:{self.port}/"

    @property
    def port(self) -> int:
        """The port it listens at."""
        # A name may stand for several addresses; then there is a listener for each.
        several = getattr(self._server, "effective_listen", None)
        return int(several[0][1] if several else self._server.effective_port)

    def run(self) -> None:
        """Answer until the process is told to stop: SystemExit or KeyboardInterrupt ends it in good order."""
        self.site.refresher.start()
        try:
            self._server.run()
        finally:
            self._server.close()
            self.site.refresher.stop()
