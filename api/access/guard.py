"""ASGI middleware: asks for an access key where one is needed, and holds callers to a rate.

By default keys are needed as soon as one end of the connection, or the host that is asked for, is not loopback, however
the server was started. A caller on this machine that needs none has no rate either: it could as well stop the service.
A reverse proxy that names its client (X-Forwarded-For) counts as that client.
"""

from __future__ import annotations

import logging
import math
from dataclasses import dataclass
from urllib.parse import urlsplit

from redis.exceptions import RedisError
from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.access.loopback import is_loopback
from api.page.pages import PAGES
from api.problem_handlers import RETRY_AFTER_S
from api.problems import ProblemError, response_for
from worker.access import Admission, Gate, includes
from worker.access import Scope as KeyScope
from worker.settings import Access

log = logging.getLogger("shotwright.api")

#: Asked by supervisors, which hold no key: never refused, and cost nothing.
HEALTH = ("/livez", "/readyz")
#: Need no key: documentation that is the same everywhere, and a front page that shows no designs without one.
OPEN = ("/", "/docs", "/openapi.json", *(page.path for page in PAGES))
OPEN_BELOW = ("/docs-assets/", "/page-assets/", "/sheet-assets/", "/problems/")

_CHALLENGE = 'Bearer realm="shotwright"'


@dataclass(frozen=True)
class Caller:
    """Who asks: the id of the key, if one was needed, and whether designs may be shown."""

    key_id: str | None
    may_read: bool


class Guard:
    """The middleware. Later layers find the caller in ``scope["state"]["caller"]``."""

    def __init__(self, app: ASGIApp, gate: Gate, access: Access) -> None:
        self.app = app
        self._gate = gate
        self._access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http" or scope["path"] in HEALTH:
            await self.app(scope, receive, send)
            return
        needs_key = self._access == "keys" or (self._access == "auto" and not _is_local(scope))
        admission = None
        try:
            if needs_key or self._access == "open":
                admission = await self._gate.admit(_bearer(scope) if needs_key else None, _address(scope))
        except RedisError as error:
            if needs_key:
                log.warning("store unavailable: %s", error)
                away = ProblemError("store-unavailable", headers={"Retry-After": str(RETRY_AFTER_S)})
                await response_for(away, scope["path"])(scope, receive, send)
                return
            # what needs no store goes on without a rate
        headers = self._rate_headers(admission)
        refusal = self._refusal(scope, admission, needs_key=needs_key)
        if refusal is not None:
            refusal.headers.update(headers)
            await response_for(refusal, scope["path"])(scope, receive, send)
            return
        known = admission is not None and includes(admission.scope, "read")
        caller = Caller(admission.key_id if admission else None, may_read=known or not needs_key)
        scope.setdefault("state", {})["caller"] = caller
        await self.app(scope, receive, _with_headers(send, headers))

    def _rate_headers(self, admission: Admission | None) -> dict[str, str]:
        """RateLimit-Policy and RateLimit as in draft-ietf-httpapi-ratelimit-headers-10."""
        if admission is None or self._gate.per_minute_count == 0:
            return {}
        return {
            "RateLimit-Policy": f'"requests";q={self._gate.per_minute_count};w=60',
            "RateLimit": f'"requests";r={admission.left_count};t={math.ceil(admission.wait_s)}',
        }

    def _refusal(self, scope: Scope, admission: Admission | None, *, needs_key: bool) -> ProblemError | None:
        if admission is not None and not admission.within_rate:
            wait_s = math.ceil(admission.wait_s)
            words = (
                f"More than {self._gate.per_minute_count} requests in a minute; the next one is taken in {wait_s} s."
            )
            return ProblemError("rate-exceeded", words, headers={"Retry-After": str(wait_s)})
        if not needs_key or _is_open(scope["path"]):
            return None
        held = admission.scope if admission else None
        if held is None:
            error = "" if _bearer(scope) is None else ', error="invalid_token"'
            return ProblemError("key-needed", headers={"WWW-Authenticate": _CHALLENGE + error})
        needed = scope_for(scope["method"])
        if includes(held, needed):
            return None
        words = f"{scope['method']} needs a key of scope {needed}; this one has scope {held}."
        challenge = f'{_CHALLENGE}, error="insufficient_scope", scope="{needed}"'
        return ProblemError("scope-too-small", words, headers={"WWW-Authenticate": challenge})


def scope_for(method: str) -> KeyScope:
    """What a method needs: looking is `read`, asking for work or stopping it `submit`, removing or keeping `admin`."""
    if method in ("GET", "HEAD", "OPTIONS"):
        return "read"
    return "admin" if method in ("DELETE", "PATCH") else "submit"


def _is_local(scope: Scope) -> bool:
    """Both ends are loopback, or a socket of the file system, which has no address; and so is the name asked for.

    A browser that was told that some page's name is 127.0.0.1 asks for that name.
    """
    ends = (scope.get("server"), scope.get("client"))
    if not all(end is None or (len(end) > 1 and end[1] is None) or is_loopback(end[0]) for end in ends):
        return False
    try:
        name = urlsplit(f"//{Headers(scope=scope).get('host', 'localhost')}").hostname
    except ValueError:
        return False
    return name is not None and is_loopback(name)


def _is_open(path: str) -> bool:
    return path in OPEN or path.startswith(OPEN_BELOW)


def _address(scope: Scope) -> str:
    client = scope.get("client")
    return str(client[0]) if client else "local"


def _bearer(scope: Scope) -> str | None:
    kind, _, token = Headers(scope=scope).get("authorization", "").partition(" ")
    return token.strip() if kind.lower() == "bearer" else None


def _with_headers(send: Send, headers: dict[str, str]) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            MutableHeaders(scope=message).update(headers)
        await send(message)

    return sending
