"""What a log of a bus, or the text of an adapter's session, holds, however it was taken.

Values are worked out by hand from SAE J1979: RPM 1AF8/4 = 1726, ECT 7B-40 = 83, trims 80 = 0 %.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from logbench.cli.main import main
from logbench.errors import ImportFileError
from logbench.importing.model import Imported
from tests.importing.reading import read

Values = dict[tuple[str, str], list[float]]


def log(path: Path, lines: list[tuple[float, str, str, str]]) -> Path:
    """A log as candump writes it: (time, channel, identifier, data in hex)."""
    text = "".join(
        f"({1772359200 + t_s:.6f}) {channel} {identifier}#{data.replace(' ', '')}\n"
        for t_s, channel, identifier, data in lines
    )
    path.write_text(text)
    return path


def read_log(folder: Path, lines: list[tuple[float, str, str, str]]) -> Imported:
    """What comes of such a log."""
    return read(log(folder / "bus.log", lines))


def values(imported: Imported) -> Values:
    (made,) = imported.drives
    return {(t.signal, t.ecu): t.value.tolist() for t in made.traces}


# --- bus and channel ---


def test_two_channels_are_two_traces(tmp_path):
    """Of two cars, or of two buses of one: what is not known to be one must not become one."""
    imported = read_log(
        tmp_path,
        [
            (0.0, "can0", "7E8", "04 41 0C 1A F8"),
            (0.5, "can1", "7E8", "04 41 0C 0F A0"),
            (1.0, "can0", "7E8", "04 41 0C 1A F8"),
            (1.5, "can1", "7E8", "04 41 0C 0F A0"),
        ],
    )
    assert values(imported) == {
        ("RPM", "7E8 can0"): [1726, 1726],
        ("RPM", "7E8 can1"): [1000, 1000],
    }
    assert any("can0, can1" in remark for remark in imported.report.remarks)
    assert imported.drives[0].facts.identity.ecus == {}  # no addresses of any car


def test_a_channel_without_answers_changes_no_name(tmp_path):
    imported = read_log(
        tmp_path,
        [
            (0.0, "can1", "123", "04 41 0C 1A F8"),
            (0.5, "can0", "7E8", "04 41 0C 0F A0"),
            (1.0, "can0", "7E8", "04 41 0C 1A F8"),
        ],
    )
    assert values(imported) == {("RPM", "7E8"): [1000, 1726]}


# --- two passes ---


def test_a_scaling_that_comes_late_holds_for_the_whole_log(tmp_path):
    """PID 4F: maximum of lambda 4, of the pressure 510 kPa instead of 255. 24: lambda 8000/65536 *
    2 = 1.0 becomes 8000 * 4/65535."""
    pressure = "03 41 0B 40"
    imported = read_log(
        tmp_path,
        [
            (0.0, "can0", "7DF", "02 01 24"),
            (0.1, "can0", "7E8", "06 41 24 80 00 80 00"),
            (0.2, "can0", "7E8", pressure),
            (1.0, "can0", "7DF", "02 01 4F"),
            (1.1, "can0", "7E8", "06 41 4F 04 00 00 33"),
            (2.0, "can0", "7DF", "02 01 24"),
            (2.1, "can0", "7E8", "06 41 24 80 00 80 00"),
            (2.2, "can0", "7E8", pressure),
        ],
    )
    found = values(imported)
    np.testing.assert_allclose(found["LAMBDA11", "7E8"], [32768 * 4 / 65535] * 2)
    np.testing.assert_allclose(found["MAP", "7E8"], [64 * 510 / 255] * 2)


def test_a_third_bank_costs_no_trims(tmp_path):
    """PID 06 and 07 have a second byte there: the request says which PIDs the reply holds."""
    imported = read_log(
        tmp_path,
        [
            (0.0, "can0", "7DF", "04 01 06 07 0C"),
            (0.1, "can0", "7E8", "10 0A 41 06 80 90 07 84"),
            (0.11, "can0", "7E8", "21 94 0C 1A F8 00 00 00"),
            (1.0, "can0", "7DF", "02 01 06"),
            (1.1, "can0", "7E8", "04 41 06 A0 90"),
        ],
    )
    assert imported.report.left_out == 0
    assert {k: v for k, v in values(imported).items() if k[0] in ("SHRTFT1", "LONGFT1", "RPM")} == {
        ("SHRTFT1", "7E8"): [0.0, 25.0],
        ("LONGFT1", "7E8"): [3.125],
        ("RPM", "7E8"): [1726],
    }


def test_a_single_reply_gives_the_length_also_without_a_request_before_it(tmp_path):
    """PID E1 is in no table: that it has two bytes here is seen of the reply to it alone."""
    imported = read_log(
        tmp_path,
        [
            (0.0, "can0", "7E8", "06 41 E1 01 02 05 7B"),
            (0.5, "can0", "7E8", "07 41 0C 1A F8 E1 05 05"),
            (1.0, "can0", "7DF", "02 01 E1"),
            (1.1, "can0", "7E8", "04 41 E1 01 02"),
            (2.0, "can0", "7DF", "03 01 E1 05"),
            (2.1, "can0", "7E8", "06 41 E1 01 02 05 7B"),
        ],
    )
    found = values(imported)
    assert found["ECT", "7E8"] == [83, 83]
    assert found["RPM", "7E8"] == [1726]


def test_what_can_be_read_in_two_ways_is_not_read(tmp_path):
    """Bank 3 is with PID 06 (07 07, then 80) or with PID 07 (07, then 07 80): nobody saw which."""
    imported = read_log(
        tmp_path,
        [
            (0.0, "can0", "7E8", "04 41 0C 1A F8"),
            (0.1, "can0", "7DF", "04 01 06 07 08"),
            (0.2, "can0", "7E8", "07 41 06 80 07 80 08 80"),
            (1.0, "can0", "7E8", "04 41 0C 1A F8"),
            (1.1, "can0", "7DF", "03 01 06 07"),
            (1.2, "can0", "7E8", "06 41 06 07 07 07 80"),
        ],
    )
    assert values(imported)["SHRTFT1", "7E8"] == [0.0]
    assert [u.reason for u in imported.report.unread] == ["can be read in more than one way"]


def test_response_pending_is_not_part_of_the_round_trip(tmp_path):
    imported = read_log(
        tmp_path,
        [
            (0.0, "can0", "7E8", "04 41 0C 1A F8"),
            (1.0, "can0", "7DF", "02 01 0C"),
            (1.02, "can0", "7E8", "03 7F 01 78"),
            (3.0, "can0", "7E8", "04 41 0C 1A F8"),
        ],
    )
    (trace,) = imported.drives[0].traces
    assert trace.t_ns.tolist() == [0, 2_010_000_000]


def test_a_reply_long_after_any_request_is_as_old_as_itself(tmp_path):
    """ISO 15765-3: 5 s from request to reply at most."""
    imported = read_log(
        tmp_path,
        [
            (0.0, "can0", "7DF", "02 01 0C"),
            (4.0, "can0", "7E8", "04 41 0C 1A F8"),
            (10.0, "can0", "7DF", "02 01 0C"),
            (16.0, "can0", "7E8", "04 41 0C 1A F8"),
        ],
    )
    (trace,) = imported.drives[0].traces
    assert trace.t_ns.tolist() == [0, 14_000_000_000]


def test_service_22_is_read_as_service_01_is(tmp_path):
    """SAE J1979-2: PID 0C is the identifier F40C, with the same data bytes; F802 is the VIN."""
    vin = b"ZZ9TEST120X000007"
    told = (b"\x62\xf8\x02\x01" + vin).hex()
    imported = read_log(
        tmp_path,
        [
            (-2.0, "can0", "7DF", "03 22 F8 0C"),
            (-1.9, "can0", "7E8", "06 62 F8 0C 01 02 03"),  # tells no length of PID 0C
            (0.0, "can0", "7DF", "03 22 F4 0C"),
            (0.1, "can0", "7E8", "05 62 F4 0C 1A F8"),
            (1.0, "can0", "7E0", "07 22 F4 0C F4 05 F4 06"),
            (1.1, "can0", "7E8", "10 0B 62 F4 0C 1A F8 F4"),
            (1.11, "can0", "7E8", "21 05 7B F4 06 80 00 00"),
            (1.2, "can0", "7E8", "10 15" + told[:12]),
            (1.21, "can0", "7E8", "21" + told[12:26]),
            (1.22, "can0", "7E8", "22" + told[26:40]),
            (1.23, "can0", "7E8", "23" + told[40:]),
            (1.3, "can0", "7E8", "05 62 12 34 1A F8"),
        ],
    )
    assert values(imported) == {
        ("RPM", "7E8"): [1726, 1726],
        ("ECT", "7E8"): [83],
        ("SHRTFT1", "7E8"): [0.0],
    }
    assert imported.drives[0].facts.vehicle.vin == vin.decode()


# --- bad lines ---

GOOD = {
    ".log": "({t:.6f}) can0 7E8#04410C1AF8000000\n",
    ".asc": "   {t:.6f} 1  7E8             Rx   d 8 04 41 0C 1A F8 00 00 00\n",
    ".trc": "     {n})  {t:9.1f}  Rx         07E8  8    04 41 0C 1A F8 00 00 00\n",
}
BAD = {
    ".log": "(3.0) can0 7E8#04410CZZF8000000\n",
    ".asc": "   3.000000 1  7E8             Rx   d 8 04 41 0C ZZ F8 00 00 00\n",
    ".trc": "     9)     3000.0  Rx         07E8  8    04 41 0C ZZ F8 00 00 00\n",
}
HEAD = {
    ".log": "",
    ".asc": "date Sun Mar 01 10:00:00.000 am 2026\nbase hex  timestamps absolute\n"
    "internal events logged\n",
    ".trc": ";$FILEVERSION=1.1\n;$STARTTIME=46082.4166666667\n;\n",
}


@pytest.mark.parametrize("suffix", GOOD)
def test_a_bad_line_costs_itself(tmp_path, suffix):
    scale = 1000 if suffix == ".trc" else 1
    good = [GOOD[suffix].format(t=t * scale, n=t) for t in range(1, 9)]
    path = tmp_path / f"bus{suffix}"
    path.write_text(HEAD[suffix] + "".join([*good[:3], BAD[suffix], BAD[suffix], *good[3:]]))
    imported = read(path)
    assert values(imported) == {("RPM", "7E8"): [1726] * 8}
    assert imported.report.left_out == 2
    first = HEAD[suffix].count("\n") + 4
    assert [u.line for u in imported.report.unread] == [first, first + 1]


def test_a_log_whose_rest_cannot_be_read_is_no_success(tmp_path, capsys):
    can = pytest.importorskip("can")
    path = tmp_path / "bus.blf"
    with can.BLFWriter(str(path), max_container_size=2000) as writer:
        for k in range(400):
            data = bytes.fromhex("04 41 0C 1A F8 00 00 00")
            writer.on_message_received(
                can.Message(
                    timestamp=1772359200.0 + k, arbitration_id=0x7E8, data=data, channel=0,
                    is_extended_id=False,
                )
            )  # fmt: skip
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) * 2 // 3])
    code = main(["import", str(path), "--into", str(tmp_path / "out"), "--yes"])
    assert code == 3
    assert "ends" in capsys.readouterr().out
    assert len(list((tmp_path / "out").glob("*.parquet"))) == 1


# --- on the screen ---


def test_frames_as_candump_shows_them(tmp_path):
    path = tmp_path / "screen.log"
    path.write_text(
        " (1772359200.000000)  can0  7DF   [8]  02 01 0C 00 00 00 00 00\n"
        " (1772359200.020000)  can0  7E8   [8]  04 41 0C 1A F8 AA AA AA\n"
        " (1772359201.000000)  can0  18DAF110   [8]  03 41 05 7B AA AA AA AA   '.A.{....'\n"
    )
    imported = read(path)
    assert values(imported) == {("RPM", "7E8"): [1726], ("ECT", "18DAF110"): [83]}
    assert imported.report.left_out == 0


def test_frames_without_times_are_put_a_second_apart(tmp_path):
    path = tmp_path / "screen.log"
    lines = "  can0  7DF   [3]  02 01 0C\n  can0  7E8   [8]  04 41 0C 1A F8 AA AA AA\n"
    path.write_text(3 * lines)
    imported = read(path)
    (trace,) = imported.drives[0].traces
    assert trace.t_ns.tolist() == [0, 10**9, 2 * 10**9]
    assert any("no times" in remark for remark in imported.report.remarks)


SESSION = """>ATZ

XLM v1.5

>ATE1
OK

>ATH1
OK

>0100
SEARCHING...
7E8 06 41 00 BE 3F A8 13

>010C
7E8 04 41 0C 1A F8

>01 0C 05 10
7E8 10 09 41 0C 1A F8 05 7B
7E9 03 41 05 7C
7E8 21 10 0A 00 00 00 00 00

>0902
7E8 10 14 49 02 01 5A 5A 39
7E8 21 54 45 53 54 31 32 30
7E8 22 58 30 30 30 30 30 37

>010D
NO DATA

>010C
7E8 04 41 0C 0F A0

>"""


@pytest.mark.parametrize("suffix", [".log", ".txt"])
@pytest.mark.parametrize("ends", ["\n", "\r\n", "\r"])
def test_the_text_of_a_session_is_read(tmp_path, suffix, ends):
    path = tmp_path / f"session{suffix}"
    path.write_bytes(SESSION.replace("\n", ends).encode())
    imported = read(path)
    assert values(imported) == {
        ("ECT", "7E8"): [83],
        ("ECT", "7E9"): [84],
        ("MAF", "7E8"): [25.6],
        ("RPM", "7E8"): [1726, 1726, 1000],
    }
    assert imported.drives[0].facts.vehicle.vin == "ZZ9TEST120X000007"
    assert any("no times" in remark for remark in imported.report.remarks)
    assert imported.report.left_out == 0


def test_a_session_with_times_without_headers(tmp_path):
    path = tmp_path / "session.txt"
    path.write_text(
        "[10:00:00.000] >ATE0\n[10:00:00.010] OK\n"
        "[10:00:01.000] >010C\n[10:00:01.100] 41 0C 1A F8\n"
        "[10:00:02.000] >010C0510\n[10:00:02.080] 009\n[10:00:02.100] 0: 41 0C 1A F8 05 7B\n"
        "[10:00:02.110] 1: 10 0A 00 00 00 00 00\n"
        "[10:00:03.000] >010D\n[10:00:03.100] 41 0D 40\n[10:00:03.110] 41 0D 41\n"
        "[10:00:04.000] >010D\n[10:00:04.100] 41 0D 4\n"
    )
    imported = read(path)
    assert values(imported) == {
        ("RPM", "7E8"): [1726, 1726],
        ("ECT", "7E8"): [83],
        ("MAF", "7E8"): [25.6],
    }
    (rpm,) = (t for t in imported.drives[0].traces if t.signal == "RPM")
    assert np.diff(rpm.t_ns).tolist() == [990_000_000]  # first frame of a longer message counts
    assert {u.reason for u in imported.report.unread} == {"is not a whole reply"}
    assert imported.report.left_out == 3  # two ECUs that nothing tells apart, and a line cut short


def test_a_text_that_only_resembles_a_session_is_a_table(tmp_path):
    path = tmp_path / "table.txt"
    path.write_text("Time (s),Engine speed (rpm)\n0,>700\n1,800\n2,850\n3,900\n")
    (made,) = read(path).drives
    assert [t.signal for t in made.traces] == ["RPM"]


def test_a_session_without_a_reply_says_so(tmp_path):
    path = tmp_path / "session.txt"
    path.write_text(">010C\nNO DATA\n\n>")
    with pytest.raises(ImportFileError, match="no replies"):
        read(path)
