"""What `sim:` URLs may say."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import urlencode

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbench.errors import LinkUnknownError
from logbench.simulator import model
from logbench.simulator.cars import CAR_NAMES, named_car
from logbench.simulator.drive import Drive
from logbench.simulator.driver import SCHEDULE_NAMES
from logbench.simulator.faults import FAULT_NAMES
from logbench.simulator.options import (
    _NAMES,
    KEYS,
    SimOptions,
    make_adapter,
    make_car,
    parse_sim_url,
)
from logbench.simulator.trouble import TROUBLES, Trouble, TroubledCar, Troubles, parse_trouble


def url_of(options: SimOptions) -> str:
    """The `sim:` URL that gives these options."""
    pairs: list[tuple[str, object]] = [
        (key, getattr(options, name))
        for key, name in _NAMES.items()
        if getattr(options, name) not in ("", None)
    ]
    pairs += [("fault", f"{name}:{severity!r}") for name, severity in options.faults]
    pairs += [("trouble", f"{t.name}@{t.at_s!r}:{t.duration_s!r}") for t in options.troubles]
    return "sim:?" + urlencode(pairs)


@pytest.mark.parametrize("url", ["sim:", "sim:?", ""])
def test_defaults(url: str) -> None:
    options = parse_sim_url(url)
    assert options == SimOptions(car="demo")
    car = make_car(options)
    assert isinstance(car, Drive)
    assert car.car == named_car("demo")


def test_all_keys() -> None:
    options = parse_sim_url(
        "sim:?seed=7&car=drawn&fault=unmetered_air:0.8,worn_battery&fault=ect_offset:0.5"
        "&schedule=short-drive&ambient=-5&altitude=800&baud=38400&latency_ms=12.5&delay_ms=20"
        "&protocol=7&edition=J1979-2&speed=20&start_s=90&trouble=unplug@60:5,garbage@10"
    )
    assert options == SimOptions(
        seed=7,
        car="drawn",
        faults=(("unmetered_air", 0.8), ("worn_battery", 1.0), ("ect_offset", 0.5)),
        schedule="short-drive",
        ambient_degc=-5,
        altitude_m=800,
        baud=38_400,
        latency_ms=12.5,
        delay_ms=20,
        protocol="7",
        edition="J1979-2",
        speed=20,
        start_s=90,
        troubles=(Trouble("unplug", 60, 5), Trouble("garbage", 10, 1)),
    )
    assert parse_sim_url(url_of(options)) == options
    adapter = make_adapter(options)
    assert adapter.bus.protocol.number == "7"
    assert adapter.timing.baud == 38_400
    assert adapter.ecus.edition == "J1979-2"
    assert adapter.clock.at(1e6) == 90
    car = adapter.ecus.car
    assert isinstance(car, TroubledCar)
    assert isinstance(car.car, Drive)
    assert car.car.t_s == pytest.approx(90)
    assert dict(car.car.faults) == dict(options.faults)


def test_a_seed_draws_a_car_and_a_name_wins() -> None:
    assert parse_sim_url("seed=7").car == "drawn"
    assert parse_sim_url("seed=7&car=demo").car == "demo"
    assert isinstance(make_car(parse_sim_url("car=still")), model.StillCar)


@pytest.mark.parametrize(
    ("query", "word"),
    [
        ("color=red", "color"),
        ("seed=x", "seed=x"),
        ("seed=1.5", "whole"),
        ("speed=0", "from 0.1 to 300"),
        ("speed=nan", "from 0.1 to 300"),
        ("baud=-1", "baud"),
        ("protocol=A", "protocol=A"),
        ("edition=J1234", "J1979-2"),
        ("car=limousine", "demo"),
        ("schedule=race", "test-drive"),
        ("fault=flat_tire:1", "flat_tire"),
        ("fault=unmetered_air:2", "from 0 to 1"),
        ("fault=unmetered_air:", "fault="),
        ("fault=one_bank_lean:1&car=demo", "cannot have"),
        ("fault=unmetered_air:1&car=still", "still car"),
        ("trouble=meteor@5", "meteor"),
        ("trouble=unplug@soon", "NAME@SECONDS"),
        ("trouble=unplug@5:-1", "NAME@SECONDS"),
        ("seed", "is not a simulated car: write sim:"),
    ],
)
def test_refused_in_one_sentence(query: str, word: str) -> None:
    with pytest.raises(LinkUnknownError) as caught:
        parse_sim_url("sim:?" + query)
    text = str(caught.value)
    assert word in text
    assert "\n" not in text
    assert text.endswith(".")


@given(st.text(max_size=60))
def test_only_its_own_error_escapes(text: str) -> None:
    try:
        options = parse_sim_url("sim:?" + text)
    except LinkUnknownError:
        return
    assert parse_sim_url(url_of(options)) == options


def test_every_key_and_trouble_is_documented() -> None:
    assert len(KEYS) == len(SimOptions.__dataclass_fields__)
    page = (Path(__file__).parents[2] / "docs" / "simulator.md").read_text(encoding="utf-8")
    for word in (*KEYS, *TROUBLES, *CAR_NAMES, *SCHEDULE_NAMES, *FAULT_NAMES):
        assert f"`{word}`" in page, word


def test_troubles_in_time() -> None:
    trouble = parse_trouble("radio-loss@10")
    assert trouble == Trouble("radio-loss", 10.0, 30.0)
    troubles = Troubles([trouble, parse_trouble("brownout@5")])
    assert troubles.active(9.9) == frozenset()
    assert troubles.active(10.0) == troubles.active(39.9) == {"radio-loss"}
    assert troubles.active(40.0) == frozenset()
    assert not troubles.strikes("brownout", 4.9)
    assert troubles.strikes("brownout", 5.1)
    assert not troubles.strikes("brownout", 5.2), "only once"


@pytest.mark.parametrize(("trims", "learned"), [("learned", True), ("cleared", False)])
def test_trims_begin_learned_or_cleared(trims: str, learned: bool) -> None:
    car = make_car(parse_sim_url(f"sim:?car=demo&fault=maf_low:1&trims={trims}"))
    assert (car.readings("7E8")["LONGFT1"] > 15.0) is learned
    assert (car.readings("7E8")["LONGFT1"] == 0.0) is not learned
