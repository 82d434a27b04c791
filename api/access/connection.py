"""A client that opens a connection and says little is let go: uvicorn itself waits for a request's head for ever."""

from __future__ import annotations

import asyncio

from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

#: Longest head of a request, bytes: the parser itself takes any.
MAX_HEAD_BYTES = 65_536


class PromptProtocol(HttpToolsProtocol):
    """uvicorn's protocol, with its keep-alive time also as the longest that the head of a request may take."""

    _deadline: asyncio.TimerHandle | None = None
    #: Whether a request's head has begun and not ended, and the bytes that came meanwhile.
    _in_head = False
    _head_bytes = 0

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """The first head is awaited."""
        super().connection_made(transport)
        self._await_head()

    def data_received(self, data: bytes) -> None:
        """The time begins with the first bytes of a head and ends with its last."""
        if self._in_head:
            self._head_bytes += len(data)
        super().data_received(data)
        if self._in_head and self._head_bytes > MAX_HEAD_BYTES:
            self.send_400_response("The head of the request is too long.")

    def on_message_begin(self) -> None:
        """The first bytes of a head."""
        super().on_message_begin()
        self._in_head, self._head_bytes = True, 0
        if self._deadline is None:
            self._await_head()

    def on_headers_complete(self) -> None:
        """Its last ones."""
        self._in_head = False
        self._stop_waiting()
        super().on_headers_complete()

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
