"""Which request is answered: every other one gets the same answer, whatever is wrong with it."""

from __future__ import annotations

import hmac
import ipaddress
from http import HTTPStatus
from importlib import resources
from typing import Literal

from websockets.datastructures import Headers
from websockets.http11 import Request, Response

from logbench.screen.messages import Plan

Asked = Literal["page", "live", "wrong"]
FILES = {
    "": ("page.html", "text/html; charset=utf-8"),
    "page.js": ("page.js", "text/javascript; charset=utf-8"),
    "page.css": ("page.css", "text/css; charset=utf-8"),
}
LIVE = "live"


class Door:
    """Judges requests to a page at one address.

    The host's name must be the one that was given out: a page elsewhere whose name was made to
    lead here (DNS rebinding) has another. Live values go to our own page only (Origin).
    """

    def __init__(self, plan: Plan, port: int) -> None:
        self._token = plan.token.encode()
        self._network = ipaddress.ip_network(plan.network)
        self._host = f"{plan.host}:{port}"
        self._files = {
            name: (resources.files("logbench.screen").joinpath(file).read_bytes(), kind)
            for name, (file, kind) in FILES.items()
        }

    def near(self, peer: str) -> bool:
        """Whether an address lies in the network that the page is for."""
        try:
            return ipaddress.ip_address(peer) in self._network
        except ValueError:
            return False

    def asked(self, request: Request) -> Asked:
        """What a request wants, if it may have it."""
        token, slash, name = request.path.removeprefix("/").partition("/")
        known = hmac.compare_digest(token.encode("utf-8", "replace"), self._token)
        if not known or not slash or request.headers.get_all("Host") != [self._host]:
            return "wrong"
        if getattr(request, "method", "GET") != "GET":  # older releases parse no other
            return "wrong"
        if name == LIVE:
            ours = request.headers.get_all("Origin") == [f"http://{self._host}"]
            return "live" if ours else "wrong"
        return "page" if name in self._files else "wrong"

    def page(self, request: Request) -> Response:
        """A file of the page, for a request that asked for one."""
        body, kind = self._files[request.path.rpartition("/")[2]]
        return answer(HTTPStatus.OK, body, kind, self._policy)

    @property
    def _policy(self) -> str:
        """Nothing but our own page, styles and values; 'self' is not a web socket everywhere."""
        return (
            "default-src 'none'; script-src 'self'; style-src 'self'; "
            f"connect-src ws://{self._host}; base-uri 'none'; form-action 'none'; "
            "frame-ancestors 'none'"
        )


def refusal(status: HTTPStatus = HTTPStatus.NOT_FOUND) -> Response:
    """The answer to everything that is wrong."""
    return answer(status, b"Nothing here.\n", "text/plain; charset=utf-8", "default-src 'none'")


def answer(status: HTTPStatus, body: bytes, kind: str, policy: str) -> Response:
    """One that is neither kept nor shown in anything else's frame."""
    headers = Headers()
    headers["Content-Type"] = kind
    headers["Content-Length"] = str(len(body))
    headers["Connection"] = "close"
    headers["Cache-Control"] = "no-store"
    headers["Content-Security-Policy"] = policy
    headers["X-Content-Type-Options"] = "nosniff"
    headers["Referrer-Policy"] = "no-referrer"
    headers["Cross-Origin-Resource-Policy"] = "same-origin"
    return Response(status.value, status.phrase, headers, body)
