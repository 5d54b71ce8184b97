"""The bench's page: a guitar of one's own, from a record or a scenario, and what today's reading of it calls for."""

from __future__ import annotations

import re
import shutil
import tempfile
from collections import OrderedDict
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from threading import Lock
from typing import Any
from urllib.parse import urlencode

from flask import Flask, redirect, render_template, request
from werkzeug.wrappers import Response

from driftmodel.base.errors import BadInput
from driftmodel.base.opened import bytes_of
from driftmodel.base.record_file import RECORD, is_record
from driftmodel.base.scenarios import scenario_names
from driftmodel.doors.bench_commands import decided
from driftmodel.doors.page_picture import path_picture
from driftmodel.outlook.work import fitted_spacer
from driftmodel.record.case import open_case
from driftmodel.record.words import timeline
from driftmodel.report.decision_words import CAUTION, decision_facts, headline, option_rows

KEPT_UPLOADS, MOST_FILES = 8, 12
SAFE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _.-]{0,80}\.(toml|csv)")


@dataclass(frozen=True)
class Own:
    """A guitar that can be opened: its name in the list, where its files stand, what to type for it in a terminal."""

    words: str
    path: Path | str
    typed: str


class Shelf:
    """The guitars on offer: the folder given at start, what was uploaded, and the shipped stories."""

    def __init__(self, folder: Path | None) -> None:
        self.folder = folder
        self.uploads: OrderedDict[str, tuple[Path, str]] = OrderedDict()
        self.room: tempfile.TemporaryDirectory[str] | None = None

    def all(self) -> dict[str, Own]:
        """By the name the address carries; what cannot be opened is listed too and told when it is chosen."""
        found: dict[str, Own] = {}
        if self.folder is not None:
            for path in sorted(self.folder.iterdir()):
                if is_record(path) and path.is_dir():
                    found[f"own:{path.name}"] = Own(path.name, path, str(path))
                elif path.suffix == ".toml" and "[setup]" in _text(path):
                    found[f"own:{path.name}"] = Own(path.stem, path, str(path))
        for name, (path, words) in self.uploads.items():
            found[f"up:{name}"] = Own(f"{words} (uploaded)", path, words)
        for name in scenario_names():
            found[f"story:{name}"] = Own(f"{name} (invented)", name, name)
        return found

    def take(self, files: list[tuple[str, bytes]]) -> str:
        """Puts uploaded files into a folder of their own and returns its name in the list. Raises BadInput."""
        given = [(Path(name).name, content) for name, content in files if name]
        if not given:
            raise BadInput("no file was chosen", "record.toml and bench.csv, or a scenario", mend="choose the files")
        if len(given) > MOST_FILES or any(not SAFE_NAME.fullmatch(name) for name, _ in given):
            raise BadInput(
                "files of other kinds or names",
                f"{MOST_FILES} .toml or .csv files at most",
                mend="record.toml, bench.csv",
            )
        if self.room is None:
            self.room = tempfile.TemporaryDirectory(prefix="driftmodel-page-")
        folder = Path(tempfile.mkdtemp(dir=self.room.name))
        key = folder.name
        for name, content in given:
            (folder / name).write_bytes(content)
        names = [name for name, _ in given]
        if RECORD in names:
            self.uploads[key] = (folder, "record")
        else:
            stories = [name for name in names if name.endswith(".toml") and "[setup]" in _text(folder / name)]
            if len(stories) != 1:
                shutil.rmtree(folder, ignore_errors=True)
                raise BadInput(
                    f"{len(stories)} scenarios among the files",
                    "one record.toml or one scenario file",
                    mend="record.toml",
                )
            self.uploads[key] = (folder / stories[0], Path(stories[0]).stem)
        while len(self.uploads) > KEPT_UPLOADS:
            _, (gone, _) = self.uploads.popitem(last=False)
            shutil.rmtree(gone if gone.is_dir() else gone.parent, ignore_errors=True)
        return f"up:{key}"


def _text(path: Path) -> str:
    try:
        return bytes_of(path, "a file", first=200_000).decode("utf-8", errors="replace")
    except BadInput:
        return ""


def add_bench(app: Flask, folder: Path | None, lock: Lock) -> None:
    """Adds /bench to the app."""
    shelf = Shelf(folder)

    def shown(fault: str = "", **more: Any) -> str:
        own = shelf.all()
        chosen = request.args.get("guitar", "")
        state = {
            "guitar": chosen if chosen in own else next(iter(own)),
            "reading": request.args.get("reading", "")[:200],
            "date": request.args.get("date", "") or date.today().isoformat(),
            "units": "inch" if request.args.get("units") == "inch" else "metric",
        }
        return render_template("bench.html", own=own, state=state, fault=fault, query=urlencode(state), **more)

    @app.get("/bench")
    def bench() -> tuple[str, int] | str:
        if not request.args.get("guitar"):
            return shown()
        try:
            with lock:
                return shown(**_answer(shelf))
        except BadInput as fault:
            return shown(str(fault)), 400

    @app.post("/bench/open")
    def opened() -> Response | tuple[str, int]:
        try:
            given = [(each.filename or "", each.read()) for each in request.files.getlist("files")]
            with lock:
                name = shelf.take(given)
        except BadInput as fault:
            return shown(str(fault)), 400
        return redirect("/bench?" + urlencode({"guitar": name}), code=303)


def _answer(shelf: Shelf) -> dict[str, Any]:
    """What the page shows of a guitar: its story, and the decision where there is a reading to decide about."""
    own = shelf.all().get(request.args["guitar"])
    if own is None:
        raise BadInput(f'no guitar "{request.args["guitar"]}"', "one of the list", mend="choose one")
    units = "inch" if request.args.get("units") == "inch" else "metric"
    words, day = request.args.get("reading", "").strip()[:200], request.args.get("date", "").strip()
    when = day or date.today().isoformat()
    case = open_case(own.path, None)
    told: dict[str, Any] = {
        "title": case.scenario.title,
        "lines": timeline(case, units)[-8:],
        "spacer": fitted_spacer(case.scenario),
        "place": case.scenario.stays[-1].climate.title.split(" (")[0],
    }
    if not words and not case.book.readings:
        return told
    decision, taken = decided(case, (words,) if words else (), when)
    reading = f' --reading "{words}"' if words else ""
    return told | {
        "headline": headline(decision, units),
        "rows": option_rows(decision, units),
        "facts": decision_facts(decision, units),
        "taken": "; ".join(taken),
        "caution": CAUTION,
        "picture": path_picture(decision, case.book.readings, units),
        "command": f"driftmodel grade {own.typed}{reading} --date {when}",
    }
