"""Whether two identities are of one car."""

from __future__ import annotations

import pytest

from logbench.car.identity import Ecu, Identity, Match, meet

# Invented.
A, B = "ZZ9TEST120X000007", "ZZ9TEST170X000001"
ENGINE = Ecu(name="ECM-EngineControl", calibrations={"37805-ZZ1-A110": "1791BC82"}, pids=(4, 5, 12))
GEARS = Ecu(name="TCM-Transmission", pids=(13,))


def test_two_vins_decide_whatever_else_is_known():
    first = Identity(vin=A, ecus={"7E8": ENGINE})
    assert meet(first, Identity(vin=f" {A.lower()}\0", ecus={"7E9": GEARS})).match is Match.SAME
    met = meet(first, Identity(vin=B, ecus={"7E8": ENGINE}))
    assert met.match is Match.OTHER
    assert A in met.sentence
    assert B in met.sentence


@pytest.mark.parametrize("vin", ["", "0" * 17, "1M8GDM9A", "IOQ" * 5 + "AA", "FFFFFFFFFFFFFFFFF"])
def test_what_is_no_vin_decides_nothing(vin):
    met = meet(Identity(vin=vin), Identity(vin=A))
    assert met.match is Match.UNKNOWN
    assert "too little" in met.sentence


def test_the_same_ecus_do_not_prove_one_car():
    first = Identity(ecus={"7E8": ENGINE}, protocol="ISO 15765-4 CAN, 11 bit")
    met = meet(first, first)
    assert met.match is Match.UNKNOWN
    assert not met.differ
    assert {"ECUs", "software of ECU 7E8", "protocol"} <= set(met.agree)
    assert "a VIN is missing" in met.sentence


def test_an_ecu_of_another_name_or_none_in_common_is_another_car():
    first = Identity(ecus={"7E8": ENGINE})
    renamed = ENGINE.model_copy(update={"name": "ECM-Diesel"})
    assert meet(first, Identity(ecus={"7E8": renamed})).match is Match.OTHER
    assert meet(first, Identity(ecus={"10": ENGINE})).match is Match.OTHER


def test_new_software_another_adapter_or_a_silent_ecu_are_no_other_car():
    first = Identity(ecus={"7E8": ENGINE, "7E9": GEARS}, protocol="ISO 15765-4 CAN, 11 bit")
    flashed = ENGINE.model_copy(update={"calibrations": {"37805-ZZ1-A120": ""}, "pids": (4, 5)})
    second = Identity(ecus={"7E8": flashed}, protocol="CAN 11/500")
    met = meet(first, second)
    assert met.match is Match.UNKNOWN
    assert [one.what for one in met.differ] == [
        "ECUs", "software of ECU 7E8", "PIDs of ECU 7E8", "protocol",
    ]  # fmt: skip


def test_it_is_the_same_from_both_sides():
    sides = [
        Identity(),
        Identity(vin=A),
        Identity(vin=B, protocol="x"),
        Identity(ecus={"7E8": GEARS}),
    ]
    for one in sides:
        for other in sides:
            assert meet(one, other).match is meet(other, one).match


def test_unknown_words_of_newer_versions_survive():
    text = '{"vin": "", "ecus": {"7E8": {"name": "x", "later": 1}}, "more": 2}'
    back = Identity.model_validate_json(text).model_dump()
    assert back["more"] == 2
    assert back["ecus"]["7E8"]["later"] == 1
