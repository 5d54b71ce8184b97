"""The page: a local server on the loopback address that runs what-ifs and draws them. Nothing is fetched or sent."""

from __future__ import annotations

import tempfile
import zipfile
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from threading import Lock
from typing import Any
from urllib.parse import urlencode

from flask import Flask, Response, render_template, request

from driftmodel.advice.care import advise
from driftmodel.base.datafiles import scenarios_dir
from driftmodel.base.errors import BadInput
from driftmodel.base.records import Scenario
from driftmodel.base.scenarios import load_climate, load_scenario, scenario_names
from driftmodel.doors.page_view import Answer, answer
from driftmodel.outlook.chain import Chain, LagCache, run_chain
from driftmodel.outlook.draws import draw_unknowns
from driftmodel.outlook.levers import with_lever
from driftmodel.report.advice_words import HEADS, advice_blocks

HOST, PORT = "127.0.0.1", 8765
OUR_NAMES = ("127.0.0.1", "localhost")
ROUGH_DRAWS, CARE_DRAWS = 24, 100
KEPT_ANSWERS = 32
FINISHES = ("as designed", "bare", "nitrocellulose lacquer")


@dataclass(frozen=True)
class Slider:
    """A range control; 0 stands for `none`: the design's or place's own."""

    name: str
    lever: str
    label: str
    low: float
    high: float
    step: float
    help: str
    none: str


SLIDERS = (
    Slider("humidifier", "humidifier", "Winter humidifier, %", 0, 55, 1,
           "In the room, October to April; 0: as the place is", "as it is"),
    Slider("heating", "winter heating", "Winter heating, °C", 0, 25, 0.5, "0: as the place is", "as it is"),
    Slider("build", "build humidity", "Built at, % humidity", 0, 70, 1, "0: as the scenario says", "as built"),
    Slider("tension", "string tension", "String pull, % of the set's", 0, 125, 1, "0: the set's own", "its own"),
    Slider("warming", "warming", "Warmer outdoors, K", 0, 3, 0.5, "Humidity falls slightly with it", "today"),
)  # fmt: skip
CHOICES = ("scenario", "place", "inside", "units", "against")


def _options() -> list[tuple[str, str, list[tuple[str, str]]]]:
    scenarios = [(name, load_scenario(name).title) for name in scenario_names()]
    folder = scenarios_dir() / "climates"
    places = [(path.stem, load_climate(path).title.split(" (")[0]) for path in sorted(folder.glob("*.toml"))]
    return [
        ("scenario", "Guitar and its story", scenarios),
        ("place", "Where it lives last", [("", "as the story says"), *places]),
        ("inside", "Finish inside the body", [("" if each == "as designed" else each, each) for each in FINISHES]),
        ("units", "Units", [("metric", "millimetres"), ("inch", "inches")]),
        ("against", "Compare with", [("", "nothing"), *((f"place:{p}", f"it in: {w}") for p, w in places),
                                     *((f"scenario:{s}", w) for s, w in scenarios)]),
    ]  # fmt: skip


def read_state(given: Mapping[str, str]) -> dict[str, str]:
    """The page's state from an address, every key present. Raises BadInput for a value no control could have sent."""
    state = {"scenario": "first-winter", "place": "", "inside": "", "units": "metric", "against": ""}
    state |= {slider.name: "0" for slider in SLIDERS}
    state |= {key: given[key] for key in state if given.get(key)}
    for slider in SLIDERS:
        try:
            value = float(state[slider.name])
        except ValueError:
            value = float("nan")
        if not slider.low <= value <= slider.high:
            raise BadInput(
                f'{slider.label}: "{state[slider.name]}"',
                f"a number from {slider.low:g} to {slider.high:g}",
                mend=f"{slider.name}={slider.high:g}",
            )
        state[slider.name] = f"{value:g}"
    for name, label, options in _options():
        if state[name] not in [value for value, _ in options]:
            raise BadInput(f'{label}: "{state[name]}"', "one of the list", mend=f"{name}={options[-1][0]}")
    return state


def scenario_of(state: Mapping[str, str]) -> Scenario:
    """The scenario a state stands for: a shipped one with levers moved. Raises BadInput as the levers do."""
    scenario = load_scenario(state["scenario"])
    if state["place"]:
        scenario = with_lever(scenario, "place", state["place"])
    if state["inside"]:
        scenario = with_lever(scenario, "finish inside", state["inside"])
    for slider in SLIDERS:
        value = float(state[slider.name])
        if value:
            scenario = with_lever(scenario, slider.lever, value)
    return scenario


def _rival(state: Mapping[str, str]) -> Scenario | None:
    if not state["against"]:
        return None
    kind, name = state["against"].split(":", 1)
    changed = {"place": name} if kind == "place" else {"scenario": name, "place": ""}
    return scenario_of({**state, **changed})


class Desk:
    """What one server keeps between questions: lags by climate and whole answers, both bounded, under one lock."""

    def __init__(self) -> None:
        self.lock = Lock()
        self.lags = LagCache()
        self.answers: OrderedDict[str, tuple[Answer, ...]] = OrderedDict()

    def run(self, scenario: Scenario, rough: bool, seed: int) -> Chain:
        """Few draws in one weather while dragging; at rest the scenario's own draws, as the command line runs it."""
        from dataclasses import replace

        if rough:
            rough_one = replace(scenario, weather_members=1)
            return run_chain(rough_one, draw_unknowns(rough_one, ROUGH_DRAWS, seed), self.lags)
        return run_chain(scenario, draw_unknowns(scenario, scenario.draws, seed), self.lags)

    def answer(self, state: Mapping[str, str], rough: bool) -> tuple[Answer, ...]:
        """One answer, or two on the same seed where the state compares."""
        key = repr((sorted(state.items()), rough))
        with self.lock:
            found = self.answers.get(key)
            if found is None:
                first, rival = scenario_of(state), _rival(state)
                both = [first] if rival is None else [first, rival]
                found = tuple(answer(self.run(each, rough, first.seed), first.seed, state["units"]) for each in both)
                self.answers[key] = found
                while len(self.answers) > KEPT_ANSWERS:
                    self.answers.popitem(last=False)
            return found


def create_app() -> Flask:
    """The page as a WSGI application."""
    app = Flask("driftmodel.doors.page", template_folder="page_assets", static_folder="page_assets",
                static_url_path="/assets", root_path=str(Path(__file__).parent))  # fmt: skip
    app.config["MAX_CONTENT_LENGTH"] = 1_000_000
    desk = Desk()
    choices = _options()

    def fields(state: Mapping[str, str], **more: Any) -> dict[str, Any]:
        base = {"state": state, "choices": choices, "sliders": SLIDERS, "query": urlencode(state), "rough": False,
                "fault": "", "advice": None, "learned": "", "readings": "", "answers": ()}  # fmt: skip
        return base | more

    @app.before_request
    def _only_from_here() -> Response | None:
        """A page elsewhere must not reach this one under another name."""
        if request.host.rsplit(":", 1)[0] not in OUR_NAMES:
            return Response("this page answers on the loopback address only", 403)
        return None

    @app.after_request
    def _closed(response: Response) -> Response:
        response.headers["Content-Security-Policy"] = (
            "default-src 'none'; style-src 'self' 'unsafe-inline'; script-src 'self'; connect-src 'self'; "
            "img-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
        )
        response.headers["X-Content-Type-Options"] = "nosniff"
        return response

    @app.errorhandler(BadInput)
    def _fault(fault: BadInput) -> tuple[str, int]:
        state = read_state({})
        template = "answer.html" if request.path == "/answer" else "page.html"
        return render_template(template, **fields(state, fault=str(fault))), 400

    @app.get("/")
    def page() -> str:
        state = read_state(request.args)
        told = None
        if request.args.get("care"):
            with desk.lock:
                advice = advise(scenario_of(state), CARE_DRAWS, cache=desk.lags)
            told = {"head": HEADS[advice.kind], "blocks": advice_blocks(advice, state["units"])}
        return render_template("page.html", **fields(state, answers=desk.answer(state, False), advice=told))

    @app.get("/answer")
    def part() -> str:
        state, rough = read_state(request.args), bool(request.args.get("rough"))
        return render_template("answer.html", **fields(state, answers=desk.answer(state, rough), rough=rough))

    @app.post("/readings")
    def readings() -> str:
        from driftmodel.calibration.fit import calibrate
        from driftmodel.calibration.readings import read_readings
        from driftmodel.outlook.drift import forecast
        from driftmodel.report.words import when_words

        state, text = read_state(request.args), request.form.get("readings", "")
        scenario = scenario_of(state)
        with tempfile.TemporaryDirectory() as at:
            path = Path(at) / "readings.csv"
            path.write_text(text, encoding="utf-8")
            try:
                book = read_readings(path, scenario)
            except BadInput as fault:
                raise BadInput(fault.came, fault.needed, place=fault.place, mend=fault.mend) from None
        with desk.lock:
            learned = forecast(scenario, unknowns=calibrate(scenario, book).draws)
        words = "After the readings: " + when_words(learned, scenario)
        return render_template(
            "page.html", **fields(state, answers=desk.answer(state, False), learned=words, readings=text)
        )

    @app.get("/report.zip")
    def report() -> Response:
        from driftmodel.outlook.drift import forecast
        from driftmodel.report.document import write_report

        state = read_state(request.args)
        scenario = scenario_of(state)
        packed = BytesIO()
        with desk.lock, tempfile.TemporaryDirectory() as at:
            paths = write_report(forecast(scenario), scenario, Path(at) / "report", state["units"])
            with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
                for path in paths:
                    archive.write(path, f"report/{path.name}")
        named = {"Content-Disposition": 'attachment; filename="report.zip"'}
        return Response(packed.getvalue(), mimetype="application/zip", headers=named)

    @app.get("/sheet")
    def sheet() -> str:
        from driftmodel.outlook.drift import forecast
        from driftmodel.report.sheet import owner_sheet

        scenario = scenario_of(read_state(request.args))
        with desk.lock:
            return owner_sheet(forecast(scenario), scenario, advise(scenario, CARE_DRAWS, cache=desk.lags))

    return app


def serve(port: int = PORT, open_browser: bool = False, ready: Callable[[], None] = lambda: None) -> None:
    """Serve the page on the loopback address until interrupted; `ready` is called once it answers.

    Raises BadInput when the port is taken.
    """
    from waitress import create_server  # type: ignore[import-untyped]

    try:
        server = create_server(create_app(), host=HOST, port=port, threads=4)
    except OSError as fault:
        raise BadInput(
            f"port {port} cannot be used ({fault.strerror})", "a free port", mend=f"--port {port + 1}"
        ) from fault
    ready()
    if open_browser:
        import webbrowser

        webbrowser.open(f"http://{HOST}:{port}/")
    try:
        server.run()
    finally:
        server.close()
