"""ASGI middleware: a reader that takes nothing of its answer is let go, so that it holds on to nothing for ever."""

from __future__ import annotations

import asyncio

from starlette.types import ASGIApp, Message, Receive, Scope, Send


class SendDeadline:
    """Ends an answer whose next part cannot be handed over within `send_seconds`."""

    def __init__(self, app: ASGIApp, send_seconds: float) -> None:
        self.app = app
        self._send_seconds = send_seconds

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""

        async def prompt(message: Message) -> None:
            async with asyncio.timeout(self._send_seconds):
                await send(message)

        await self.app(scope, receive, prompt if scope["type"] == "http" else send)
