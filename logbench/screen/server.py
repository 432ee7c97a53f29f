"""Serves the page of the second screen and sends it what the window shows."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import socket
import time
from collections import deque
from collections.abc import Callable
from http import HTTPStatus
from typing import Any

from websockets.asyncio.server import Server, ServerConnection, serve
from websockets.exceptions import ConnectionClosed
from websockets.http11 import Request, Response

from logbench.screen.limits import (
    MOST_CONNECTIONS,
    MOST_HELD,
    MOST_SCREENS,
    OPENING_S,
    STALLED_S,
    Budget,
    WrongTries,
)
from logbench.screen.messages import (
    End,
    Marks,
    MarkWanted,
    Plan,
    Ready,
    Rows,
    Screens,
    Sent,
    Told,
    Values,
)
from logbench.screen.requests import Door, refusal
from logbench.system.limits import SCREEN_MESSAGE_BYTES

log = logging.getLogger(__name__)

_WRITE_LIMIT = 1 << 16
_PING_S = 10.0
_FAREWELL_S = 2.0


class _Connection(ServerConnection):
    """Hung up at once where there are too many."""

    open_now = 0

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Somebody has connected."""
        type(self).open_now += 1
        super().connection_made(transport)
        if self.open_now > MOST_CONNECTIONS:
            self.transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        """And has gone."""
        type(self).open_now -= 1
        super().connection_lost(exc)


class _Screen:
    """One that looks: what waits for it is bounded, and of values only the newest wait."""

    def __init__(self, connection: ServerConnection) -> None:
        self._connection = connection
        self._held: deque[str] = deque()
        self._values = ""
        self._ready = asyncio.Event()

    def post(self, message: Sent, text: str) -> None:
        """Something to be sent as soon as the screen takes it."""
        if isinstance(message, Values):
            self._values = text
        elif len(self._held) >= MOST_HELD:
            self.drop()
        else:
            if isinstance(message, Rows):
                self._held.clear()
                self._values = ""
            self._held.append(text)
        self._ready.set()

    def drop(self) -> None:
        """Hang up, without waiting for what it has not taken."""
        self._held.clear()
        self._connection.transport.abort()

    async def send(self) -> None:
        """Send what is posted, until the screen is gone, or for too long takes nothing."""
        try:
            while True:
                await self._ready.wait()
                self._ready.clear()
                while self._held or self._values:
                    text, values = (self._held.popleft(), "") if self._held else ("", self._values)
                    self._values = "" if values else self._values
                    await asyncio.wait_for(self._connection.send(text or values), STALLED_S)
        except TimeoutError:
            log.info("a screen took nothing for %g s and is dropped", STALLED_S)
            self.drop()
        except ConnectionClosed:
            pass

    async def drained(self) -> None:
        """Return when nothing waits any more."""
        while self._held:
            await asyncio.sleep(0.02)


class ScreenServer:
    """`run` serves until `End` is taken; `tell` gets what is to be told to the window."""

    def __init__(self, plan: Plan, tell: Callable[[Told], object]) -> None:
        self._plan, self._tell = plan, tell
        self._screens: set[_Screen] = set()
        self._wrong = WrongTries(time.monotonic)
        self._marks = Budget(3, 1.0, time.monotonic)
        self._over = asyncio.Event()
        self._door: Door
        _Connection.open_now = 0

    async def run(self) -> None:
        """Serve; raises `OSError` where the address cannot be listened on."""
        with socket.create_server((self._plan.host, self._plan.port), backlog=16) as listening:
            port = int(listening.getsockname()[1])
            self._door = Door(self._plan, port)
            server = serve(
                self._watched,
                sock=listening,
                process_request=self._request,
                create_connection=_Connection,
                compression=None,
                server_header=None,
                open_timeout=OPENING_S,
                ping_interval=_PING_S,
                ping_timeout=_PING_S,
                close_timeout=_FAREWELL_S,
                max_size=SCREEN_MESSAGE_BYTES,
                max_queue=4,
                write_limit=_WRITE_LIMIT,
                logger=_quiet(),
            )
            async with server as listener:
                self._tell(Ready(port))
                await self._over.wait()
                await self._say_farewell(listener)

    def take(self, message: Sent) -> None:
        """Pass on to all screens what the window sent; on the loop's thread."""
        text = json.dumps(_page_form(message, self._plan), separators=(",", ":"), allow_nan=False)
        for screen in tuple(self._screens):
            screen.post(message, text)
        if isinstance(message, End):
            self._over.set()

    async def _say_farewell(self, listener: Server) -> None:
        """The end comes to every screen that takes it in time; then all are hung up."""
        farewells = asyncio.gather(*(screen.drained() for screen in self._screens))
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(farewells, _FAREWELL_S)
        listener.close()

    def _request(self, connection: ServerConnection, request: Request) -> Response | None:
        peer = str(connection.remote_address[0])
        if not self._door.near(peer) or self._wrong.too_many(peer):
            return refusal()
        asked = self._door.asked(request)
        if asked == "wrong":
            self._wrong.count(peer)
            return refusal()
        if asked == "page":
            return self._door.page(request)
        return refusal(HTTPStatus.SERVICE_UNAVAILABLE) if self._full else None

    @property
    def _full(self) -> bool:
        return len(self._screens) >= MOST_SCREENS

    async def _watched(self, connection: ServerConnection) -> None:
        """A screen looks, from the first message to the last."""
        if self._full:  # two at once were let in where there was room for one
            connection.transport.abort()
            return
        screen, asks = _Screen(connection), Budget(10, 2.0, time.monotonic)
        self._screens.add(screen)
        self._tell(Screens(len(self._screens), joined=True))
        sending = asyncio.create_task(screen.send())
        try:
            async for message in connection:
                if not asks.take():
                    screen.drop()
                elif message == "mark" and self._marks.take():
                    self._tell(MarkWanted())
        except ConnectionClosed:
            pass
        finally:
            sending.cancel()
            self._screens.discard(screen)
            self._tell(Screens(len(self._screens), joined=False))


def _page_form(message: Sent, plan: Plan) -> dict[str, Any]:
    """A message as the page reads it."""
    match message:
        case Rows(rows, marks):
            told = [{"name": r.name, "title": r.title, "history": r.history} for r in rows]
            return {"is": "rows", "rows": told, "marks": marks, "words": dict(plan.words)}
        case Values(t_s, state, cells):
            return {"is": "values", "t": t_s, "state": state, "cells": cells}
        case Marks(times_s):
            return {"is": "marks", "marks": times_s}
        case End():
            return {"is": "end"}


def _quiet() -> logging.Logger:
    """What strangers send is nobody's log."""
    quiet = logging.getLogger(f"{__name__}.connections")
    quiet.setLevel(logging.CRITICAL)
    return quiet
