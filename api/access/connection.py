"""A client that opens a connection and says little is let go: uvicorn itself waits for a request's head for ever."""

from __future__ import annotations

import asyncio

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol


class PromptProtocol(H11Protocol):
    """uvicorn's protocol, with its keep-alive time also as the longest that the head of a request may take."""

    _deadline: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """The first head is awaited."""
        super().connection_made(transport)
        self._await_head()

    def data_received(self, data: bytes) -> None:
        """The time begins with the first bytes of a head and ends with its last."""
        super().data_received(data)
        if self.conn.their_state is not h11.IDLE:
            self._stop_waiting()
        elif self._deadline is None and self.timeout_keep_alive_task is None:
            self._await_head()

    def connection_lost(self, exc: Exception | None) -> None:
        """Nothing is awaited any more."""
        self._stop_waiting()
        super().connection_lost(exc)

    def _await_head(self) -> None:
        self._deadline = self.loop.call_later(self.timeout_keep_alive, self._give_up)

    def _stop_waiting(self) -> None:
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None

    def _give_up(self) -> None:
        self._deadline = None
        if not self.transport.is_closing():
            self.transport.close()
