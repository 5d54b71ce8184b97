"""The page: answers, bad input, two sessions, and a headless browser where there is one. No outside reference values:
what is checked is that the page says what the command line says, and that it can be used."""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import pytest

pytest.importorskip("flask", reason="the extra 'page' (Flask, waitress) is not installed")
waitress = pytest.importorskip("waitress", reason="the extra 'page' (Flask, waitress) is not installed")

from driftmodel.doors.page import create_app  # noqa: E402
from driftmodel.report.advice_words import months_words  # noqa: E402
from driftmodel.report.texts import percent  # noqa: E402

pytestmark = pytest.mark.usefixtures("short", "few_particles", "undrawn")
#: the machine may be shared, and a fit takes seconds
PATIENCE_MS = 300_000
READINGS = Path(__file__).parents[1] / "scenarios" / "readings" / "two-winters.csv"


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


@pytest.fixture(scope="module")
def browser(chromium: str | None) -> Iterator[Any]:
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if chromium is None:
        pytest.skip("no chromium on this machine")
    with playwright.sync_playwright() as play:
        opened = play.chromium.launch(executable_path=chromium, args=["--no-sandbox"], timeout=PATIENCE_MS)
        yield opened
        opened.close()


def _shown(text: str, name: str) -> list[str]:
    return re.findall(rf'class="{name}">([^<]*)<', text)


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("scenario=damp-coast", ["damp-coast"]),
        ("scenario=first-winter&humidifier=45&place=damp_coast",
         ["first-winter", "--what-if", "place=damp_coast, humidifier=45"]),
    ],
)  # fmt: skip
def test_numbers_are_the_command_lines(
    client: Any, run: Callable[..., Any], tmp_path: Path, query: str, words: list[str]
) -> None:
    """Same seed, same draws: chance, swing and months of the page are those `driftmodel forecast` gives as JSON, and
    the sentence is the one in its report."""
    text = client.get(f"/?{query}").text
    forecast = ("forecast", *words, "--no-pictures", "--out", str(tmp_path / "f"))
    told = json.loads(run(*forecast, "--json").out)
    said = " ".join((tmp_path / "f" / "report.html").read_text(encoding="utf-8").split())
    chance = list(told["regrade_due_probability_by_year"].values())[-1]
    assert _shown(text, "chance") == [percent(chance)]
    assert _shown(text, "swing") == [f"{told['season_swing_mm']:.2f} mm"]
    past = tuple(int(month) for month, share in told["action_past_rule_by_month"].items() if share > 0.5)
    assert _shown(text, "risk") == [months_words(past)]
    assert _shown(text, "lead")[0] in said
    command = "driftmodel forecast " + " ".join(f"&#34;{w}&#34;" if "," in w or "=" in w else w for w in words)
    assert f"<code>{command}</code>" in text


def test_care_on_the_page_is_the_commands(client: Any, run: Callable[..., Any], tmp_path: Path) -> None:
    text = client.get("/?scenario=damp-coast&care=yes").text
    told = json.loads(run("advise", "damp-coast", "--out", str(tmp_path / "a"), "--json").out)
    assert f"Keep it between {told['keep'][0]:.0f} and {told['keep'][1]:.0f} %" in text
    assert f"({100 * told['now']['crack_risk']:.0f} %)" in text


def test_a_slider_changes_the_answer_and_the_address_keeps_it(client: Any) -> None:
    dry = client.get("/answer?scenario=first-winter&rough=yes").text
    damp = client.get("/answer?scenario=first-winter&humidifier=45&rough=yes").text
    assert dry != damp and "Rough while you drag: 24 runs" in damp
    assert 'value="45"' in client.get("/?humidifier=45").text


def test_two_are_compared_on_one_seed(client: Any) -> None:
    text = client.get("/?scenario=first-winter&against=scenario:damp-coast").text
    assert text.count("<article>") == 2 and "driftmodel forecast damp-coast --seed 11" in text
    text = client.get("/?scenario=first-winter&humidifier=45&against=unchanged").text
    assert len(set(_shown(text, "swing"))) == 2


@pytest.mark.parametrize(
    "query", ["humidifier=900", "humidifier=wet", "humidifier=nan", "scenario=nowhere", "place=../../etc", "case=x"]
)
def test_bad_input_is_one_message(client: Any, query: str) -> None:
    for path in ("/", "/answer", "/sheet", "/report.zip"):
        reply = client.get(f"{path}?{query}")
        assert reply.status_code == 400 and "This cannot be run" in reply.text and "Traceback" not in reply.text


def test_bad_readings_name_the_fault_and_no_path_and_keep_the_controls(client: Any) -> None:
    reply = client.post("/readings?scenario=damp-coast", data={"readings": "what,is,this\n1,2,3\n"})
    assert reply.status_code == 400 and "Mend" in reply.text and "/tmp" not in reply.text
    assert 'value="damp-coast" selected' in reply.text and "what,is,this" in reply.text
    assert client.post("/readings", data={"readings": "x" * 1_100_000}).status_code == 413


def test_readings_teach(client: Any) -> None:
    with READINGS.open("rb") as file:
        reply = client.post("/readings?scenario=two-winters", data={"file": (file, "two-winters.csv")})
    assert reply.status_code == 200 and "11 readings taken in" in reply.text


def test_report_and_sheet_come_down(client: Any) -> None:
    packed = client.get("/report.zip?scenario=first-winter&humidifier=45")
    assert packed.data[:2] == b"PK" and "attachment" in packed.headers["Content-Disposition"]
    assert "For the owner" in client.get("/sheet?scenario=first-winter").text


def test_a_foreign_host_name_is_refused(client: Any) -> None:
    assert client.get("/", headers={"Host": "elsewhere.example"}).status_code == 403


def test_nothing_is_fetched_from_elsewhere(client: Any) -> None:
    text = client.get("/").text
    assert "http://" not in text and "https://" not in text and 'script defer src="/assets/page.js"' in text
    script = (Path(__file__).parents[1] / "driftmodel/doors/page_assets/page.js").read_text()
    assert len(script.splitlines()) < 40


def test_every_control_has_a_label(client: Any) -> None:
    text = client.get("/").text
    ids = re.findall(r'<(?:select|input|textarea)[^>]* id="([^"]+)"', text)
    assert len(ids) > 12 and all(f'<label for="{each}">' in text for each in ids)


def test_two_sessions_at_once(address: str) -> None:
    queries = ["scenario=first-winter&rough=yes", "scenario=damp-coast&rough=yes"] * 3
    with ThreadPoolExecutor(4) as pool:
        texts = list(pool.map(lambda q: urlopen(f"{address}/answer?{q}").read().decode(), queries))
    assert texts[0] == texts[2] == texts[4] and texts[1] == texts[3] and "Damp coast" in texts[1] != texts[0]


def _drag(page: Any, name: str, value: int) -> None:
    """As a hand does: the control's value changes and it says so."""
    script = "([name, value]) => { const it = document.getElementById(name); it.value = value; "
    page.evaluate(script + "it.dispatchEvent(new Event('input', { bubbles: true })); }", [name, str(value)])


def test_in_a_browser_it_loads_changes_compares_and_tells_faults(browser: Any, address: str) -> None:
    page = browser.new_page(viewport={"width": 1280, "height": 844})
    page.set_default_timeout(PATIENCE_MS)
    wrong: list[str] = []
    page.on("pageerror", lambda fault: wrong.append(str(fault)))
    page.on("request", lambda it: None if it.url.startswith((address, "data:")) else wrong.append(it.url))
    page.goto(f"{address}/?scenario=first-winter")
    for width in (1280, 390):
        page.set_viewport_size({"width": width, "height": 844})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    before = page.text_content(".swing")
    for value in (34, 38, 42, 45):
        _drag(page, "humidifier", value)
    page.wait_for_selector("code:has-text('humidifier=45')")
    assert page.text_content(".swing") != before and "humidifier=45" in page.evaluate("location.search")
    assert page.text_content("#humidifier-now") == "45 %" and "regrade" in page.text_content("#spoken")
    page.select_option("#against", "place:damp_coast")
    page.wait_for_selector("article:nth-of-type(2) code")  # the whole answer: nothing is asked beyond this test
    page.fill("#readings", "date,what,value\n2027-02-30,action bass,2.4 mm\n")
    page.click("text=Learn from them")
    assert "2027-02-30" in page.text_content("[role=alert]")
    assert not wrong
    page.close()


def test_in_a_browser_it_works_by_keyboard_and_without_script(browser: Any, address: str) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    page.goto(f"{address}/?scenario=first-winter")
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    page.select_option("#scenario", "damp-coast")
    page.focus("#warming")
    page.keyboard.press("ArrowRight")
    page.click("button:has-text('Show')")
    page.wait_for_url("**warming=0.5**")
    assert "warming=0.5" in page.text_content("code")
    context.close()


@pytest.fixture(scope="module")
def own_bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    """A server over a folder with one record of an invented guitar."""
    from datetime import date

    from driftmodel.record.add import add, create

    folder = tmp_path_factory.mktemp("bench")
    told = {"design": "large_x_braced", "home": "cold_city_heated", "set_up": "2024-09-25"}
    told |= {"action": "2.3 mm", "spacer": "J"}
    create(folder / "ada", told)
    add(folder / "ada", ("action 2.45 mm with rule", "spacer H"), date(2025, 8, 1))
    server = waitress.create_server(create_app(folder), host="127.0.0.1", port=0, threads=4)
    threading.Thread(target=server.run, daemon=True).start()
    yield f"http://127.0.0.1:{server.effective_port}", folder
    server.close()


def test_in_a_browser_an_own_record_is_answered_and_fits(
    browser: Any, own_bench: tuple[str, Path], run: Callable[..., Any]
) -> None:
    """The line, the list and the command are those of `driftmodel grade`; nothing is wider than the screen and nothing
    made for speech readers is seen."""
    address, folder = own_bench
    said = run("grade", str(folder / "ada"), "--reading", "action 2.4 mm at 38 % 21 C", "--date", "2026-02-10")
    told = run("forecast", str(folder / "ada"), "--no-pictures", "--out", str(folder.parent / "told"))
    page = browser.new_page(viewport={"width": 1280, "height": 844})
    page.set_default_timeout(PATIENCE_MS)
    page.goto(address)
    assert page.input_value("#scenario") == "own:ada" and not page.locator("dl").count()
    page.fill("#reading", "action 2.4 mm at 38 % 21 C")
    page.fill("#date", "2026-02-10")
    page.click("button:has-text('Answer')")
    page.wait_for_selector(".answer")
    assert page.text_content(".answer") in " ".join(said.out.split())
    for cell in page.query_selector_all(".options tbody tr td, .options tbody tr th"):
        assert cell.text_content() in said.out
    assert page.locator("svg circle").count() == 2 and "driftmodel grade" in page.text_content("#bench code")
    assert page.text_content("#answer .lead") in " ".join(told.out.split())
    assert f"driftmodel forecast {folder / 'ada'}" in page.text_content("#answer code")
    for width in (1280, 390):
        page.set_viewport_size({"width": width, "height": 844})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.locator(".answer").bounding_box()["y"] < page.locator("#reading").bounding_box()["y"]
    for each in ("#scenario", "#reading", "button >> nth=0"):
        assert page.locator(each).bounding_box()["height"] >= 40
    page.close()


def test_a_record_is_uploaded_and_what_is_no_record_is_told(own_bench: tuple[str, Path]) -> None:
    from io import BytesIO

    folder = own_bench[1] / "ada"
    client = create_app().test_client()
    files = [(BytesIO((folder / name).read_bytes()), name) for name in ("record.toml", "bench.csv")]
    reply = client.post("/open", data={"files": files})
    assert reply.status_code == 303 and "scenario=up" in reply.headers["Location"]
    for bad in ([(BytesIO(b"x"), "../evil.toml")], [(BytesIO(b"a = 1"), "a.toml")], [(BytesIO(b"x"), "x.exe")], []):
        told = client.post("/open", data={"files": bad})
        assert told.status_code == 400 and "cannot be run" in told.text and "Traceback" not in told.text
    wrong = client.get("/?scenario=first-winter&reading=action+2.4")
    assert wrong.status_code == 400 and "has no unit" in wrong.text
    assert client.get("/?scenario=own:../../etc").status_code == 400
