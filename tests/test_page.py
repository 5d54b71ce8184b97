"""The page: answers, bad input, two sessions, and a headless browser where there is one. No outside reference values:
what is checked is that the page says what the command line's forecast says, and that it can be used."""

from __future__ import annotations

import shutil
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

pytest.importorskip("flask", reason="the extra 'page' (Flask, waitress) is not installed")
waitress = pytest.importorskip("waitress", reason="the extra 'page' (Flask, waitress) is not installed")

from driftmodel import load_scenario  # noqa: E402
from driftmodel.doors.page import create_app  # noqa: E402
from driftmodel.outlook.drift import forecast  # noqa: E402
from driftmodel.report.phrases import percent  # noqa: E402

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--virtual-time-budget=8000",
]  # fmt: skip
needs_browser = pytest.mark.skipif(BROWSER is None, reason="no chromium on this machine")


@pytest.fixture(scope="module")
def client() -> Any:
    return create_app().test_client()


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    server = waitress.create_server(create_app(), host="127.0.0.1", port=0, threads=4)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.effective_port}"
    server.close()


def test_numbers_are_the_command_lines(client: Any) -> None:
    """The same seed and draws: the page's chance and month of a regrade are those of the forecast command."""
    scenario = load_scenario("damp-coast")
    run = forecast(scenario)
    text = client.get("/?scenario=damp-coast").text
    assert f'class="chance">{percent(float(run["regrade_due"].values[-1]))}<' in text
    early, middle, _ = run["regrade_due_date"].values
    for date in (early, middle):
        assert np.isnat(date) or f"({str(date)[:7]})" in text


def test_a_slider_changes_the_answer_and_the_address_keeps_it(client: Any) -> None:
    dry = client.get("/answer?scenario=first-winter&rough=yes").text
    damp = client.get("/answer?scenario=first-winter&humidifier=45&rough=yes").text
    assert dry != damp and "Rough while you drag: 24 runs" in damp
    assert 'value="45"' in client.get("/?humidifier=45").text


@pytest.mark.parametrize(
    "query", ["humidifier=900", "humidifier=wet", "humidifier=nan", "scenario=nowhere", "place=../../etc"]
)
def test_bad_input_is_one_message(client: Any, query: str) -> None:
    reply = client.get(f"/?{query}")
    assert reply.status_code == 400 and "This cannot be run" in reply.text and "Traceback" not in reply.text


def test_bad_readings_name_the_fault_and_no_path(client: Any) -> None:
    reply = client.post("/readings?scenario=first-winter", data={"readings": "what,is,this\n1,2,3\n"})
    assert reply.status_code == 400 and "Mend" in reply.text and "/tmp" not in reply.text


def test_a_foreign_host_name_is_refused(client: Any) -> None:
    assert client.get("/", headers={"Host": "elsewhere.example"}).status_code == 403


def test_nothing_is_fetched_from_elsewhere(client: Any) -> None:
    text = client.get("/").text
    assert "http://" not in text and "https://" not in text and 'script defer src="/assets/page.js"' in text
    script = (Path(__file__).parents[1] / "driftmodel/doors/page_assets/page.js").read_text()
    assert len(script.splitlines()) <= 32


def test_every_control_has_a_label(client: Any) -> None:
    import re

    text = client.get("/").text
    ids = re.findall(r'<(?:select|input|textarea)[^>]* id="([^"]+)"', text)
    assert len(ids) > 9 and all(f'<label for="{each}">' in text for each in ids)


def test_a_slider_answers_in_time(client: Any) -> None:
    """Ten fresh settings of the humidifier, each a new climate. The median is held to three times the aim of 300 ms:
    the machine that runs the tests may be shared."""
    took = []
    client.get("/answer?rough=yes")
    for setting in range(30, 40):
        start = time.perf_counter()
        client.get(f"/answer?humidifier={setting}&rough=yes")
        took.append(time.perf_counter() - start)
    print(f"median {1000 * np.median(took):.0f} ms")
    assert np.median(took) < 0.9


def test_two_sessions_at_once(address: str) -> None:
    from concurrent.futures import ThreadPoolExecutor
    from urllib.request import urlopen

    queries = ["scenario=first-winter&rough=yes", "scenario=damp-coast&rough=yes"] * 3
    with ThreadPoolExecutor(4) as pool:
        texts = list(pool.map(lambda q: urlopen(f"{address}/answer?{q}").read().decode(), queries))
    assert texts[0] == texts[2] == texts[4] and texts[1] == texts[3] and "Damp coast" in texts[1] != texts[0]


@needs_browser
def test_the_page_loads_and_compares_in_a_browser(address: str, tmp_path: Path) -> None:
    url = f"{address}/?scenario=first-winter&against=place:damp_coast"
    assert BROWSER is not None
    for width in (1280, 390):
        picture = tmp_path / f"{width}.png"
        command = [BROWSER, *FLAGS, f"--user-data-dir={tmp_path / str(width)}", f"--window-size={width},1400",
                   f"--screenshot={picture}", url]  # fmt: skip
        subprocess.run(command, check=True, capture_output=True, timeout=90)
        assert picture.stat().st_size > 20_000
    dom = subprocess.run(
        [BROWSER, *FLAGS, f"--user-data-dir={tmp_path / 'dom'}", "--dump-dom", url],
        check=True, capture_output=True, timeout=90, text=True,
    ).stdout  # fmt: skip
    assert dom.count("<article>") == 2 and dom.count("<svg") == 4
