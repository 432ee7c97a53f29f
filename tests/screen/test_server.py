"""Who gets the page and the values, and who does not."""

from __future__ import annotations

import contextlib
import json
import socket
import time

import pytest
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import ClientConnection, connect

from logbench.screen import limits
from logbench.screen.limits import Budget, WrongTries
from logbench.screen.messages import End, MarkWanted, NotServed, Plan, Row, Rows, Screens, Values
from logbench.screen.process import ScreenProcess, new_token
from logbench.system.platforms import resident_bytes
from tests.screen.browser import until
from tests.screen.serving import ROWS, VALUES, WORDS, Served, serving

UPGRADE = {
    "Connection": "Upgrade", "Upgrade": "websocket",
    "Sec_WebSocket_Version": "13", "Sec_WebSocket_Key": "AAAAAAAAAAAAAAAAAAAAAA==",
}  # fmt: skip


def look(served: Served) -> ClientConnection:
    """A screen that looks."""
    return connect(
        f"ws://{served.host}{served.path}live", origin=f"http://{served.host}", compression=None
    )


def status(answer: bytes) -> int:
    return int(answer.split(b" ", 2)[1])


def test_the_page_comes_to_whoever_has_its_address_and_asks_nothing_of_elsewhere() -> None:
    with serving() as served:
        for name, words in (("", b"<main"), ("page.js", b"WebSocket"), ("page.css", b"canvas")):
            answer = served.get(served.path + name)
            assert status(answer) == 200
            assert words in answer
            assert b"default-src 'none'" in answer
            assert b"no-store" in answer
            assert b"https:" not in answer
            assert b"//" not in answer.replace(b"ws://", b"").replace(b"// ", b"")


def test_everything_wrong_gets_one_and_the_same_answer() -> None:
    with serving() as served:
        path, host = served.path, served.host
        wrong = [
            served.get("/"),
            served.get(f"/{new_token()}/"),
            served.get(path[:-2] + "/"),
            served.get(path + "other"),
            served.get(path + "../" + path),
            served.get(path, Host="rebound.example:80"),
            served.get(path, Host="localhost:1"),
            served.get(f"{path}live", Origin="http://elsewhere.example", **UPGRADE),
            served.get(f"{path}live", **UPGRADE),
            served.get(f"/{new_token()}/live", Origin=f"http://{host}", **UPGRADE),
        ]
        bodies = {answer.split(b"\r\n\r\n", 1)[1] for answer in wrong}
        assert {status(answer) for answer in wrong} == {404}
        assert bodies == {b"Nothing here.\n"}
        heads = {tuple(sorted(a.split(b"\r\n\r\n")[0].split(b"\r\n"))) for a in wrong}
        assert len({tuple(h for h in head if not h.startswith(b"Date")) for head in heads}) == 1


def test_nothing_but_a_get_and_no_garbage_is_answered_with_a_page() -> None:
    with serving() as served:
        for text in ("POST {p} HTTP/1.1\r\nHost: {h}\r\n\r\n", "\x00\x01\r\n\r\n", "GET\r\n\r\n"):
            assert b"<main" not in served.ask(text.format(p=served.path, h=served.host))
        long = served.get(served.path, Cookie="x" * 100_000)
        assert b"<main" not in long
        assert status(served.get(served.path)) == 200


def test_wrong_tries_are_soon_answered_with_nothing_but_that() -> None:
    now = [0.0]
    tries = WrongTries(lambda: now[0])
    for _ in range(30):
        assert not tries.too_many("192.168.1.9")
        tries.count("192.168.1.9")
    assert tries.too_many("192.168.1.9")
    assert not tries.too_many("192.168.1.8")
    now[0] += 60
    assert not tries.too_many("192.168.1.9")
    for number in range(1000):
        tries.count(f"10.0.{number // 256}.{number % 256}")
    assert len(tries._peers) <= 256


def test_a_budget_allows_bursts_and_a_rate() -> None:
    now = [0.0]
    budget = Budget(3, 1.0, lambda: now[0])
    assert [budget.take() for _ in range(4)] == [True, True, True, False]
    now[0] += 1
    assert [budget.take() for _ in range(2)] == [True, False]
    now[0] += 1000
    assert [budget.take() for _ in range(4)] == [True, True, True, False]


def test_who_guesses_the_address_is_shut_out_for_a_while() -> None:
    with serving() as served:
        for _ in range(31):
            assert status(served.get(f"/{new_token()}/")) == 404
        assert status(served.get(served.path)) == 404


def test_only_the_network_it_is_for_gets_an_answer() -> None:
    with serving(network="192.168.77.0/24") as served:
        assert status(served.get(served.path)) == 404


def test_a_screen_sees_rows_values_markers_and_the_end_and_can_mark() -> None:
    with serving() as served, look(served) as screen:
        until(lambda: any(isinstance(m, Screens) and m.joined for m in served.poll()))
        served.screen.post(ROWS)
        served.screen.post(VALUES)
        rows, values = json.loads(screen.recv(30)), json.loads(screen.recv(30))
        assert [row["title"] for row in rows["rows"]] == ["Engine speed", "Coolant"]
        assert rows["marks"] == [0.5]
        assert values["cells"] == [[812.0, "812 rpm", True], [None, "○ missing", False]]
        screen.send("mark")
        screen.send("stop")  # there is no such thing
        until(lambda: any(isinstance(m, MarkWanted) for m in served.poll()))
        served.screen.close()
        assert json.loads(screen.recv(30)) == {"is": "end"}
        with pytest.raises(ConnectionClosed):
            screen.recv(30)
        assert served.screen.wait(60)
        with pytest.raises(OSError):
            socket.create_connection((served.plan.host, served.port), 5).close()


def test_so_many_screens_and_no_more() -> None:
    with serving() as served, contextlib.ExitStack() as stack:
        for _ in range(limits.MOST_SCREENS):
            stack.enter_context(look(served))
        with pytest.raises(InvalidStatus) as refused:
            look(served)
        assert refused.value.response.status_code == 503


def test_a_screen_that_asks_too_often_or_too_much_is_dropped_and_marks_are_few() -> None:
    with serving() as served:
        with look(served) as screen, contextlib.suppress(ConnectionClosed):
            for _ in range(10_000):
                screen.send("mark")
                time.sleep(0.001)
            raise AssertionError("ten thousand were taken")
        assert sum(isinstance(m, MarkWanted) for m in served.poll()) <= 3
        with look(served) as screen:
            screen.send("m" * 1000)
            with pytest.raises(ConnectionClosed):
                screen.recv(30)


def test_connections_that_say_nothing_are_hung_up_and_bounded() -> None:
    with serving() as served, contextlib.ExitStack() as stack:
        lines = [
            stack.enter_context(socket.create_connection((served.plan.host, served.port), 30))
            for _ in range(limits.MOST_CONNECTIONS + 10)
        ]
        ended = 0
        for line in lines:
            with contextlib.suppress(ConnectionError):
                assert line.recv(1000) is not None
            ended += 1
        assert ended == len(lines)
        assert status(served.get(served.path)) == 200


def test_a_screen_that_takes_nothing_is_dropped_and_nothing_grows() -> None:
    with serving() as served:
        lazy = socket.socket()
        lazy.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        lazy.connect((served.plan.host, served.port))
        asked = {**UPGRADE, "Host": served.host, "Origin": f"http://{served.host}"}
        lines = "".join(f"{k.replace('_', '-')}: {v}\r\n" for k, v in asked.items())
        lazy.sendall(f"GET {served.path}live HTTP/1.1\r\n{lines}\r\n".encode())
        until(lambda: any(isinstance(m, Screens) and m.joined for m in served.poll()))
        long = Values(1.0, "● Recording", tuple((1.0, "x" * 500, True) for _ in range(60)))
        served.screen.post(Rows(tuple(Row("S", "S", ()) for _ in range(60)), ()))
        before, most, posted = resident_bytes(served.screen.pid) or 0, 0, 0
        gone = Screens(0, joined=False)
        while gone not in served.poll():
            served.screen.post(long)
            most = max(most, resident_bytes(served.screen.pid) or 0)
            posted += 1
            time.sleep(0.02)
            assert posted < 5000
        lazy.close()
        print(f"grew by {(most - before) / 1e6:.1f} MB in {posted} messages of 33 KB")
        assert most - before < 30e6


def test_an_address_that_is_not_there_is_said() -> None:
    screen = ScreenProcess(Plan("192.0.2.1", "192.0.2.0/24", new_token(), WORDS))
    screen.start()
    told = until(screen.poll)
    assert isinstance(told[-1], NotServed)
    assert "192.0.2.1" in told[-1].sentence
    assert screen.wait(60)


def test_it_ends_with_the_window() -> None:
    with serving() as served, look(served) as screen:
        assert served.screen._pipe is not None
        served.screen.post(End())
        assert json.loads(screen.recv(30)) == {"is": "end"}
