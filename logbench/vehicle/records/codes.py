"""Stored (03), pending (07) and permanent (0A) trouble codes of every ECU."""

from __future__ import annotations

from collections.abc import Iterable

from logbench.signals.codes import code_from_bytes, is_manufacturer_code, text_of
from logbench.vehicle.model import Reply
from logbench.vehicle.records.asking import Asker
from logbench.vehicle.records.model import STATES, CarReading, Code, CodeState

SERVICES: dict[CodeState, int] = {"stored": 0x03, "pending": 0x07, "permanent": 0x0A}


def code_of(code: str, state: CodeState, ecu: str) -> Code:
    """A code with its text. Raises UsageError when `code` is no trouble code.

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


def add_codes(reading: CarReading, codes: Iterable[str], state: CodeState, ecu: str) -> None:
    """Put an ECU's codes into the reading, each once."""
    have = {(code.code, code.state, code.ecu) for code in reading.codes}
    for code in dict.fromkeys(codes):
        if (code, state, ecu) not in have:
            reading.codes.append(code_of(code, state, ecu))


def codes_of_reply(reply: Reply) -> tuple[list[str], str]:
    """Codes of one positive reply, and what is odd about it as a clause (`` when nothing).

    SAE J1979 on ISO 15765-4: service byte, number of codes, two bytes each. On the older buses the
    link puts a zero in the place of the number, and pairs of zeros fill the last message.
    """
    if len(reply.data) < 2:
        return [], "is too short"
    count, data = reply.data[1], reply.data[2:]
    pairs = zip(data[::2], data[1::2], strict=False)
    codes = [code_from_bytes(a, b) for a, b in pairs if (a, b) != (0, 0)]
    if len(data) % 2:
        return codes, "ends within a code"
    if count and count != len(codes):
        return codes, f"announces {count} codes and holds {len(codes)}"
    return codes, ""


def read_codes(reading: CarReading, asker: Asker) -> None:
    """All three kinds, each as soon as it is read. Codes of one ECU are given once each."""
    ecus = [ecu.address for ecu in reading.identity.ecus]
    for state in STATES:
        what = f"{state} codes"
        for reply in asker.ask(bytes((SERVICES[state],)), what):
            codes, odd = codes_of_reply(reply)
            if odd:
                asker.problem(f"The answer of {reply.ecu} to {what} {odd}: read the car again.")
            add_codes(reading, codes, state, reply.ecu)
        asker.silent(what, ecus)
