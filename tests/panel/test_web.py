"""What the panel answers over HTTP: who may see and ask what, and how it protects itself."""

import asyncio
import json
from functools import cache
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from starlette.testclient import TestClient

from dustcake.adapters.panel.live import MOST_VIEWERS, Live
from dustcake.adapters.panel.people import FREE_TRIES, LOCKED_S
from dustcake.adapters.panel.users import User, new_user, write_users
from dustcake.adapters.panel.web import PAGE, Web
from dustcake.core.requests.definitions import Level
from dustcake.settings.services import Panel, PanelTls
from dustcake.units import PressureUnit
from panel.fake_source import FakeSource
from panel.test_people import PASSWORD, Time

BASE = "http://127.0.0.1:8470"


@cache
def users() -> dict[str, User]:
    """Made once, since a password takes its time on purpose."""
    levels = (("vic", "view"), ("ann", "acknowledge"), ("kim", "adjust"))
    return {name: new_user(name, Level(level), PASSWORD) for name, level in levels}


class Bench:
    """The application without a server. ``client``: a browser on this machine."""

    def __init__(self, directory: Path, *, shows_to_all: bool = True, tls: bool = False) -> None:
        self.source = FakeSource()
        self.time = Time()
        self.users_path = directory / "users.json"
        write_users(self.users_path, users())
        own_tls = PanelTls(cert_file="/cert.pem", key_file="/key.pem") if tls else None
        users_file = str(self.users_path)
        panel = Panel(users_file=users_file, open_view=shows_to_all, session_h=1.0, tls=own_tls)
        self.live = Live(self.source.status, self.time)
        self.app = Web(panel, self.source, self.live, self.time).app()
        self.client = TestClient(self.app, base_url=BASE.replace("http", "https") if tls else BASE)

    def sign_in(self, name: str, password: str = PASSWORD) -> Any:
        return self.client.post("/api/sign-in", json={"user": name, "password": password})

    def ask(self, **fields: Any) -> Any:
        token = self.client.get("/api/who").json()["token"]
        headers = {"x-dustcake-token": token or ""}
        return self.client.post(
            "/api/request", json={"collector": "hall-1", **fields}, headers=headers
        )


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def test_every_answer_has_the_security_headers(bench: Bench) -> None:
    for path in ("/", "/main.js", "/api/who", "/nowhere", "/api/trend.svg?length=9"):
        headers = bench.client.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["x-frame-options"] == "DENY"
        assert headers["cache-control"] in ("no-store", "no-cache")
        assert "server" not in headers


def test_the_page_asks_for_nothing_from_elsewhere(bench: Bench) -> None:
    total = 0
    for file in ("", *(each.name for each in PAGE.iterdir())):
        answer = bench.client.get(f"/{file}", headers={"accept-encoding": "gzip"})
        assert answer.status_code == 200
        total += int(answer.headers["content-length"])
        text = answer.text.replace("http://www.w3.org/2000/svg", "")
        assert "http://" not in text
        assert "https://" not in text
        assert " style=" not in text
    assert total < 60_000


def test_a_file_the_browser_has_is_not_sent_again(bench: Bench) -> None:
    etag = bench.client.get("/panel.css").headers["etag"]
    again = bench.client.get("/panel.css", headers={"if-none-match": etag})
    assert again.status_code == 304
    assert again.content == b""


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8470", "127.0.0.1.evil.example"])
def test_another_name_for_this_machine_is_refused(bench: Bench, host: str) -> None:
    assert bench.client.get("/api/who", headers={"host": host}).status_code == 400


@pytest.mark.parametrize("host", ["localhost:8470", "127.0.0.1", "[::1]:8470", "LOCALHOST"])
def test_its_own_names_are_not(bench: Bench, host: str) -> None:
    assert bench.client.get("/api/who", headers={"host": host}).status_code == 200


def test_view_may_be_open_and_nothing_else_is(bench: Bench) -> None:
    who = bench.client.get("/api/who").json()
    assert who["user"] is None
    assert who["may"] == []
    assert who["collectors"] == {"hall-1": "Pa", "hall-2": "inH2O"}
    assert bench.client.get("/api/trend.svg").status_code == 200
    refused = bench.ask(request="acknowledge", alarm="high_dp")
    assert (refused.status_code, refused.json()["reason"]) == (401, "sign in first")
    assert bench.source.asked == []


PATHS = ("/api/live", "/api/trend.svg", "/api/log-book", "/api/settings")


def test_closed_view_tells_nothing(tmp_path: Path) -> None:
    bench = Bench(tmp_path, shows_to_all=False)
    for path in PATHS:
        assert bench.client.get(path).status_code == 401
    assert bench.client.get("/api/who").json() == {
        "user": None,
        "level": None,
        "may": [],
        "token": None,
    }
    assert bench.client.get("/").status_code == 200
    assert bench.sign_in("vic").json() == {"accepted": True}
    assert bench.client.get("/api/trend.svg").status_code == 200


@pytest.mark.parametrize(
    ("name", "allowed"),
    [
        ("vic", set()),
        ("ann", {"acknowledge", "record", "shelve"}),
        ("kim", {"acknowledge", "record", "mode", "shelve", "blower"}),
    ],
)
def test_levels_decide_what_may_be_asked(bench: Bench, name: str, allowed: set[str]) -> None:
    assert bench.sign_in(name).json() == {"accepted": True}
    for request in ("acknowledge", "record", "mode", "shelve", "blower", "nonsense", "None"):
        answer = bench.ask(request=request)
        if request in allowed:
            assert answer.json() == {"accepted": True, "reason": "done"}
            assert bench.source.asked[-1] == ("hall-1", {"request": request}, f"panel:{name}")
        else:
            assert answer.status_code == 403
            assert "your level is" in answer.json()["reason"]
    assert len(bench.source.asked) == len(allowed)


def test_a_request_needs_the_token_of_the_page(bench: Bench) -> None:
    bench.sign_in("kim")
    for headers in ({}, {"x-dustcake-token": "guess"}):
        answer = bench.client.post(
            "/api/request", json={"collector": "hall-1", "request": "mode"}, headers=headers
        )
        assert answer.status_code == 403
    assert bench.source.asked == []


@pytest.mark.parametrize("path", ["/api/sign-in", "/api/sign-out", "/api/request"])
def test_the_page_of_another_site_can_ask_nothing(bench: Bench, path: str) -> None:
    bench.sign_in("kim")
    token = bench.client.get("/api/who").json()["token"]
    fields = {"user": "kim", "password": PASSWORD, "request": "mode", "collector": "hall-1"}
    headers = {"x-dustcake-token": token, "origin": "http://evil.example"}
    assert bench.client.post(path, json=fields, headers=headers).status_code == 403
    form = {"content-type": "text/plain", "x-dustcake-token": token}
    plain = bench.client.post(path, content=json.dumps(fields), headers=form)
    assert plain.status_code == 415
    assert bench.client.get("/api/who").json()["user"] == "kim"
    own = {"x-dustcake-token": token, "origin": BASE}
    assert bench.client.post(path, json=fields, headers=own).status_code == 200


def test_the_cookie_is_for_the_server_alone(bench: Bench, tmp_path: Path) -> None:
    cookie = bench.sign_in("kim").headers["set-cookie"].lower()
    assert cookie.startswith("dustcake=")
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert "secure" not in cookie
    secure = Bench(tmp_path, tls=True)
    answer = secure.sign_in("kim")
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith("__Host-dustcake=")
    assert "Secure" in cookie
    assert "strict-transport-security" in answer.headers
    assert secure.client.get("/api/who").json()["user"] == "kim"


def test_signed_out_is_out(bench: Bench) -> None:
    bench.sign_in("kim")
    kept = dict(bench.client.cookies)
    assert bench.client.post("/api/sign-out", json={}).status_code == 200
    bench.client.cookies.update(kept)
    assert bench.client.get("/api/who").json()["user"] is None


def test_a_session_ends_in_time_or_with_its_user(bench: Bench) -> None:
    bench.sign_in("kim")
    bench.time.now_s += 3601.0
    assert bench.client.get("/api/who").json()["user"] is None
    bench.sign_in("kim")
    assert bench.client.get("/api/who").json()["user"] == "kim"
    write_users(bench.users_path, {"ann": users()["ann"]})
    assert bench.client.get("/api/who").json()["user"] is None


def test_guessing_is_locked_out_and_no_name_is_given_away(bench: Bench) -> None:
    told = {bench.sign_in("kim", "wrong password").text}
    told.add(bench.sign_in("nobody", "wrong password").text)
    assert len(told) == 1
    for _ in range(FREE_TRIES - 2):
        assert bench.sign_in("kim", "wrong password").status_code == 401
    locked = bench.sign_in("kim")
    assert (locked.status_code, "try again" in locked.json()["reason"]) == (429, True)
    bench.time.now_s += LOCKED_S
    assert bench.sign_in("kim").status_code == 200


def test_without_a_readable_users_file_nobody_gets_in(bench: Bench) -> None:
    bench.users_path.write_text("{")
    assert bench.sign_in("kim").status_code == 503


@pytest.mark.parametrize("body", [b"", b"[]", b"{", b"\xff", b"[" * 4000])
def test_what_is_no_request_is_refused(bench: Bench, body: bytes) -> None:
    headers = {"content-type": "application/json"}
    for path in ("/api/sign-in", "/api/request"):
        answer = bench.client.post(path, content=body, headers=headers)
        assert answer.status_code == 400
        assert answer.json()["accepted"] is False


def test_a_long_request_is_not_read_to_its_end(bench: Bench) -> None:
    headers = {"content-type": "application/json"}
    answer = bench.client.post("/api/sign-in", content=b" " * 5000, headers=headers)
    assert answer.status_code == 413


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/api/trend.svg?length=9", 400),
        ("/api/trend.svg?collector=none", 404),
        ("/api/trend.svg?unit=ell", 400),
        ("/api/trend.svg?zone_min=x", 400),
        ("/api/trend.svg?width=100000", 400),
        ("/panel.py", 404),
        ("/../users.py", 404),
    ],
)
def test_what_is_not_there_is_told(bench: Bench, path: str, status: int) -> None:
    assert bench.client.get(path).status_code == status


def test_a_journal_that_cannot_be_read_is_told(bench: Bench) -> None:
    bench.source.broken = True
    answer = bench.client.get("/api/trend.svg")
    assert (answer.status_code, answer.json()["reason"]) == (503, "the disk reports an error")


def test_the_drawn_trend_is_svg_without_style(bench: Bench) -> None:
    for width in (280, 1600):
        answer = bench.client.get(f"/api/trend.svg?unit=inH2O&zone_min=330&width={width}")
        root = ElementTree.fromstring(answer.text)
        kinds = [element.get("class") for element in root.iter() if element.get("class")]
        assert kinds.count("mean") == 2, "a gap is a gap in the line"
        assert {"band", "range", "set-point low", "set-point replacement"} <= set(kinds)
        title = root.find("{http://www.w3.org/2000/svg}title")
        assert title is not None
        assert title.text == "dP from 2.01 inH2O to 4.01 inH2O"
        assert "style" not in answer.text
        for element in root.iter():
            for axis in ("x", "x1", "x2"):
                assert -0.1 <= float(element.get(axis, "0")) <= width


async def test_events_begin_with_everything_and_go_on_with_changes() -> None:
    source, time, going = FakeSource(), Time(), True
    live = Live(source.status, time)
    events = live.events("hall-1", PressureUnit.PA, lambda: going)
    assert (await anext(events)).startswith(b"retry: ")
    whole = (await anext(events)).decode()
    assert whole.startswith("id: 1\nevent: whole\ndata: ")
    assert json.loads(whole.split("data: ")[1])["dp"]["display"] == "812 Pa"
    source.dp_pa, time.now_s = 900.0, time.now_s + 1.0
    changed = (await anext(events)).decode()
    assert changed.startswith("id: 2\nevent: changed\n")
    assert json.loads(changed.split("data: ")[1]) == {"dp": {"value": 900.0, "display": "900 Pa"}}
    assert (await anext(events)).decode().endswith("data: {}\n\n"), "a sign of life all the same"
    going = False
    with pytest.raises(StopAsyncIteration):
        await anext(events)


async def test_closing_lets_viewers_go_at_once() -> None:
    live = Live(FakeSource().status, Time())
    events = live.events("hall-1", PressureUnit.PA, lambda: True)
    await anext(events)
    await anext(events)
    assert live.viewers == 1
    last = asyncio.ensure_future(anext(events))
    live.close()
    with pytest.raises(StopAsyncIteration):
        await last
    assert live.viewers == 0


def test_too_many_viewers_are_told_so(bench: Bench) -> None:
    bench.live.viewers = MOST_VIEWERS
    answer = bench.client.get("/api/live")
    assert (answer.status_code, "try again" in answer.json()["reason"]) == (503, True)


def test_set_points_may_be_written_in_the_unit_that_is_shown(bench: Bench) -> None:
    bench.sign_in("ann")
    assert bench.ask(request="set_points", high_pa="4.0 inH2O").status_code == 403
    bench.sign_in("kim")
    assert bench.ask(request="set_points", high_pa="4.0 inH2O", interval_s=12).status_code == 200
    _, asked, by = bench.source.asked[0]
    assert (asked["high_pa"], asked["interval_s"]) == (pytest.approx(996.35564), 12)
    assert by == "panel:kim"
    wrong = bench.ask(request="set_points", high_pa="4,0 inH2O")
    assert (wrong.status_code, "decimal sign" in wrong.json()["reason"]) == (400, True)
