"""Asking a car for what it should know, and again where the reply is garbled."""

from __future__ import annotations

import logging

from logbench.errors import ReplyError
from logbench.vehicle.link import NEGATIVE, Exchange, Link
from logbench.vehicle.model import Reply

log = logging.getLogger(__name__)

_ATTEMPTS = 3


def ask(
    link: Link, payload: bytes, frames: int | None = None, attempts: int = _ATTEMPTS
) -> list[Reply]:
    """Positive replies to `payload`, asked again after a garbled reply; empty when refused."""
    exchange = ask_again(link, payload, frames, attempts)
    replies = [] if exchange is None else exchange.replies
    return [reply for reply in replies if reply.data[0] != NEGATIVE]


def ask_again(
    link: Link, payload: bytes, frames: int | None = None, attempts: int = _ATTEMPTS
) -> Exchange | None:
    """The first whole exchange of so many; else the last damaged one, None without any.

    `frames` are announced the first time only.
    """
    exchange: Exchange | None = None
    for attempt in range(attempts):
        try:
            exchange = link.exchange(payload, frames if attempt == 0 else None)
        except ReplyError as error:
            log.info("%s: %s", payload.hex(), error)
            continue
        if not exchange.raw.damaged:
            break
        log.info("%s: damaged reply, attempt %d", payload.hex(), attempt + 1)
    return exchange
