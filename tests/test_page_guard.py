"""The page under those who mean it no good: other hosts and pages, long and odd addresses, many and silent callers.

The application behind the guard is the page's own where its answers matter, else a plain one. No outside values."""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any
from urllib.error import HTTPError
from urllib.request import Request, urlopen

import pytest

flask = pytest.importorskip("flask", reason="the extra 'page' (Flask, waitress) is not installed")
pytest.importorskip("waitress", reason="the extra 'page' (Flask, waitress) is not installed")

from driftmodel.base.errors import BadInput  # noqa: E402
from driftmodel.doors import page, page_guard, page_state  # noqa: E402
from driftmodel.doors.page import create_app  # noqa: E402
from driftmodel.doors.page_state import read_state  # noqa: E402

pytestmark = pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")  # a closed server


#: what never comes takes so long to fail
LONG_S = 120


@pytest.fixture(scope="module")
def client() -> Any:
    return create_app().test_client()


def _plain_app() -> Any:
    app = flask.Flask("plain")
    page_guard.guard(app)
    app.add_url_rule("/", view_func=lambda: "well", methods=["GET", "POST"])
    return app


@pytest.fixture
def plain(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """The port of a guarded server that answers at once and has patience with the silent, so that no test waits for
    a clock."""
    monkeypatch.setattr(page_guard, "SILENT_S", 3600)
    server = page_guard.bounded_server(_plain_app(), 0)
    assert server.socket.getsockname()[0] == "127.0.0.1"  # the loopback address alone
    threading.Thread(target=server.run, daemon=True).start()
    yield server.effective_port
    server.close()


@pytest.mark.parametrize(
    ("headers", "method", "status"),
    [
        ({}, "GET", 200),
        ({"Host": "localhost:8765"}, "GET", 200),
        ({"Host": "127.0.0.1:8765", "Origin": "http://127.0.0.1:8765"}, "POST", 200),
        ({"Host": "elsewhere.example"}, "GET", 403),
        ({"Host": "127.0.0.1.elsewhere.example:8765"}, "GET", 403),
        ({"Host": "localhost.elsewhere.example"}, "GET", 403),
        ({"Host": "0.0.0.0:8765"}, "GET", 403),
        ({"Host": "127.0.0.1:8765", "Origin": "http://elsewhere.example"}, "POST", 403),
        ({"Host": "127.0.0.1:8765", "Origin": "http://127.0.0.1:9999"}, "POST", 403),
        ({"Host": "127.0.0.1:8765", "Origin": "https://127.0.0.1:8765"}, "POST", 403),
        ({"Host": "127.0.0.1:8765", "Origin": "null"}, "POST", 403),
        ({"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors"}, "GET", 403),
        ({"Sec-Fetch-Site": "same-site", "Sec-Fetch-Mode": "cors"}, "GET", 403),
        ({"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"}, "POST", 403),
        ({"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"}, "GET", 200),
        ({"Sec-Fetch-Site": "same-origin", "Sec-Fetch-Mode": "cors"}, "GET", 200),
    ],
)
def test_only_this_machines_own_page_may_ask(headers: dict[str, str], method: str, status: int) -> None:
    reply = _plain_app().test_client().open("/", method=method, headers={"Host": "127.0.0.1:8765"} | headers)
    assert reply.status_code == status
    assert reply.headers["Content-Security-Policy"].startswith("default-src 'none'")
    for name, value in (("X-Frame-Options", "DENY"), ("X-Content-Type-Options", "nosniff"),
                        ("Cross-Origin-Resource-Policy", "same-origin"), ("Cache-Control", "no-store")):  # fmt: skip
        assert reply.headers[name] == value


@pytest.mark.parametrize("rule", [rule.rule for rule in create_app().url_map.iter_rules() if "<" not in rule.rule])
def test_every_address_is_guarded(client: Any, rule: str) -> None:
    for method in ("GET", "POST"):
        assert client.open(rule, method=method, headers={"Host": "elsewhere.example"}).status_code == 403
        assert client.open(rule, method=method, headers={"Origin": "http://elsewhere.example"}).status_code == 403


@pytest.mark.parametrize(
    "path",
    ["/assets/../page.py", "/assets/..%2fpage.py", "/assets/%2e%2e/page.py", "/assets//etc/passwd",
     "/assets/..\\page.py",
     "/..%2f..%2fetc/passwd", "/assets/%00", "/assets/page.html/../../page.py"],
)  # fmt: skip
def test_nothing_beside_its_own_files_comes_out(client: Any, path: str) -> None:
    reply = client.get(path)
    assert reply.status_code in (308, 400, 404) and "import annotations" not in reply.text and "root:" not in reply.text


@pytest.mark.parametrize(
    "query",
    ["scenario=<script>alert(1)</script>", "place=%22%3E%3Cimg src=x onerror=alert(1)%3E", "humidifier=1<b>",
     "against=scenario:../../x", "units={{7*7}}", "scenario=%00", "scenario=%ff%fe", "case=" + "9" * 3000],
)  # fmt: skip
def test_what_comes_in_an_address_is_text(client: Any, query: str) -> None:
    reply = client.get(f"/?{query}")
    assert reply.status_code == 400
    for tag in ("<script>alert", "<img src=x", "1<b>"):
        assert tag not in reply.text
    assert "{{7*7}}" in reply.text or "7*7" not in query


def test_long_addresses_and_posts_are_refused(client: Any, plain: int) -> None:
    assert client.get("/?x=" + "y" * 5000).status_code == 414
    assert client.post("/readings", data={"readings": "x" * 1_100_000}).status_code == 413
    with pytest.raises(HTTPError) as told:
        urlopen(f"http://127.0.0.1:{plain}/?x=" + "y" * 40_000, timeout=LONG_S)
    assert told.value.code in (400, 414, 431)
    with socket.create_connection(("127.0.0.1", plain), timeout=LONG_S) as caller:
        caller.sendall(b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 99999999999\r\n\r\nx")
        assert b" 413 " in caller.recv(200)


def test_silent_callers_keep_nobody_out(plain: int) -> None:
    """150 sockets that say nothing, and 20 more that begin a request and stop: the next one is still answered."""
    silent = [socket.create_connection(("127.0.0.1", plain), timeout=LONG_S) for _ in range(150)]
    for caller in silent[:20]:
        caller.sendall(b"GET / HTTP/1.1\r\nHost: localh")
    try:
        with urlopen(f"http://127.0.0.1:{plain}/", timeout=LONG_S) as reply:
            assert reply.read() == b"well"
    finally:
        for caller in silent:
            caller.close()


@pytest.mark.slow
def test_twenty_at_once_get_their_own_answers(client: Any) -> None:
    def ask(humidifier: int) -> str:
        return str(create.get(f"/answer?scenario=first-winter&humidifier={humidifier}&rough=yes").text)

    create = create_app().test_client()
    with ThreadPoolExecutor(20) as crowd:
        found = list(crowd.map(ask, [30 + 5 * (n % 4) for n in range(20)]))
    assert len(set(found)) == 4 and all(found[n] == found[n % 4] for n in range(20))
    assert "30" in found[0] and found[0] != found[1]


def test_memory_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is kept between answers is bounded, whatever is asked; the answers themselves are stood for."""
    monkeypatch.setattr(page, "run_chain", lambda *given: None)
    monkeypatch.setattr(page, "answer", lambda *given: given)
    desk = page.Desk()
    for humidity in range(25, 61):
        for tenths in range(0, 20, 7):
            desk.answers_to(read_state({"humidifier": str(humidity), "draught": str(tenths / 10)}), True)
    assert len(desk.answers._known) == page.KEPT_ANSWERS <= 64


def test_post_from_the_page_itself_works(plain: int) -> None:
    asked = Request(f"http://127.0.0.1:{plain}/", data=b"x", headers={"Origin": f"http://127.0.0.1:{plain}"})
    with urlopen(asked, timeout=LONG_S) as reply:
        assert reply.status == 200 and "waitress" not in reply.headers.get("Server", "")


def test_uploads_are_bounded_and_stay_in_their_room(tmp_path: Path) -> None:
    """Names of elsewhere are their last part; of many uploads the last few stand on the disk, of refused ones none."""
    shelf = page_state.Shelf(tmp_path)
    story = b'title = "x"\n[setup]\n'
    for _ in range(3 * page_state.KEPT_UPLOADS):
        name = shelf.take([("../../../tmp/mine.toml", story)])
    for files in ([("a.csv", b"x")], [("mine.exe", b"x")], [("x" * 200 + ".toml", b"")], [("..toml", story)], []):
        with pytest.raises(BadInput):
            shelf.take(files)
    assert shelf.room is not None
    room = Path(shelf.room.name)
    assert len(list(room.iterdir())) == len(shelf.uploads) == page_state.KEPT_UPLOADS
    assert Path(shelf.all()[name].path).resolve().is_relative_to(room.resolve())


def test_a_pipe_in_the_folder_holds_nothing_up(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.toml")
    (tmp_path / "big.toml").write_bytes(b"x = 1\n" * 100_000)
    assert not [name for name in page_state.Shelf(tmp_path).all() if name.startswith("own:")]
