"""What bad moments make of the adapter's output."""

from __future__ import annotations

import random

from logbench.simulator.trouble import ERROR_LINES

PROMPT = b">"

Text = tuple[float, str]
"""A line and the moment it is ready."""
Chunk = tuple[float, bytes]

_NOISE = b"\x00\x07\x13\x1b#%;Qgz~\x80\xa5\xfe\xff"


def spoil_lines(lines: list[Text], active: frozenset[str], done_s: float) -> list[Text]:
    """The lines of a reply from the car as the troubles that are `active` leave them."""
    for name, text in ERROR_LINES.items():
        if name in active:
            return [(done_s, text)]
    if "data-error" in active:
        lines = [(t_s, f"{text} <DATA ERROR") for t_s, text in lines]
    if "rx-error" in active:
        lines = [(t_s, f"{text} <RX ERROR") for t_s, text in lines]
    if "buffer-full" in active and lines:
        lines = [*lines[:1], (lines[0][0], "BUFFER FULL")]
    return lines


def spoil_output(
    chunks: list[Chunk], request: bytes, active: frozenset[str], noise: random.Random
) -> list[Chunk]:
    """The characters of a reply, prompt included, as they get through."""
    if "wrong-echo" in active and chunks:
        wrong = bytes(noise.choice(b"0123456789ABCDEF") for _ in request[:1]) + request[1:]
        chunks = [(chunks[0][0], wrong + b"\r"), *chunks]
    if "merged" in active:
        chunks = [
            (t_s, data.rstrip(b"\r\n") if PROMPT not in data else data) for t_s, data in chunks
        ]
    if "garbage" in active:
        chunks = [
            (t_s, _noisy(data, noise) if PROMPT not in data else data) for t_s, data in chunks
        ]
    if "truncated" in active:
        chunks = _cut(chunks, noise)
    return chunks


def _noisy(data: bytes, noise: random.Random) -> bytes:
    """`data` with one character in eight replaced, one at least."""
    changed = bytearray(data)
    for _ in range(max(len(data) // 8, 1)):
        changed[noise.randrange(len(changed))] = noise.choice(_NOISE)
    return bytes(changed)


def _cut(chunks: list[Chunk], noise: random.Random) -> list[Chunk]:
    """Only the first part of all characters; the prompt is lost."""
    left = noise.randrange(sum(len(data) for _, data in chunks))
    kept: list[Chunk] = []
    for t_s, data in chunks:
        kept.append((t_s, data[:left]))
        left -= len(kept[-1][1])
        if left <= 0:
            break
    return kept
