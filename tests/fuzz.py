"""Spoilt files of every kind through the readers of every door: each ends in success or in one BadInput.

    python tests/fuzz.py --count 20000 --seed 1 [--kinds logger,grid] [--keep failures]

Bytes are flipped, cut, doubled and replaced; keys, cells and attributes get values nobody means. A child does the
reading with bounded time and memory, so a file that ends its process is counted like any other failure. Failures are
written with what they raised into the folder --keep; the exit code is 1 when there is one.
"""

from __future__ import annotations

import argparse
import csv
import io
import json
import os
import random
import re
import resource
import shutil
import signal
import sys
import tempfile
import traceback
import warnings
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT))
#: of the processor, for one file; a reader takes well under a second
SECONDS = 20
MEMORY_BYTES = 3_000_000_000
#: files a child reads before a fresh one takes over
BATCH = 1000

HOSTILE_VALUES = (
    "nan", "inf", "-inf", "1e999", "-0.0", "0", "-1", "1e-300", "1e300", "9" * 400, "9" * 5000, "true", '""',
    '"x"', "[]", "[[]]", "{}", "[1, [2]]", '"\\u0000"', '"../../../etc/passwd"', '"' + "x" * 5000 + '"', "1979-05-27",
    "9999-12-31", "0001-01-01", "9999-12-31T23:59Z", "00:00:00", '"9999-12-31"', "1000000000", "-9223372036854775809",
    "0x7f", "{a = 1}", '[{a = 1}, "b"]', '"=1+1"', '"/dev/zero"', '"."', '"~"', '"a\\nb"', '"\\uD7FF"', "'''x'''",
    "[" * 600 + "]" * 600, "[nan]", "[inf, inf, inf, inf, inf, inf, inf, inf, inf, inf, inf, inf]", "1_000", "1e9",
)  # fmt: skip
HOSTILE_CELLS = (
    "", " ", "nan", "inf", "-inf", "1e999", "9" * 400, "9" * 5000, "-1", "1e9", "0x10", "1,5", "1.5.5", "x" * 140_000,
    '"', '""', "'", "=1+1", "@x", "\0", "\ufeff", "\u202e", "9999-12-31", "0000-00-00", "2026-13-45", "2026-02-30",
    "2262-04-12", "1677-09-20", "9999-12-31 23:59", "2026-03-29 02:30", "24:00", "true", "None", "N/A", "--", "１２",
    "²", "1_0", "1e", "e5", "--5", "\r", "a\nb", "45 %", "21 °C", "70 F",
)  # fmt: skip
HOSTILE_BYTES = (
    b"\0", b"\xff", b"\xfe\xff", b"\xef\xbb\xbf", b"\r", b"\n", b'"', b"'", b"[", b"]", b"{", b"=", b"#", b",", b";",
    b"\t", b"\x1b[31m", b"\xed\xa0\x80", b"\xc0\x80", b"\x80", b"\x1a", b'"""', b"\x00" * 64, b"9" * 5000, b"[" * 2000,
    b"\xe2\x80\xae", b"\x85", b"\xa0", b"PK\x03\x04", b"CDF\x01", b"\x89HDF\r\n\x1a\n",
)  # fmt: skip
WORDS = (
    "what-if humidifier=45, winter heating=19",
    "what-if place=damp_coast",
    "reading action=2.9 mm",
    "reading weight=2.1 kg",
    "state scenario=first-winter&humidifier=40&place=cold_city_heated&units=inch",
)
ATTRIBUTES = ("units", "standard_name", "_FillValue", "scale_factor", "add_offset", "calendar", "bounds", "coordinates")


@dataclass(frozen=True)
class Kind:
    """A kind of file: the file as it should be, how it is spoilt beside its bytes, and what reads it."""

    file: Path
    spoil: Callable[[bytes, random.Random], bytes]
    read: Callable[[Path], Any]
    weight: float = 1.0


def spoilt_bytes(content: bytes, chance: random.Random) -> bytes:
    """One to three changes of the bytes themselves."""
    held = bytearray(content)
    for _ in range(chance.choice((1, 1, 1, 2, 3))):
        at = chance.randrange(len(held) + 1)
        until = min(len(held), at + chance.choice((1, 1, 2, 8, 64, 1024)))
        match chance.randrange(8):
            case 0 if held:
                held[min(at, len(held) - 1)] ^= 1 << chance.randrange(8)
            case 1:
                held[at:at] = chance.choice(HOSTILE_BYTES)
            case 2:
                del held[at:until]
            case 3:
                held[at:at] = held[at:until] * chance.choice((1, 2, 50))
            case 4:
                del held[at:]
            case 5:
                held[at:until] = chance.randbytes(until - at)
            case 6:
                held = bytearray(bytes(held).decode("utf-8", errors="replace").encode(chance.choice(
                    ("utf-16", "utf-16-be", "latin-1", "utf-32", "cp037")), errors="replace"))  # fmt: skip
            case _:
                held[at:until] = bytes(chance.choice(HOSTILE_BYTES)[:1]) * (until - at)
    return bytes(held)


def spoilt_toml(content: bytes, chance: random.Random) -> bytes:
    """Lines of a TOML file with other values, other keys, twice, gone, or out of place."""
    lines = content.decode("utf-8").splitlines()
    for _ in range(chance.choice((1, 1, 2, 4))):
        at = chance.randrange(len(lines))
        found = re.match(r"^(\s*[\w.\"-]+\s*=\s*)(.*)$", lines[at])
        match chance.randrange(9):
            case 0:
                del lines[at]
            case 1:
                lines.insert(at, lines[at])
            case 2:
                lines.insert(at, lines.pop(chance.randrange(len(lines))))
            case 3 if found:
                lines[at] = lines[at].replace("=", chance.choice(("_x =", ".a.b =", "_in =", "_degf =", "_lbf =")), 1)
            case 4:
                lines.insert(
                    at, chance.choice(("[a.b.c]", "[[stay]]", "[numbers]", "x = 1", "[setup]", "." * 9, "a" * 9000))
                )
            case 5 if found and "," in found[2]:
                parts = found[2].split(",")
                parts[chance.randrange(len(parts))] = " " + chance.choice(HOSTILE_VALUES)
                lines[at] = found[1] + ",".join(parts)
            case 6 if found and re.search(r"\d", found[2]):
                number = lambda _: chance.choice(HOSTILE_VALUES[:14])  # noqa: E731
                lines[at] = found[1] + re.sub(r"-?\d+(\.\d+)?", number, found[2], count=1)
            case _ if found:
                lines[at] = found[1] + chance.choice(HOSTILE_VALUES)
        lines = lines or [""]
    return "\n".join(lines).encode("utf-8", errors="surrogatepass")


def spoilt_table(content: bytes, chance: random.Random) -> bytes:
    """Cells, rows and columns of a delimited file changed, and its delimiter."""
    text = content.decode("utf-8")
    lines = text.splitlines()
    head = next((n for n, line in enumerate(lines) if line.strip() and not line.startswith("#")), 0)
    mark = max(",;\t", key=lines[head].count)
    for _ in range(chance.choice((1, 1, 2, 5))):
        at = chance.choice((head, chance.randrange(len(lines)), min(len(lines) - 1, head + 1)))
        cells = lines[at].split(mark)
        place = chance.randrange(len(cells))
        match chance.randrange(9):
            case 0:
                del cells[place]
            case 1:
                cells.insert(place, chance.choice(HOSTILE_CELLS))
            case 2:
                lines.insert(at, lines[chance.randrange(len(lines))])
                continue
            case 3:
                mark_now = chance.choice((";", "\t", "|", " ", ",,"))
                lines = [line.replace(mark, mark_now) for line in lines]
                continue
            case 4:
                chance.shuffle(cells)
            case 5 if len(lines) > 2:
                del lines[chance.randrange(len(lines))]
                head, at = min(head, len(lines) - 1), min(at, len(lines) - 1)
                continue
            case _:
                cells[place] = chance.choice(HOSTILE_CELLS)
        lines[at] = mark.join(cells)
    return "\n".join(lines).encode("utf-8", errors="surrogatepass")


def spoilt_grid(content: bytes, chance: random.Random) -> bytes:
    """Attributes, names, shapes and calendar of a NetCDF file changed by a writer that knows the format."""
    import numpy as np
    import xarray as xr

    with xr.open_dataset(io.BytesIO(content), decode_times=False, engine="scipy") as opened:
        made = opened.load()
    values: tuple[Any, ...] = (
        "",
        "x",
        1,
        float("nan"),
        "K",
        "%",
        [1, 2],
        "hours since 0000-00-00",
        "days since 9999-12-31",
        "fortnights since 2021",
        "days since 2021-01-01 00:00:00 +99:00",
    )
    calendars = ("noleap", "360_day", "julian", "none", "", "gregorian", "proleptic_gregorian", "365_day", "x", 5)
    for _ in range(chance.choice((1, 1, 2, 3))):
        name = chance.choice(list(made.variables) or ["none"])
        if name not in made.variables:
            continue
        match chance.randrange(9):
            case 0:
                made[name].attrs[chance.choice(ATTRIBUTES)] = chance.choice(values)
            case 1:
                made = made.drop_vars(name)
            case 2:
                made = made.rename(
                    {name: chance.choice(("time", "lat", "x", "y", "tas", "a b", "z"))} if chance.random() < 2 else {}
                )
            case 3 if "time" in made.variables:
                made["time"].attrs["calendar"] = chance.choice(calendars)
            case 4 if "time" in made.variables:
                made["time"].attrs["units"] = chance.choice(values[7:])
            case 5 if made.sizes:
                dim = chance.choice(list(made.sizes))
                made = made.isel({dim: slice(0, chance.choice((0, 1, 2)))})
            case 6:
                made[name] = made[name].astype(chance.choice(("S1", "i1", "f4", "i2")))
            case 7 if made[name].size and made[name].dtype.kind == "f":
                flat = made[name].values.reshape(-1)
                flat[chance.randrange(flat.size)] = chance.choice((np.nan, np.inf, -1e30, 1e30, 9.97e36))
            case _ if made.sizes:
                made = made.rename({chance.choice(list(made.sizes)): chance.choice(("time", "p", "lat", "station"))})
    return bytes(made.to_netcdf(engine="scipy"))


def kinds(world: Path) -> dict[str, Kind]:
    """Every kind of file a user gives, as a good file in `world` and the reader the doors use."""
    from driftmodel.base import library
    from driftmodel.base.scenario_file import read_learned
    from driftmodel.base.scenarios import find_instrument, load_climate, load_scenario
    from driftmodel.base.tomlfile import read_toml
    from driftmodel.calibration.readings import read_readings
    from driftmodel.calibration.said import reading_said
    from driftmodel.climate.history import read_air
    from driftmodel.climate.weather import read_weather
    from driftmodel.doors.page import Desk
    from driftmodel.doors.page_state import read_state
    from driftmodel.fleet.reading import read_fleet
    from driftmodel.maps.grid import read_grid
    from driftmodel.outlook.chain import run_chain
    from driftmodel.outlook.draws import draw_unknowns
    from driftmodel.outlook.levers import parse_what_if
    from driftmodel.record.case import open_case

    scenario = load_scenario("first-winter")
    today = date(2040, 1, 1)
    fleet = world / "fleets" / "two-regions.toml"

    def fleet_with(name: str) -> Callable[[Path], Any]:
        def read(path: Path) -> Any:
            text = fleet.read_text(encoding="utf-8").replace(f"two-regions-{name}.csv", path.name)
            at = path.parent / "fleet-with.toml"
            at.write_text(text, encoding="utf-8")
            return read_fleet(at)

        return read

    def run_of(path: Path) -> None:
        """What a door does with a scenario that loads: a few draws of one weather."""
        loaded = load_scenario(path)
        few = replace(
            loaded, draws=min(loaded.draws, 10), weather_members=1, horizon_years=min(2, loaded.horizon_years)
        )
        run_chain(few, draw_unknowns(few, few.draws, few.seed))

    def record_with(name: str) -> Callable[[Path], Any]:
        def read(path: Path) -> Any:
            folder = path.parent / f"record of {path.stem}"
            folder.mkdir(exist_ok=True)
            for each in ("record.toml", "bench.csv"):
                shutil.copy(path if each == name else made[each], folder / each)
            return open_case(folder, today)

        return read

    def words(path: Path) -> None:
        """Words of options and addresses, a line each."""
        for line in path.read_bytes().decode("utf-8", errors="surrogateescape").split("\n"):
            kind, _, rest = line.partition(" ")
            if kind == "what-if":
                parse_what_if(scenario, rest)
            elif kind == "reading":
                reading_said(rest, scenario, date(2027, 2, 10), scenario.setup.spacer)
            elif kind == "state":
                Desk().case_of(read_state(dict(part.partition("=")[::2] for part in rest.split("&"))))

    made = made_files(world)
    return {
        "scenario": Kind(world / "mine.toml", spoilt_toml, load_scenario, 2.0),
        "scenario run": Kind(world / "mine.toml", spoilt_toml, run_of, 0.1),
        "instrument": Kind(world / "instruments" / "large_x_braced.toml", spoilt_toml, find_instrument, 2.0),
        "climate": Kind(world / "climates" / "cold_city_humidified.toml", spoilt_toml, load_climate, 1.0),
        "logger climate": Kind(made["logger.toml"], spoilt_toml, load_climate, 1.0),
        "species": Kind(made["sitka_spruce.toml"], spoilt_toml, library.read_wood, 2.0),
        "numbers": Kind(made["drift.toml"], spoilt_toml, library.read_numbers, 1.0),
        "fleet": Kind(fleet, spoilt_toml, read_fleet, 1.0),
        "units": Kind(made["units.csv"], spoilt_table, fleet_with("units"), 1.0),
        "claims": Kind(made["claims.csv"], spoilt_table, fleet_with("claims"), 1.0),
        "plan": Kind(fleet.parent / "two-regions-plan.csv", spoilt_table, fleet_with("plan"), 0.5),
        "rates": Kind(fleet.parent / "two-regions-rates.csv", spoilt_table, fleet_with("rates"), 0.5),
        "readings": Kind(world / "readings" / "two-winters.csv", spoilt_table,
                         lambda path: read_readings(path, load_scenario("two-winters"), today), 2.0),
        "logger": Kind(made["logger.csv"], spoilt_table, lambda path: read_air(path, time_zone="UTC"), 2.0),
        "logger of a zone": Kind(made["zoned.csv"], spoilt_table,
                                 lambda path: read_air(path, time_zone="Europe/Berlin", gap_policy="hold"), 1.0),
        "history": Kind(made["logger.csv"], spoilt_table, lambda path: read_air(path, time_zone="UTC"), 0.5),
        "weather": Kind(world / "weather" / "chicago.csv", spoilt_table, read_weather, 0.3),
        "epw": Kind(made["place.epw"], spoilt_table, read_weather, 0.3),
        "record": Kind(made["record.toml"], spoilt_toml, record_with("record.toml"), 1.0),
        "bench": Kind(made["bench.csv"], spoilt_table, record_with("bench.csv"), 1.0),
        "learned": Kind(made["learned.toml"], spoilt_toml, read_learned, 0.5),
        "grid": Kind(made["grid.nc"], spoilt_grid, read_grid, 1.0),
        "grid of HDF": Kind(made["grid4.nc"], spoilt_bytes, read_grid, 0.4),
        "words": Kind(made["words.txt"], spoilt_table, words, 1.0),
        "toml": Kind(world / "mine.toml", spoilt_bytes, read_toml, 0.5),
    }  # fmt: skip


def made_files(world: Path) -> dict[str, Path]:
    """Good files that are not shipped: a logger's, an EPW, a grid in both formats, a short fleet."""
    import numpy as np
    import xarray as xr

    from driftmodel.base.scenario_file import LearnedPrior, learned_text
    from driftmodel.record.add import add, create

    def put(name: str, text: str) -> None:
        (world / name).write_text(text, encoding="utf-8")

    hours = np.datetime64("2026-04-01T00:00", "m") + 60 * np.arange(400)
    rows = [f"{str(t).replace('T', ' ')},{20 + i % 5},{40 + i % 9}.5" for i, t in enumerate(hours)]
    put("logger.csv", "\n".join(["time,temperature (°C),relative humidity (%)", *rows]) + "\n")
    zoned = [f"{t.astype(object):%d.%m.%Y;%H:%M};{20 + i % 5},5;{40 + i % 9},5" for i, t in enumerate(hours)]
    put("zoned.csv", "\n".join(["Gerät;X;;", "Datum;Uhrzeit;Temperatur °C;Feuchte %", *zoned]) + "\n")
    logger = 'file = "logger.csv"\ntime_zone = "UTC"\ngap_policy = "hold"\nrepeat_years = true\n'
    case = "[case]\nhalf_time_days = 7.0\nout_of_case_share = 0.1\n"
    put("logger.toml", f'title = "x"\ninvented = true\n[logger]\n{logger}{case}')
    with (world / "weather" / "chicago.csv").open(encoding="utf-8") as stream:
        body = [row for row in csv.reader(stream) if row and row[0].isdigit()]
    epw = [",".join(["2001", *row[:3], "0", "?", row[3], row[4], row[5], *["0"] * 26]) for row in body]
    put("place.epw", "\n".join(["LOCATION,X,Y,Z,made up,1,0,0,0,0", *["x"] * 7, *epw]) + "\n")
    for name, most in (("units", 60), ("claims", 60)):
        lines = (world / "fleets" / f"two-regions-{name}.csv").read_text(encoding="utf-8").splitlines()
        put(f"{name}.csv", "\n".join(lines[:most]) + "\n")
    for path in (ROOT / "species_data" / "woods" / "sitka_spruce.toml", ROOT / "species_data" / "drift.toml"):
        shutil.copy(path, world / path.name)
    if not (world / "record.toml").exists():
        told = {"design": "large_x_braced", "home": "cold_city_heated", "set_up": "2022-09-25", "action": "2.3 mm",
                "spacer": "J", "serial": "FH-0012", "owner": "shelf 3"}  # fmt: skip
        create(world / "ada", told)
        add(world / "ada", ("action 7/64 in at 38 % 21 C after 2 h", "spacer K", "saddle -0.5 mm"), date(2023, 2, 1))
        for name in ("record.toml", "bench.csv"):
            shutil.copy(world / "ada" / name, world / name)
    put("learned.toml", learned_text("x", "y", ((LearnedPrior("residual_gain", 1.1, 0.3, "y"), "z"),)))
    put("words.txt", "\n".join(WORDS) + "\n")
    dims = ("time", "lat", "lon")
    day = np.arange(366.0)[:, None, None] + np.zeros((366, 2, 2))
    grid = xr.Dataset(
        {"tas": (dims, 285.0 + np.sin(day), {"units": "K", "standard_name": "air_temperature"}),
         "hurs": (dims, 50.0 + 9 * np.sin(day), {"units": "%", "standard_name": "relative_humidity"})},
        {"time": ("time", np.arange(366.0), {"units": "days since 2020-01-01", "calendar": "standard"}),
         "lat": [50.0, 49.0], "lon": [5.0, 6.0]},
    )  # fmt: skip
    (world / "grid.nc").write_bytes(bytes(grid.to_netcdf(engine="scipy")))
    grid.to_netcdf(world / "grid4.nc", engine="h5netcdf")
    return {path.name: path for path in world.iterdir() if path.is_file()}


def world_in(folder: Path) -> Path:
    """A folder of the user's with copies of all that is shipped."""
    shutil.copytree(ROOT / "scenarios", folder, dirs_exist_ok=True)
    shutil.copy(folder / "first-winter.toml", folder / "mine.toml")
    return folder


def spoilt(kind: Kind, seed: str) -> bytes:
    """The file of this seed: bytes or structure."""
    chance = random.Random(seed)
    content = kind.file.read_bytes()
    if chance.random() < 0.4:
        return spoilt_bytes(content, chance)
    try:
        return kind.spoil(content, chance)
    except Exception:  # the spoiler's own writer refuses some of its own faults
        return spoilt_bytes(content, chance)


def outcome(kind: Kind, path: Path) -> str | None:
    """None for success or a BadInput in one line; else what went wrong, in one line, with its place."""
    from driftmodel.base.errors import BadInput

    try:
        kind.read(path)
    except BadInput as fault:
        told = str(fault)
        if not told.isprintable() or len(told) > 20_000:
            return f"a message of {len(told)} signs, printable: {told.isprintable()}"
    except MemoryError:
        return "MemoryError"
    except BaseException as fault:
        if isinstance(fault, KeyboardInterrupt):
            raise
        where = [frame for frame in traceback.extract_tb(fault.__traceback__) if "driftmodel" in frame.filename]
        last = f"{Path(where[-1].filename).name}:{where[-1].lineno}" if where else "outside"
        return f"{type(fault).__name__} at {last}: {str(fault)[:120]!r}"
    return None


class TooSlow(BaseException):
    pass


def _alarm(*_: Any) -> None:
    raise TooSlow


def _child(cases: list[tuple[str, str]], world: Path, report: int) -> None:
    """Reads the cases; before each, its number goes into the pipe, after a failure what it was."""
    signal.signal(signal.SIGPROF, _alarm)
    warnings.simplefilter("ignore")
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    all_kinds = kinds(world)
    at = world / "spoilt"
    at.mkdir(exist_ok=True)
    for beside in ("instruments", "climates", "weather", "logger.csv", *map(str, (world / "fleets").glob("*.csv"))):
        if not (at / Path(beside).name).exists():
            (at / Path(beside).name).symlink_to(world / beside)
    for kind in all_kinds.values():
        path = at / f"given{kind.file.suffix}"
        path.write_bytes(kind.file.read_bytes())
        kind.read(path)  # a reader that takes nothing would find nothing
    for number, (name, seed) in enumerate(cases):
        os.write(report, f"{json.dumps([number, None])}\n".encode())
        kind = all_kinds[name]
        path = at / f"given{kind.file.suffix}"
        path.write_bytes(spoilt(kind, seed))
        signal.setitimer(signal.ITIMER_PROF, SECONDS)
        told = outcome(kind, path)
        signal.setitimer(signal.ITIMER_PROF, 0)
        if told:
            os.write(report, f"{json.dumps([number, told])}\n".encode())


def run(cases: list[tuple[str, str]], world: Path) -> dict[tuple[str, str], str]:
    """What went wrong, by case."""
    failures: dict[tuple[str, str], str] = {}
    while cases:
        read, write = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(read)
            code = 1
            try:
                with open(os.devnull, "w") as nothing:
                    os.dup2(nothing.fileno(), 2)
                _child(cases[:BATCH], world, write)
                code = 0
            finally:
                os._exit(code)
        os.close(write)
        last = -1
        with os.fdopen(read) as lines:
            for line in lines:
                last, told = json.loads(line)
                if told:
                    failures[cases[last]] = told
        _, status = os.waitpid(child, 0)
        if last < 0:
            sys.exit("a good file was not read: mend the reader or the file in made_files")
        if status:
            failures.setdefault(cases[last], f"the process ended with status {status}")
            cases = cases[last + 1 :]
        else:
            cases = cases[BATCH:]
    return failures


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--count", type=int, default=2000)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--kinds", default="", help="names with commas; all if not given")
    words.add_argument("--keep", type=Path, help="folder for the files that failed")
    given = words.parse_args()
    warnings.simplefilter("ignore")
    with tempfile.TemporaryDirectory() as at:
        world = world_in(Path(at))
        all_kinds = kinds(world)
        names = [name.strip() for name in given.kinds.split(",") if name.strip()] or list(all_kinds)
        chance = random.Random(given.seed)
        weights = [all_kinds[name].weight for name in names]
        chosen = chance.choices(names, weights, k=given.count)
        cases = [(name, f"{given.seed}/{name}/{number}") for number, name in enumerate(chosen)]
        failures = run(list(cases), world)
        for number, ((name, seed), told) in enumerate(failures.items()):
            if given.keep:
                given.keep.mkdir(parents=True, exist_ok=True)
                file = given.keep / f"{number:04d}-{name.replace(' ', '-')}{all_kinds[name].file.suffix}"
                file.write_bytes(spoilt(all_kinds[name], seed))
                file.with_suffix(file.suffix + ".txt").write_text(f"{seed}\n{told}\n", encoding="utf-8")
    print(f"{len(cases)} files, {len(failures)} failures")
    alike = Counter((name, re.sub(r": '.*| [\"].*", "", told)) for (name, _), told in failures.items())
    for (name, told), count in alike.most_common():
        print(f"{count:6d}  {name}: {told}")
    sys.exit(bool(failures))


if __name__ == "__main__":
    main()
