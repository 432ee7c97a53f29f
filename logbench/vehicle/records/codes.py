"""Stored (03), pending (07) and permanent (0A) trouble codes of every ECU, and freeze frames (02).

Cars that answer SAE J1979-2 only have service 19 in their place (ISO 14229-1 and SAE J1979-2, from
memory; re-check against the standards). It is asked by functional group (emission-related), and by
status alone where an ECU does not have groups. A code has three bytes there: two as before, and a
failure type of SAE J2012-DA, written behind a dash: `P0171-11`.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Mapping
from dataclasses import dataclass

from logbench.errors import ReplyError
from logbench.signals.codes import code_from_bytes, is_manufacturer_code, text_of
from logbench.signals.decoding import Scaling, decode, label
from logbench.signals.table import table
from logbench.vehicle.discovery import walk_lists
from logbench.vehicle.filler import FILLERS
from logbench.vehicle.model import Reply
from logbench.vehicle.records.asking import Asker
from logbench.vehicle.records.model import (
    STATES,
    CarReading,
    Code,
    CodeState,
    FreezeFrame,
    FrozenValue,
)

SERVICES: dict[CodeState, int] = {"stored": 0x03, "pending": 0x07, "permanent": 0x0A}


def code_of(code: str, state: CodeState, ecu: str) -> Code:
    """A code with its text. Raises UsageError when `code` is not a trouble code.

    Behind a dash stands the failure type of a car of SAE J1979-2 (`P0171-11`), as two hex digits:
    its meaning is in SAE J2012-DA.
    """
    base, _, failure = code.partition("-")
    text = text_of(base)
    return Code(
        code=code,
        state=state,
        ecu=ecu,
        text=f"{text} (failure type {failure})" if failure else text,
        manufacturer=is_manufacturer_code(base),
    )


def _keep(reading: CarReading, ecu: str, state: CodeState, codes: list[str]) -> None:
    """Put an ECU's codes into the reading, each once."""
    have = {(code.code, code.state, code.ecu) for code in reading.codes}
    for code in dict.fromkeys(codes):
        if (code, state, ecu) not in have:
            reading.codes.append(code_of(code, state, ecu))


NOT_UNDERSTOOD = "The answer of {ecu} to {what} {odd}: what it says is not known, ask again."


def codes_of_reply(
    reply: Reply, is_can: bool = True, stored: int | None = None
) -> tuple[list[str], str]:
    """Codes of one positive reply and ``, or none and why it was not understood, as a clause.

    SAE J1979: two bytes a code; before them the number of codes on ISO 15765-4, none on the older
    buses, where pairs of zeros fill the last line. Cars mix the two up, so that the parity of the
    bytes decides, held against the number and what fills a frame. `stored`: how many codes the ECU
    says elsewhere that it has stored (PID 01), which decides where both can be meant.
    """
    rest = reply.data[1:]
    counted, plain = _counted(rest), _plain(rest)
    if counted is not None and (len(rest) % 2 or _surely_filled(rest)):
        return counted, ""
    if len(rest) % 2:
        return [], f"announces {rest[0]} codes and has room for {(len(rest) - 1) // 2}"
    if is_can and counted is not None and counted != plain and _off_by_one(rest):
        fit = [codes for codes in (counted, plain) if len(codes) == stored]
        return (fit[0], "") if len(fit) == 1 else ([], "can be read in two ways")
    if _surely_filled(rest):
        return [], "ends in something that is not a code"
    return plain, ""


def _counted(rest: bytes) -> list[str] | None:
    """Codes behind their number, with nothing but filler after them; None where it is not so."""
    end = 1 + 2 * rest[0] if rest else 0
    left = set(rest[end:])
    if not 0 < end <= len(rest) or len(left) > 1 or not left.issubset(FILLERS):
        return None
    codes = _plain(rest[1:end])
    return codes if len(codes) == rest[0] else None


def _plain(pairs: bytes) -> list[str]:
    """Codes of two bytes each; zeros are none."""
    both = zip(pairs[::2], pairs[1::2], strict=False)
    return [code_from_bytes(a, b) for a, b in both if (a, b) != (0, 0)]


def _surely_filled(rest: bytes) -> bool:
    """Whether it ends in a filler that would be no code, read from whatever byte on."""
    return len(rest) > 2 and rest[-1] in FILLERS - {0} and len(set(rest[-3:])) == 1


def _off_by_one(rest: bytes) -> bool:
    """Whether pairs end in half a code or in filler, as they do when read from the wrong byte."""
    return rest[-1] > 0 or len(rest.rstrip(b"\0")) % 2 > 0


def read_codes(reading: CarReading, asker: Asker) -> None:
    """All three kinds, each as soon as it is read. Codes of one ECU are given once each; an ECU
    whose answer was not understood counts neither as having codes nor as having none."""
    ecus = [ecu.address for ecu in reading.identity.ecus]
    is_can = asker.link.protocol.is_can
    stored = {one.ecu: one.code_count for one in reading.readiness}
    for state in STATES:
        what = f"{state} codes"
        puzzling = set()
        for reply in asker.ask(bytes((SERVICES[state],)), what):
            told = stored.get(reply.ecu) if state == "stored" else None
            codes, odd = codes_of_reply(reply, is_can, told)
            if odd:
                puzzling.add(reply.ecu)
                asker.problem(NOT_UNDERSTOOD.format(ecu=reply.ecu, what=what, odd=odd))
            else:
                _keep(reading, reply.ecu, state, codes)
        asker.silent(what, [ecu for ecu in ecus if ecu not in puzzling])
        asker.answered[what] = [ecu for ecu in asker.answered[what] if ecu not in puzzling]


# --- service 19 of SAE J1979-2 ---

SERVICE, EMISSIONS, SEVERITIES = 0x19, 0x33, 0x1E
PENDING, CONFIRMED = 0x04, 0x08
"""Bits 2 and 3 of the status byte (ISO 14229-1)."""
_J1939 = 0x02
_ALL_KINDS = (
    "The codes of {ecus} were asked for without the group of emission-related ones, which it does "
    "not have: codes of other kinds may be among them."
)


@dataclass(frozen=True, slots=True)
class _Ask:
    """One way to ask: the request, bytes before the first code, bytes a code and where it begins.

    `status_bit`: of the status byte, that a code must have; 0: any.
    """

    payload: bytes
    head: int
    size: int
    at: int
    status_bit: int


_GROUPED: dict[CodeState, _Ask] = {
    "stored": _Ask(bytes((SERVICE, 0x42, EMISSIONS, CONFIRMED, SEVERITIES)), 6, 5, 1, CONFIRMED),
    "pending": _Ask(bytes((SERVICE, 0x42, EMISSIONS, PENDING, SEVERITIES)), 6, 5, 1, PENDING),
    "permanent": _Ask(bytes((SERVICE, 0x55, EMISSIONS)), 5, 4, 0, 0),
}
_PLAIN: dict[CodeState, _Ask] = {
    "stored": _Ask(bytes((SERVICE, 0x02, CONFIRMED)), 3, 4, 0, CONFIRMED),
    "pending": _Ask(bytes((SERVICE, 0x02, PENDING)), 3, 4, 0, PENDING),
    "permanent": _Ask(bytes((SERVICE, 0x15)), 3, 4, 0, 0),
}


def code_of_three(data: bytes) -> str:
    """`P0171` from three bytes, with its failure type where there is one: `P0171-11`."""
    code = code_from_bytes(data[0], data[1])
    return f"{code}-{data[2]:02X}" if data[2] else code


def newer_codes_of_reply(reply: Reply, way: bytes) -> tuple[list[str], str]:
    """Codes of one positive reply to `way`, a request of this module, and what is odd about it as a
    clause (`` when nothing). Raises ReplyError for another kind of reply."""
    ask = next(a for a in (*_GROUPED.values(), *_PLAIN.values()) if a.payload == way)
    data = reply.data
    grouped = ask.payload[1] in (0x42, 0x55)
    if data[:2] != bytes((SERVICE | 0x40, ask.payload[1])) or (
        grouped and data[2:3] != bytes((EMISSIONS,))
    ):
        raise ReplyError("The car's reply does not belong to what was asked; ask again.")
    if len(data) < ask.head:
        return [], "is too short"
    if grouped and data[ask.head - 1] == _J1939:
        return [], "holds codes in the form of SAE J1939, which are not read here"
    body = data[ask.head :]
    whole = len(body) // ask.size * ask.size
    parts = (body[n : n + ask.size] for n in range(0, whole, ask.size))
    codes = [
        code_of_three(part[ask.at : ask.at + 3])
        for part in parts
        if any(part[ask.at : ask.at + 3]) and (part[-1] & ask.status_bit or not ask.status_bit)
    ]
    return codes, "" if whole == len(body) else "ends within a code"


def read_newer_codes(reading: CarReading, asker: Asker) -> None:
    """All three kinds, each as soon as it is read."""
    ecus = [ecu.address for ecu in reading.identity.ecus]
    plain: set[str] = set()
    for state in STATES:
        what = f"{state} codes"
        answered = set(_ask(reading, asker, _GROUPED[state], state, frozenset()))
        if set(ecus) - answered or not ecus:
            plain |= set(_ask(reading, asker, _PLAIN[state], state, frozenset(answered)))
        answered_ecus = asker.answered[what]
        asker.problems[:] = [
            text for text in asker.problems
            if not any(text.startswith(f"{ecu} refuses {what}") for ecu in answered_ecus)
        ]  # fmt: skip
        asker.silent(what, ecus)
    if plain:
        reading.remarks.append(_ALL_KINDS.format(ecus=", ".join(sorted(plain))))


def _ask(
    reading: CarReading, asker: Asker, ask: _Ask, state: CodeState, but: frozenset[str]
) -> list[str]:
    """The ECUs whose answer was understood; those of `but` are left out."""
    what = f"{state} codes"
    before = list(asker.answered.get(what, ()))
    understood = []
    for reply in asker.ask(ask.payload, what):
        if reply.ecu in but:
            continue
        try:
            codes, odd = newer_codes_of_reply(reply, ask.payload)
        except ReplyError as error:
            asker.problem(f"{reply.ecu} answers {what} in a way that makes no sense: {error}")
            continue
        if odd:
            asker.problem(f"The answer of {reply.ecu} to {what} {odd}: read the car again.")
        _keep(reading, reply.ecu, state, codes)
        understood.append(reply.ecu)
    asker.answered[what] = sorted({*before, *understood})
    return understood


log = logging.getLogger(__name__)

# --- freeze frames: every supported PID of every frame of every ECU ---

CODE_PID = 0x02
MOST_FRAMES = 16
"""The standard knows frame 0 and leaves further ones to the maker; a car that never stops naming
frames is stopped here."""
WHAT = "freeze frames"


def read_freeze_frames(reading: CarReading, asker: Asker, scalings: Mapping[str, Scaling]) -> None:
    """Frame after frame until no ECU has a code for the next one.

    `scalings`: of PID 0x4F and 0x50, by the ECU that has them.
    """
    for number in range(MOST_FRAMES):
        frames = _frames(asker, number)
        if not frames:
            return
        reading.freeze_frames.extend(frames.values())
        supported = _supported(asker, number, frozenset(frames))
        for pid in sorted(set().union(*supported.values()) - {CODE_PID}):
            wanted = {ecu for ecu, pids in supported.items() if pid in pids}
            for ecu, data in _data(asker, pid, number).items():
                if ecu in wanted:
                    frames[ecu].values.extend(
                        frozen_values(asker, ecu, pid, data, scalings.get(ecu))
                    )
    asker.problem(f"The car names more than {MOST_FRAMES} freeze frames: the rest was not read.")


def _frames(asker: Asker, number: int) -> dict[str, FreezeFrame]:
    """ECUs that have a frame of that number, with the code that caused it."""
    frames = {}
    for ecu, data in _data(asker, CODE_PID, number).items():
        if len(data) >= 2 and data[:2] != b"\0\0":
            code = code_from_bytes(data[0], data[1])
            frames[ecu] = FreezeFrame(ecu=ecu, number=number, code=code)
    return frames


def _supported(asker: Asker, number: int, ecus: frozenset[str]) -> dict[str, frozenset[int]]:
    """PIDs of the frame by ECU."""
    return walk_lists(
        lambda base, _: [
            (ecu, data)
            for ecu, data in _data(asker, base, number).items()
            if ecu in ecus and len(data) >= 4
        ]
    )


def _data(asker: Asker, pid: int, number: int) -> dict[str, bytes]:
    """Data bytes of one PID of one frame by ECU; replies about another one are left out."""
    found: dict[str, bytes] = {}
    for reply in asker.ask(bytes((0x02, pid, number)), WHAT):
        if len(reply.data) > 3 and reply.data[1:3] == bytes((pid, number)):
            found[reply.ecu] = reply.data[3:]
        else:
            log.info("answer of %s is not about PID %02X, frame %d", reply.ecu, pid, number)
    return found


def frozen_values(
    asker: Asker, ecu: str, pid: int, data: bytes, scaling: Scaling | None
) -> list[FrozenValue]:
    """The signals of one PID of a freeze frame."""
    signals = table().of_pid(pid)
    if not signals:
        text = data.hex(" ").upper()
        return [FrozenValue(signal=f"PID {pid:02X}", name="not in the table", text=text)]
    try:
        values = decode(pid, data, scaling)
    except ReplyError as error:
        asker.problem(f"PID {pid:02X} of a freeze frame of {ecu} makes no sense: {error}")
        return []
    return [
        FrozenValue(
            signal=signal.acronym,
            name=signal.name,
            value=None if math.isnan(values[signal.acronym]) else values[signal.acronym],
            unit=signal.unit,
            text=label(signal, values[signal.acronym]),
        )
        for signal in signals
    ]
