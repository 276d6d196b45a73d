"""How long a connection may be silent, and how many there may be. Uvicorn's own protocol waits
for ever for the end of a request's head, and accepts as many connections as there are
descriptors."""

from __future__ import annotations

import asyncio
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

ASKS_WITHIN_S = 10.0
"""The longest time from the beginning of a connection, or of a request on it, to the request's
end."""
READS_WITHIN_S = 30.0
"""A browser that reads nothing for this long is gone."""
MOST = 96
"""The most connections. With more, the connection that has asked nothing for the longest is
closed; if there is none, the newest."""


class Impatient(H11Protocol):
    """An HTTP/1.1 connection with limits on how long it is waited for."""

    _all: dict[asyncio.Transport, Impatient]
    _asking: asyncio.TimerHandle | None = None
    _reading: asyncio.TimerHandle | None = None

    def __init__(self, config: Any, server_state: Any, app_state: Any, _loop: Any = None) -> None:
        super().__init__(config, server_state, app_state, _loop)
        self._all = config.__dict__.setdefault("connections_by_age", {})

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        if len(self._all) >= MOST:
            idle = (one for one in self._all.values() if one._asking is not None)
            gone = next(idle, self)
            self._all.pop(gone.transport, None)
            gone.transport.abort()
            if gone is self:
                return
        self._all[transport] = self
        self._look()

    def connection_lost(self, exc: Exception | None) -> None:
        self._all.pop(self.transport, None)
        self._stop()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        self._look()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        self._look()

    def pause_writing(self) -> None:
        super().pause_writing()
        self._reading = self.loop.call_later(READS_WITHIN_S, self.transport.abort)

    def resume_writing(self) -> None:
        super().resume_writing()
        if self._reading is not None:
            self._reading.cancel()
            self._reading = None

    def _look(self) -> None:
        """Starts the timer for a request's end, or stops it when no request is under way."""
        if self.conn.their_state in (h11.IDLE, h11.SEND_BODY):
            if self._asking is None:
                self._asking = self.loop.call_later(ASKS_WITHIN_S, self.transport.abort)
        elif self._asking is not None:
            self._asking.cancel()
            self._asking = None

    def _stop(self) -> None:
        for timer in (self._asking, self._reading):
            if timer is not None:
                timer.cancel()
        self._asking = self._reading = None
