"""Replies of one ECU damaged on the way, for every reader of CAN frames: none may make a value.

Each is a list of (seconds since the frame before, ECU, data in hex). The whole reply would be
41 0C 1A F8 05 7B 10 0A 00 (ISO 15765-2, nine bytes in two frames).
"""

from __future__ import annotations

Frame = tuple[float, str, str]

ENGINE, SECOND = "7E8", "7E9"
WHOLE: list[Frame] = [(0.0, ENGINE, "1009410C1AF8057B"), (0.01, ENGINE, "21100A0000000000")]
VIN = ["101449020131475A", "2139544553543137", "2230583030303031"]

DAMAGED: dict[str, list[Frame]] = {
    "the tail is missing": WHOLE[:1],
    "the head is missing": WHOLE[1:],
    "the wrong number": [WHOLE[0], (0.01, ENGINE, "22100A0000000000")],
    "a frame twice": [WHOLE[0], (0.01, ENGINE, "20100A0000000000"), WHOLE[1]],
    "the middle is missing": [(0.0, ENGINE, VIN[0]), (0.01, ENGINE, VIN[2])],
    "the middle twice": [(0.01, ENGINE, data) for data in (VIN[0], VIN[1], VIN[1], VIN[2])],
    "the last two swapped": [(0.01, ENGINE, data) for data in (VIN[0], VIN[2], VIN[1])],
    "the tail is cut short": [WHOLE[0], (0.01, ENGINE, "21100A")],
    "the middle is cut short": [
        (0.01, ENGINE, data) for data in (VIN[0], "21395445", "2230583030303031")
    ],
    "the tail comes too late": [WHOLE[0], (1.2, ENGINE, WHOLE[1][2])],
    "the head is cut short": [(0.0, ENGINE, "1009410C1AF805"), WHOLE[1]],
    "another message in between": [WHOLE[0], (0.01, ENGINE, "037F0112"), WHOLE[1]],
    "a head of a short message": [(0.0, ENGINE, "1006410C1AF8057B"), WHOLE[1]],
    "the tail of another ECU": [WHOLE[0], (0.01, SECOND, "21100A0000000000")],
    "a single frame shorter than it says": [(0.0, ENGINE, "04410C1A")],
    "a single frame of length 0": [(0.0, ENGINE, "00410C1AF8")],
    "a single frame longer than a frame": [(0.0, ENGINE, "08410C1AF8000000")],
    "no kind of frame": [(0.0, ENGINE, "F4410C1AF8")],
}
