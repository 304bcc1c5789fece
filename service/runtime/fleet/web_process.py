"""The pages of a fleet: a process that serves them and nothing else."""

from __future__ import annotations

from alerts.common.phrases import phrase
from service.app import Duskbell
from service.runtime.fleet.worker_sessions import attach
from service.runtime.single_process import Pages, PagesStopped, stop_on_signals
from service.web.app import build_app
from service.web.server import STOP_WITHIN_S

LOOK_EVERY_S = 1.0


def run_pages(duskbell: Duskbell) -> None:
    """Serve until SIGINT or SIGTERM; then answer what is being asked, and return.

    PagesStopped when the web server ends by itself.
    """
    attach(duskbell.sessions, duskbell.channels, duskbell.clock)
    settings, stopping = duskbell.settings, duskbell.delivery.stopping
    app = build_app(duskbell)
    pages = Pages(app, settings.web_host, settings.web_port)
    with stop_on_signals(stopping):
        pages.start()
        while not stopping.wait(LOOK_EVERY_S):
            if not pages.is_alive:
                raise PagesStopped(phrase("runtime.pages-ended"))
        pages.stop(STOP_WITHIN_S)
