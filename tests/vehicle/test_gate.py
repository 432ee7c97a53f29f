"""What leaves for the car: readings, and one changing request with a permit, whatever happens."""

from __future__ import annotations

from pathlib import Path

import pytest

from logbench.vehicle.gate import CONSENT
from logbench.vehicle.records.clearing import clear_codes
from logbench.vehicle.records.model import CarReading
from tests.vehicle.peers import KINDS, Peer, linked


@pytest.fixture
def save(tmp_path):
    def keep(reading: CarReading) -> Path:
        path = tmp_path / "before.json"
        path.write_text(reading.model_dump_json(), encoding="utf-8")
        return path

    return keep


@pytest.mark.parametrize("kind", KINDS)
def test_one_consent_is_one_request_where_the_car_says_wait_for_ever(kind, save):
    peer = Peer(pending="04")

    def drive_off(request: str) -> None:
        if request == "04":
            peer.answers["010D"] = ("410D5A",)  # 90 km/h

    peer.after = drive_off
    with linked(kind, peer) as link:
        result = clear_codes(link, CONSENT, save)
    assert peer.requests.count("04") == 1
    assert result.change.accepted == []
    assert result.change.outcome == "waiting"
