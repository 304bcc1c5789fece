"""The sender that runs beside the cycles: what is due goes out within a second or so, at any time."""

from __future__ import annotations

import contextlib
import logging
import threading

from sqlalchemy.exc import SQLAlchemyError

from service.delivery.dispatcher import Delivery, Round
from service.store.engine import patient

log = logging.getLogger(__name__)

LOOK_EVERY_S = 1.0
REST_AFTER_FAULT_S = 5.0
LONGEST_REST_S = 60.0


class Postman:
    """Delivers in a thread until the delivery's `stopping` is set. A store that fails for a while only
    makes it wait."""

    def __init__(self, delivery: Delivery) -> None:
        self._delivery = delivery
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin, or begin anew where the thread has died of something unforeseen."""
        if self._thread is not None:
            if self._thread.is_alive():
                return
            log.error("the postman had died; another takes over")
        self._delivery.background.set()
        self._thread = threading.Thread(target=self._work, name="duskbell-postman", daemon=True)
        self._thread.start()

    def join(self, within_s: float) -> bool:
        """Wait until it has ended; whether it has."""
        if self._thread is None:
            return True
        self._thread.join(within_s)
        return not self._thread.is_alive()

    def _work(self) -> None:
        delivery, rest_s = self._delivery, LOOK_EVERY_S
        with patient(), contextlib.closing(Round(delivery, delivery.clock)) as round_:
            while not delivery.stopping.is_set():
                delivery.nudge.clear()
                try:
                    round_.run()
                    rest_s = LOOK_EVERY_S
                except SQLAlchemyError:
                    log.exception("the store failed; messages wait")
                    rest_s = min(LONGEST_REST_S, max(REST_AFTER_FAULT_S, 2 * rest_s))
                self._rest(rest_s)
        delivery.background.clear()

    def _rest(self, rest_s: float) -> None:
        """Until something is due, the time is over, or the service stops."""
        self._delivery.nudge.wait(rest_s)
