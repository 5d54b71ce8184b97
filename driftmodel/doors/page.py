"""The page: a local server on the loopback address that runs what-ifs and draws them. Nothing is fetched or sent."""

from __future__ import annotations

import tempfile
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import date
from io import BytesIO
from pathlib import Path
from threading import Lock
from typing import Any
from urllib.parse import urlencode

import numpy as np
from flask import Flask, Response, redirect, render_template, request

from driftmodel.advice.care import advise
from driftmodel.advice.records import Advice
from driftmodel.base.errors import BadInput, refusal
from driftmodel.base.keeping import Memory, fingerprint
from driftmodel.base.records import Scenario
from driftmodel.doors import page_state
from driftmodel.doors.page_guard import HOST, bounded_server, guard
from driftmodel.doors.page_view import Answer, answer
from driftmodel.outlook.chain import LagCache, run_chain
from driftmodel.outlook.draws import Draws, draw_unknowns
from driftmodel.outlook.drift import forecast
from driftmodel.outlook.levers import parse_what_if
from driftmodel.record.case import Case, open_case, some_of
from driftmodel.report.advice_words import advice_blocks
from driftmodel.report.texts import worded

ROUGH_DRAWS = 24
KEPT_ANSWERS, KEPT_WEATHERS = 32, 16  # two guitars of five weathers, and what a drag passes through


class Desk:
    """What one server keeps between questions: the user's guitars, lags by climate, what was learned and whole answers,
    all bounded, under one lock."""

    def __init__(self, folder: Path | None = None) -> None:
        self.lock = Lock()
        self.shelf = page_state.Shelf(folder)
        self.lags = LagCache(KEPT_WEATHERS)
        self.learned: Memory[Draws | None] = Memory(KEPT_WEATHERS)
        self.answers: Memory[Answer] = Memory(KEPT_ANSWERS)

    def case_of(self, state: Mapping[str, str]) -> Case:
        """What a state stands for, its levers moved. Raises BadInput as the levers do."""
        case = open_case(self.shelf.named(state["scenario"]).path)
        return replace(case, scenario=parse_what_if(case.scenario, page_state.what_if(state)))

    def unknowns_of(self, case: Case) -> Draws | None:
        """What a record's readings taught, as the command line learns it; None where there are none."""
        return self.learned.of(fingerprint(case.scenario, case.book), case.learned)

    def care_of(self, state: Mapping[str, str]) -> tuple[Case, Advice]:
        """What a state stands for, and advice on it."""
        with self.lock:
            case = self.case_of(state)
            return case, advise(case.scenario, unknowns=self.unknowns_of(case), cache=self.lags)

    def answers_to(self, state: Mapping[str, str], rough: bool) -> tuple[Answer, ...]:
        """One answer, or two on the same seed where the state compares."""
        rival = page_state.rival_state(state, self.shelf.options())
        with self.lock:
            first = self._answer(state, rough, None)
            return (first,) if rival is None else (first, self._answer(rival, rough, first.seed))

    def _answer(self, state: Mapping[str, str], rough: bool, seed: int | None) -> Answer:
        """Few draws in one weather while dragging; at rest the scenario's own draws, as the command line runs it."""
        case = self.case_of(state)
        scenario = case.scenario
        key = repr((sorted(state.items()), fingerprint(scenario, case.book), rough, seed))
        typed = self.shelf.named(state["scenario"]).typed
        said = page_state.command_line(state, None if seed in (None, scenario.seed) else seed, typed)
        drawn = scenario.seed if seed is None else seed

        def make() -> Answer:
            story, known = scenario, self.unknowns_of(case)
            if rough:
                story = replace(scenario, weather_members=1, draws=ROUGH_DRAWS)
                if known is not None:
                    known = some_of(replace(known, member=np.zeros_like(known.member)), ROUGH_DRAWS)
            chain = run_chain(story, known or draw_unknowns(story, story.draws, drawn), self.lags)
            return answer(chain, drawn, state["units"], said)

        return self.answers.of(key, make)


def create_app(folder: Path | None = None) -> Flask:
    """The page as a WSGI application. folder: records and scenarios of the user's own, offered before the stories."""
    app = Flask("driftmodel.doors.page", template_folder="page_assets", static_folder="page_assets",
                static_url_path="/assets", root_path=str(Path(__file__).parent))  # fmt: skip
    desk = Desk(folder)

    def state_asked() -> dict[str, str]:
        return page_state.read_state(request.args, desk.shelf.options())

    def fields(state: Mapping[str, str], **more: Any) -> dict[str, Any]:
        base: dict[str, Any] = {"rough": False, "fault": "", "advice": None, "learned": "", "readings": "", "bench": {}}
        base |= {"answers": (), "today": date.today().isoformat(), "reading": request.args.get("reading", "")[:200]}
        base |= {"day": request.args.get("date", "") or date.today().isoformat()}
        lists = page_state.choices(desk.shelf.options())
        return (
            base | {"state": state, "choices": lists, "sliders": page_state.SLIDERS, "query": urlencode(state)} | more
        )

    guard(app)

    @app.errorhandler(BadInput)
    def _fault(fault: BadInput) -> tuple[str, int]:
        """The message in the answer's place; the controls stay as they were, if they can be read at all."""
        try:
            state = state_asked()
        except BadInput:
            state = page_state.read_state({})
        template = "answer.html" if request.path == "/answer" else "page.html"
        given = request.form.get("readings", "")
        return render_template(template, **fields(state, fault=str(fault), readings=given)), 400

    @app.errorhandler(413)
    def _too_large(_: Exception) -> tuple[str, int]:
        told = BadInput("the readings are larger than a million bytes", "a table of readings", mend="send fewer rows")
        return render_template("page.html", **fields(page_state.read_state({}), fault=str(told))), 413

    @app.errorhandler(404)
    def _nothing_here(_: Exception) -> tuple[str, int]:
        told = refusal(f'there is no page "{request.path}". Needed: the page itself. Mend: http://{request.host}/')
        return render_template("page.html", **fields(page_state.read_state({}), fault=str(told))), 404

    @app.get("/")
    def page() -> str:
        state = state_asked()
        if not request.args and desk.shelf.options():  # a workshop's own guitars: which, is asked first
            return render_template("page.html", **fields(state))
        told: dict[str, Any] | None = None
        bench: dict[str, Any] = {}
        own = desk.shelf.named(state["scenario"])
        if request.args.get("care"):
            _, advice = desk.care_of(state)
            told = {"head": worded("advice_heads")[advice.kind], "blocks": advice_blocks(advice, state["units"])}
        words = request.args.get("reading", "").strip()[:200]
        if not told and (words or isinstance(own.path, Path)):
            with desk.lock:
                bench = page_state.bench_answer(own, words, request.args.get("date", "").strip(), state["units"])
        answers = desk.answers_to(state, False)
        return render_template("page.html", **fields(state, answers=answers, advice=told, bench=bench))

    @app.post("/open")
    def opened() -> Any:
        given = [(each.filename or "", each.read()) for each in request.files.getlist("files")]
        with desk.lock:
            name = desk.shelf.take(given)
        return redirect("/?" + urlencode({"scenario": name}), code=303)

    @app.get("/answer")
    def part() -> str:
        state, rough = state_asked(), bool(request.args.get("rough"))
        return render_template("answer.html", **fields(state, answers=desk.answers_to(state, rough), rough=rough))

    @app.post("/readings")
    def readings() -> str:
        state = state_asked()
        upload = request.files.get("file")
        given = upload.read() if upload and upload.filename else request.form.get("readings", "").encode()
        with desk.lock:
            learned = _learned(desk.case_of(state).scenario, given, state["units"])
        text = given.decode("utf-8", errors="replace")
        return render_template(
            "page.html", **fields(state, answers=desk.answers_to(state, False), learned=learned, readings=text)
        )

    @app.get("/report.zip")
    def report() -> Response:
        from driftmodel.report.document import write_report

        state = state_asked()
        packed = BytesIO()
        with desk.lock, tempfile.TemporaryDirectory() as at:
            case = desk.case_of(state)
            told = forecast(case.scenario, unknowns=desk.unknowns_of(case))
            paths = write_report(told, case.scenario, Path(at) / "report", state["units"])
            with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
                for path in paths:
                    archive.write(path, f"report/{path.name}")
        named = {"Content-Disposition": 'attachment; filename="report.zip"'}
        return Response(packed.getvalue(), mimetype="application/zip", headers=named)

    @app.get("/sheet")
    def sheet() -> str:
        from driftmodel.report.advice_report import owner_sheet

        case, advice = desk.care_of(state_asked())
        return owner_sheet(case.scenario, advice, tag=case.tag)

    return app


def _learned(scenario: Scenario, given: bytes, units: str) -> str:
    """What the calibrate command says of these readings, and when a regrade is then due."""
    from driftmodel.calibration.diagnosis import diagnose
    from driftmodel.calibration.fit import learn
    from driftmodel.calibration.readings import read_readings
    from driftmodel.calibration.shown import as_calibration
    from driftmodel.report.calibration_words import calibration_summary
    from driftmodel.report.words import when_words

    with tempfile.TemporaryDirectory() as at:
        path = Path(at) / "readings.csv"
        path.write_bytes(given)
        try:
            book = read_readings(path, scenario)
        except BadInput as fault:
            raise fault.at("the readings", fault.place) from None
    scenario = book.carried_by(scenario)
    posterior = learn(scenario, book)
    found = as_calibration(posterior)
    told = calibration_summary(found, diagnose(posterior, found.fitted), units)
    then = when_words(forecast(scenario, unknowns=found.draws), scenario)
    return f"{then}\n\n{told}"


def serve(port: int, open_browser: bool, ready: Callable[[], None], folder: Path | None) -> None:
    """Serve the page on the loopback address until interrupted; `ready` is called once it answers.

    Raises BadInput when the port is taken."""
    try:
        server = bounded_server(create_app(folder), port)
    except OSError as fault:
        raise refusal(
            f"port {port} cannot be used ({fault.strerror}). Needed: a free port. Mend: --port {port + 1}"
        ) from fault
    ready()
    if open_browser:
        import webbrowser

        webbrowser.open(f"http://{HOST}:{port}/")
    try:
        server.run()
    finally:
        server.close()
