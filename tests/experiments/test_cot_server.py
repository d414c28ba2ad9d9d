"""The local page's server: who may ask, what is refused, and that nothing stops it."""

import json
import socket
import threading
import time
from http.client import HTTPConnection

import pytest

from oxytestbed.experiments import cot_house, cot_session
from oxytestbed.experiments.cot_house import CotHouse
from oxytestbed.experiments.cot_server import LONGEST_BODY, CotServer
from oxytestbed.experiments.scenario import load_scenario
from oxytestbed.models.errors import TestbedError

SCENARIO = load_scenario("single_infant")
JSON = {"Content-Type": "application/json"}


@pytest.fixture
def server(tmp_path):
    house = CotHouse(SCENARIO, 120.0, tmp_path / "kept")
    made = CotServer(house)
    thread = threading.Thread(target=made.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    yield made
    made.shutdown()
    thread.join()
    made.server_close()
    house.close()


def ask(server, method, path, message=None, *, body=None, headers=None):
    connection = HTTPConnection("127.0.0.1", server.server_port, timeout=20)
    try:
        sent = json.dumps(message).encode() if message is not None else body
        connection.request(method, path, sent, headers if headers is not None else JSON)
        answer = connection.getresponse()
        text = answer.read()
        kind = answer.headers["Content-Type"]
        return answer.status, json.loads(text) if "json" in kind else text.decode()
    finally:
        connection.close()


def begin(server, **choice):
    status, answer = ask(server, "POST", "/api/sessions", {"minutes": 2, **choice})
    assert status == 201, answer
    return answer["key"]


def order(server, key, **message):
    return ask(server, "POST", f"/api/sessions/{key}/orders", message)


def state(server, key, since=0):
    status, answer = ask(server, "GET", f"/api/sessions/{key}?since={since}")
    assert status == 200, answer
    return answer


def wait(server, key, condition, seconds=20):
    end = time.monotonic() + seconds
    while not condition(now := state(server, key)):
        assert time.monotonic() < end, now
        time.sleep(0.03)
    return now


def test_the_page_and_its_parts_come_with_a_caution_and_a_policy(server):
    connection = HTTPConnection("127.0.0.1", server.server_port, timeout=20)
    connection.request("GET", "/")
    answer = connection.getresponse()
    text = answer.read().decode()
    connection.close()
    assert "not a medical device" in text and "<script>" not in text
    assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
    assert answer.headers["Access-Control-Allow-Origin"] is None
    for path in ("/cot.js", "/cot.css"):
        status, text = ask(server, "GET", path)
        assert status == 200 and "http" not in text.replace("http://www.w3.org/2000/svg", "")


def test_a_session_runs_obeys_and_gives_both_outcomes(server):
    key = begin(server, infant=0, controller="pi")
    assert order(server, key, do="fio2", fio2_pct=44) == (200, {"taken": True})
    now = wait(server, key, lambda now: now["cots"]["you"]["set_fio2_pct"] == 44)
    assert now["cots"]["you"]["mode"] == "manual" and now["truth"] is None
    order(server, key, do="event", event="central_apnoea", duration_s=20)
    order(server, key, do="hand_over")
    order(server, key, do="safeguards", off=["rate_limit"])
    wait(server, key, lambda now: now["safeguards_off"] == ["rate_limit"])
    now = wait(server, key, lambda now: now["over"])
    assert now["end"] == "complete" and now["tick"] == len(now["samples"]) == 120
    rows = {row["name"]: row for row in now["outcomes"]}
    assert 0 <= rows["time_in_target_pct_b"]["you"] <= 100
    assert rows["time_in_target_pct_b"]["controller"] is not None
    assert len(now["truth"]["you"]) == 24
    assert (server.house._folder / "single_infant" / "trace_you.csv").is_file()
    status, csv = ask(server, "GET", f"/api/sessions/{key}/record.csv")
    assert status == 200 and len(csv.splitlines()) == 121
    assert order(server, key, do="fio2", fio2_pct=30)[0] == 409


def test_what_no_monitor_shows_is_not_told_while_it_runs(server):
    key = begin(server, minutes=30)
    now = wait(server, key, lambda now: now["outcomes"])
    assert not any(row["true_signal"] for row in now["outcomes"])
    assert not any("sao2" in name or "pao2" in name for name in now["cots"]["you"])
    assert not any(item["event"].startswith("breathing") for item in now["log"])


def test_pause_stops_time_and_speed_changes_it(server):
    key = begin(server, minutes=60)
    order(server, key, do="pause")
    wait(server, key, lambda now: now["paused"])
    tick = state(server, key)["tick"]
    order(server, key, do="fio2", fio2_pct=61)
    time.sleep(0.3)
    assert state(server, key)["tick"] == tick
    order(server, key, do="speed", speed=60)
    order(server, key, do="resume")
    now = wait(server, key, lambda now: now["tick"] > tick + 3)
    assert now["speed"] == 60 and now["cots"]["you"]["set_fio2_pct"] == 61
    order(server, key, do="finish")
    assert wait(server, key, lambda now: now["over"])["end"] == "finished by hand"


def test_two_sessions_at_once_do_not_touch_each_other(server):
    one, two = begin(server, minutes=30), begin(server, minutes=30)
    assert one != two
    order(server, one, do="fio2", fio2_pct=55)
    order(server, two, do="fio2", fio2_pct=33)
    for key, percent in ((one, 55), (two, 33)):
        wait(server, key, lambda now, p=percent: now["cots"]["you"]["set_fio2_pct"] == p)
    order(server, one, do="finish")
    wait(server, one, lambda now: now["over"])
    assert not state(server, two)["over"]


def test_there_is_a_limit_to_sessions(server, monkeypatch):
    monkeypatch.setattr(cot_house, "MOST_SESSIONS", 2)
    keys = [begin(server, minutes=30), begin(server, minutes=30)]
    status, answer = ask(server, "POST", "/api/sessions", {})
    assert status == 429 and "at most 2" in answer["error"]
    order(server, keys[0], do="finish")
    wait(server, keys[0], lambda now: now["over"])
    begin(server)


def test_time_stands_still_while_the_page_is_gone_and_it_ends_with_all_kept(server, monkeypatch):
    monkeypatch.setattr(cot_session, "AWAY_S", 0.3)
    key = begin(server, minutes=30)
    wait(server, key, lambda now: now["tick"] > 5)
    time.sleep(0.6)
    session = server.house._sessions[key]
    tick = session._bench.tick
    time.sleep(0.3)
    assert session._bench.tick == tick
    assert wait(server, key, lambda now: now["tick"] > tick + 3)["end"] == ""
    monkeypatch.setattr(cot_session, "IDLE_S", 0.5)
    assert session.wait(10)
    assert "no page" in session._end
    assert (server.house._folder / "single_infant" / "outcomes.csv").is_file()


def test_a_browser_that_leaves_in_mid_request_stops_nothing(server):
    for text in (
        b"GET /api/setup HTTP/1.1\r\n",
        b"POST /api/sessions HTTP/1.1\r\nHost: 127.0.0.1:%d\r\n"
        b"Content-Type: application/json\r\nContent-Length: 500\r\n\r\n{" % server.server_port,
    ):
        with socket.create_connection(("127.0.0.1", server.server_port)) as gone:
            gone.sendall(text)
    assert ask(server, "GET", "/api/setup")[0] == 200


@pytest.mark.parametrize(
    ("body", "headers", "status"),
    [
        (b"{no json", JSON, 400),
        (b"\xff\xfe", JSON, 400),
        (b'{"speed": NaN}', JSON, 400),
        (b"[" * 60_000, JSON, 400),
        (b"[]", JSON, 400),
        (b"{}", {"Content-Type": "text/plain"}, 415),
        (b"{}", {**JSON, "Content-Length": "many"}, 400),
        (b"{}", {**JSON, "Content-Length": "-1"}, 400),
        (None, {**JSON, "Content-Length": str(LONGEST_BODY + 1)}, 413),
        (b'{"minutes": "ten"}', JSON, 400),
        (b'{"minutes": 2.5}', JSON, 400),
        (b'{"minutes": true}', JSON, 400),
        (b'{"infant": 1}', JSON, 400),
        (b'{"infants": 0}', JSON, 400),
        (b'{"controller": "/etc/passwd.py:X"}', JSON, 400),
        (b'{"controller": ["pi"]}', JSON, 400),
        (b'{"speed": 1e9}', JSON, 400),
    ],
)
def test_a_session_that_cannot_be_is_refused(server, body, headers, status):
    got, answer = ask(server, "POST", "/api/sessions", body=body, headers=headers)
    assert (got, list(answer)) == (status, ["error"])
    assert "expected" in answer["error"]
    assert not server.house._sessions
    assert ask(server, "GET", "/api/setup")[0] == 200


def test_an_order_that_cannot_be_is_refused_and_the_session_goes_on(server):
    key = begin(server, minutes=30)
    for message in (
        *({}, {"do": "explode"}, {"do": 1}, {"do": "fio2"}, {"do": "fio2", "fio2_pct": 20}),
        *({"do": "fio2", "fio2_pct": "30"}, {"do": "fio2", "fio2_pct": 30, "now": 1}),
        *({"do": "safeguards", "off": "all"}, {"do": "safeguards", "off": ["belt"]}),
        *({"do": "event", "event": "earthquake"}, {"do": "event", "event": "support"}),
        {"do": "event", "event": "central_apnoea", "duration_s": 0},
        {"do": "event", "event": "shunt_change", "value": -3},
        *({"do": "speed", "speed": 0}, {"do": "speed"}),
    ):
        status, answer = order(server, key, **message)
        assert status == 400 and "expected" in answer["error"], message
    status, answer = order(server, key, do="event", event="central_apnea")
    assert "central_apnoea" in answer["error"]
    tick = state(server, key)["tick"]
    wait(server, key, lambda now: now["tick"] > tick)


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/etc/passwd", 404),
        ("GET", "/../pyproject.toml", 404),
        ("GET", "/api/sessions/", 404),
        ("GET", "/api/sessions/unknown", 404),
        ("GET", "/api/sessions/a/b/c", 404),
        ("POST", "/api/setup", 404),
        ("POST", "/api/sessions/unknown/orders", 404),
        ("DELETE", "/", 405),
        ("OPTIONS", "/api/sessions", 405),
    ],
)
def test_paths_and_methods_that_are_not_there(server, method, path, status):
    body = b"{}" if method == "POST" else None
    got, answer = ask(server, method, path, body=body)
    assert (got, list(answer)) == (status, ["error"])


def test_questions_about_a_session_that_cannot_be(server):
    key = begin(server, minutes=30)
    assert ask(server, "GET", f"/api/sessions/{key}?since=-1")[0] == 400
    assert ask(server, "GET", f"/api/sessions/{key}?since=x")[0] == 400
    assert ask(server, "GET", f"/api/sessions/{key}/record.csv")[0] == 409
    assert ask(server, "GET", f"/api/sessions/{key}/else")[0] == 404
    assert ask(server, "GET", f"/api/sessions/{key}?since=99999")[1]["samples"] == []


@pytest.mark.parametrize(
    "headers",
    [
        {"Host": "evil.example"},
        {"Host": "192.0.2.1:80"},
        {"Host": ""},
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
    ],
)
def test_other_hosts_and_pages_of_others_are_refused(server, headers):
    status, answer = ask(server, "POST", "/api/sessions", {}, headers={**JSON, **headers})
    assert status == 403 and "expected" in answer["error"]
    assert not server.house._sessions


def test_it_listens_on_the_loopback_address_alone(server):
    assert server.socket.getsockname()[0] == "127.0.0.1"


def test_garbage_instead_of_http_gets_an_answer_in_json(server):
    with socket.create_connection(("127.0.0.1", server.server_port), timeout=10) as raw:
        raw.sendall(b"this is not http at all\r\n\r\n")
        answer = b""
        while part := raw.recv(4096):
            answer += part
    assert b'{"error"' in answer


def test_a_server_that_stops_keeps_what_sessions_have(tmp_path):
    house = CotHouse(SCENARIO, 120.0, tmp_path)
    session = house.begin({"minutes": 60})
    end = time.monotonic() + 10
    while session.state(0)["tick"] < 3 and time.monotonic() < end:
        time.sleep(0.02)
    house.close()
    assert session.over and "server was stopped" in session.state(0)["end"]
    assert (tmp_path / "single_infant" / "trace_you.csv").is_file()


def test_a_session_that_breaks_tells_why_and_is_kept(tmp_path, monkeypatch):
    house = CotHouse(SCENARIO, 120.0, tmp_path)
    session = house.begin({"minutes": 60})

    def fail():
        if session._bench.tick >= 5:
            raise RuntimeError("the bench broke")
        type(session._bench).advance(session._bench)

    monkeypatch.setattr(session._bench, "advance", fail)
    assert session.wait(10)
    assert "the bench broke" in session.state(0)["end"] and session.saved


def test_a_port_that_is_taken_and_a_speed_that_is_none_are_refused(server):
    with pytest.raises(TestbedError, match=r"--port.*free port"):
        CotServer(server.house, server.server_port)
    with pytest.raises(TestbedError, match=r"--port"):
        CotServer(server.house, 99_999)
    with pytest.raises(TestbedError, match="speed"):
        CotHouse(SCENARIO, 0.0, None)
