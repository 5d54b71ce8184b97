"""The library of numbers: woods, finishes, general numbers and their sources, read from species_data when asked for.

A number that physics is to use is asked for by `general`, `number` or `finish_permeance`, which note that it is used.

A number that lacks value, unit, spread, spread_kind, source or status, or that names a source not listed in
sources.toml, does not load. Every fault of a file or a name is a BadInput.
"""

from __future__ import annotations

import os
import re
from dataclasses import replace
from functools import cache
from math import exp, isnan, log
from pathlib import Path
from typing import Any

from driftmodel.base.errors import BadInput, near_match, near_matches
from driftmodel.base.frozen import Frozen
from driftmodel.base.materials import Datum, Disagreement, Finish, Wood, note
from driftmodel.base.opened import MOST_TOML_MB, is_there, parsed_toml, species_data_dir, text_of

#: shipped folder; the user's own files with time of change and size
Places = tuple[Path, tuple[tuple[Path, int, int], ...]]
#: environment variable that names the folder of the user's own woods and finishes
OWN = "DRIFTMODEL_WOODS"
SPREAD_KINDS = ("sd", "cv_pct", "factor")
#: files beside the general numbers that hold something else
OTHER_FILES = ("sources.toml", "finishes.toml")
_NEEDED = ("value", "unit", "spread", "spread_kind", "source", "status")
_SHAPE = '{value = 0.001, unit = "1/%", spread = 15, spread_kind = "cv_pct", source = "...", status = "..."}'
#: smallest log-spread of a stand-in number: a stranger's mean is never trusted better than this (about 30 %)
_STAND_IN_LEAST_LOG_SD = 0.30


# ---- reading one file ------------------------------------------------------------------------------------------


def read_toml(path: Path) -> dict[str, Any]:
    """The tables of a TOML file. Raises BadInput when it is missing or is not TOML."""
    return parsed_toml(text_of(path, "a data file", mend="put the file back", most_mb=MOST_TOML_MB), path)


def read_datum(raw: Any, file: Path, place: str) -> Datum:
    """One number from its TOML table. Raises BadInput naming file and key when anything it must carry is missing."""
    if not isinstance(raw, dict):
        came = "no number" if raw is None else f"a bare {type(raw).__name__}"
        raise BadInput(came, "a number with its unit and source", file=file, place=place,
                       mend=f"{place} = {_SHAPE}")  # fmt: skip
    for key in _NEEDED:
        if key not in raw or raw[key] == "":
            raise BadInput(f"the number has no {key}", "value, unit, spread, spread_kind, source and status",
                           file=file, place=place, mend=f"{place} = {_SHAPE}")  # fmt: skip
    for extra in sorted(set(raw) - {*_NEEDED, "note"}):
        raise BadInput(f'the number has an unknown key "{extra}"', "only " + ", ".join((*_NEEDED, "note")),
                       file=file, place=place, mend=f'remove "{extra}" or spell it right')  # fmt: skip
    for key in ("value", "spread"):
        number_given = raw[key]
        if isinstance(number_given, bool) or not isinstance(number_given, int | float) or not _can_be(number_given):
            raise BadInput(f"{key} is {number_given!r}", "a number", file=file, place=place, mend=f"{key} = 0.001")
    for key in ("unit", "spread_kind", "source", "status", "note"):
        if not isinstance(raw.get(key, ""), str):
            raise BadInput(f"{key} is {raw[key]!r}", "words in quotes", file=file, place=place, mend=f'{key} = "..."')
    if raw["spread_kind"] not in SPREAD_KINDS:
        raise BadInput(f'spread_kind is "{raw["spread_kind"]}"', "one of " + ", ".join(SPREAD_KINDS), file=file,
                       place=place, mend='spread_kind = "cv_pct"')  # fmt: skip
    if raw["spread"] < 0 or (raw["spread_kind"] == "factor" and raw["spread"] < 1):
        raise BadInput(f"spread is {raw['spread']}", "zero or more; a factor is 1 or more", file=file, place=place,
                       mend="spread = 15")  # fmt: skip
    known = sources()
    if raw["source"] not in known:
        raise BadInput(f'source "{raw["source"]}" is not in sources.toml.{near_match(raw["source"], known)}',
                       "a key of sources.toml", file=file, place=place,
                       mend=f"add [{raw['source']}] to sources.toml, in a file of your own [sources.{raw['source']}], "
                       "or name a listed source")  # fmt: skip
    return Datum(float(raw["value"]), raw["unit"], float(raw["spread"]), raw["spread_kind"], raw["source"],
                 raw["status"], raw.get("note", ""))  # fmt: skip


def _can_be(value: float) -> bool:
    try:
        return not isnan(float(value))
    except OverflowError:  # an integer beyond all floats
        return False


def _words(raw: dict[str, Any], key: str, file: Path) -> str:
    """Words under a key, "" where it is not there. Raises BadInput for anything but words."""
    if not isinstance(raw.get(key, ""), str):
        raise BadInput(f"{key} is {raw[key]!r}", "words in quotes", file=file, place=key, mend=f'{key} = "..."')
    return str(raw.get(key, ""))


def _list_of_words(raw: dict[str, Any], key: str, file: Path) -> tuple[str, ...]:
    """A list of words under a key, empty where it is not there. Raises BadInput for anything else."""
    given = raw.get(key, [])
    if not isinstance(given, list) or not all(isinstance(one, str) for one in given):
        raise BadInput(f"{key} is {given!r}", "a list of words in quotes", file=file, place=key,
                       mend=f'{key} = ["..."]')  # fmt: skip
    return tuple(given)


def _tables(raw: dict[str, Any], key: str, file: Path) -> list[dict[str, Any]]:
    """Tables under a key, none where it is not there. Raises BadInput for anything else."""
    given = raw.get(key, [])
    if not isinstance(given, list) or not all(isinstance(one, dict) for one in given):
        raise BadInput(f"{key} is {given!r}", f"tables under [[{key}]]", file=file, place=key, mend=f"[[{key}]]")
    return given


def read_wood(path: Path) -> Wood:
    """The wood in one file. Raises BadInput naming the file and key at fault."""
    raw = read_toml(path)
    for key in ("name", "scientific", "kind", "numbers"):
        if key not in raw:
            raise BadInput(f"the wood has no {key}", "name, scientific, kind and [numbers]", file=path, place=key,
                           mend='name = "sitka spruce"' if key == "name" else f"add {key}")  # fmt: skip
    if raw["kind"] not in ("softwood", "hardwood"):
        raise BadInput(f"kind is {raw['kind']!r}", '"softwood" or "hardwood"', file=path, place="kind",
                       mend='kind = "hardwood"')  # fmt: skip
    if not isinstance(raw["numbers"], dict):
        raise BadInput(f"numbers is {raw['numbers']!r}", "a table of numbers", file=path, place="numbers",
                       mend="[numbers]")  # fmt: skip
    numbers = {key: read_datum(value, path, f"numbers.{key}") for key, value in raw["numbers"].items()}
    return Wood(
        name=_words(raw, "name", path),
        scientific=_words(raw, "scientific", path),
        kind=raw["kind"],
        aliases=_list_of_words(raw, "aliases", path),
        uses=_list_of_words(raw, "uses", path),
        numbers=Frozen(numbers),
        note=_words(raw, "note", path),
        disagreements=tuple(_read_disagreement(item, path) for item in _tables(raw, "disagreements", path)),
    )


def _read_disagreement(raw: dict[str, Any], file: Path) -> Disagreement:
    for key in ("number", "value", "unit", "source", "words"):
        if key not in raw:
            raise BadInput(f"a disagreement has no {key}", "number, value, unit, source and words", file=file,
                           place="disagreements", mend=f"{key} = ...")  # fmt: skip
    for extra in sorted(set(raw) - {"number", "value", "unit", "source", "words"}):
        raise BadInput(f'a disagreement has an unknown key "{extra}"', "number, value, unit, source and words",
                       file=file, place="disagreements", mend=f'remove "{extra}" or spell it right')  # fmt: skip
    words = {key: _words(raw, key, file) for key in ("number", "unit", "source", "words")}
    if words["source"] not in sources():
        raise BadInput(f'source "{words["source"]}" is not in sources.toml', "a key of sources.toml", file=file,
                       place="disagreements", mend="name a listed source")  # fmt: skip
    given = raw["value"]
    if isinstance(given, bool) or not isinstance(given, int | float) or not _can_be(given):
        raise BadInput(f"value is {given!r}", "a number", file=file, place="disagreements", mend="value = 0.001")
    return Disagreement(value=float(given), **words)


# ---- woods -----------------------------------------------------------------------------------------------------


def data_places() -> Places:
    """Where numbers are read from: the shipped folder, and the user's own files with time of change and size."""
    return species_data_dir(), _own_files()


def _own_files() -> tuple[tuple[Path, int, int], ...]:
    """The user's own woods and finishes: the .toml files in the folder that DRIFTMODEL_WOODS names."""
    named = os.environ.get(OWN)
    if not named:
        return ()
    folder = Path(named)
    if not is_there(folder) or not folder.is_dir():
        raise BadInput(f"{OWN} names a folder that is not there", "a folder with woods and finishes of your own",
                       file=folder, mend=f"export {OWN}=my-woods, or unset it")  # fmt: skip
    files = sorted(folder.glob("*.toml"))
    return tuple((file, file.stat().st_mtime_ns, file.stat().st_size) for file in files)


def _plain(name: str) -> str:
    return " ".join(name.lower().split())


def file_stem(name: str) -> str:
    """The file name (without .toml) of a wood: lower case, every run of other signs one underscore."""
    return re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")


@cache
def _wood_at(path: Path) -> Wood:
    return read_wood(path)


@cache
def _woods_in(places: Places) -> tuple[Wood, ...]:
    shipped = tuple(_wood_at(path) for path in sorted((places[0] / "woods").glob("*.toml")))
    taken = {_plain(name) for one in shipped for name in (one.name, *one.aliases)}
    own = []
    for path, *_ in places[1]:
        if "finish" in read_toml(path):
            continue
        one = read_wood(path)
        if _plain(one.name) in taken:
            raise BadInput(f'a wood called "{one.name}" is there already', "a name of its own", file=path, place="name",
                           mend=f'name = "{one.name}, own stock"')  # fmt: skip
        own.append(one)
    return (*shipped, *own)


@cache
def _aliases_in(places: Places) -> dict[str, Wood]:
    found: dict[str, Wood] = {}
    for one in _woods_in(places):
        for alias in (one.name, *one.aliases):
            found.setdefault(_plain(alias), one)
    return found


def wood(name: str) -> Wood:
    """The wood of this trade name or alias (any case). Raises BadInput with the nearest known name."""
    direct = species_data_dir() / "woods" / f"{file_stem(name)}.toml"
    if is_there(direct):
        return _wood_at(direct)
    known = _aliases_in(data_places())
    found = known.get(_plain(name))
    if found is not None:
        return found
    near = near_woods(name)
    raise BadInput(f'no wood is called "{name}".{near_match(_plain(name), near)}', "a known wood",
                   mend=f'"{near[0]}"' if near else "list them with: driftmodel woods")  # fmt: skip


def near_woods(name: str, part: str = "") -> list[str]:
    """Woods that may be meant by a name: those used for this part of an instrument first, then for any part."""
    woods = sorted(
        _woods_in(data_places()),
        key=lambda one: (not any(use in part for use in one.uses), not one.uses, -len(one.numbers), one.name),
    )
    near = near_matches(_plain(name), [one.name for one in woods])
    if near:
        return near
    aliases = _aliases_in(data_places())
    return list(dict.fromkeys(aliases[alias].name for alias in near_matches(_plain(name), aliases)))


def wood_names() -> tuple[str, ...]:
    """Names of all woods, sorted."""
    return tuple(sorted(one.name for one in _woods_in(data_places())))


def number(of: Wood, key: str) -> Datum:
    """The wood's own number, else a named stand-in: the geometric mean over the woods of its kind that have one.

    A stand-in's status begins with 'stand-in:' and its spread joins the scatter between those woods with their own
    spread. Raises BadInput when no wood of the kind has such a number.
    """
    own = of.numbers.get(key)
    return note(f"{of.name}, {key}", own if own is not None else _stand_in(of.kind, key, data_places()))


@cache
def _stand_in(kind: str, key: str, places: Places) -> Datum:
    woods = _woods_in(places)
    having = [one.numbers[key] for one in woods if one.kind == kind and key in one.numbers]
    if not having:
        known = sorted({name for one in woods for name in one.numbers})
        raise BadInput(f'no {kind} has a number called "{key}".{near_match(key, known)}', "one of " + ", ".join(known),
                       mend="add the number to the wood's file in species_data/woods")  # fmt: skip
    logs = [log(one.value) for one in having]
    mean = sum(logs) / len(logs)
    between = sum((one - mean) ** 2 for one in logs) / max(len(logs) - 1, 1)
    own = sum(one.log_sd**2 for one in having) / len(having)
    log_sd = max((between + own) ** 0.5, _STAND_IN_LEAST_LOG_SD)
    status = f"stand-in: mean of {len(having)} {kind}s that have this number"
    note = "this wood has no number of its own here"
    middle = having[0]
    return replace(middle, value=exp(mean), spread=exp(1.2815515594 * log_sd), spread_kind="factor",
                   source="own-calculation", status=status, note=note)  # fmt: skip


# ---- finishes, general numbers, sources --------------------------------------------------------------------------


def _finishes() -> dict[str, Finish]:
    return _finishes_in(data_places())


@cache
def _finishes_in(places: Places) -> dict[str, Finish]:
    found = _finishes_at(places[0] / "finishes.toml")
    for path, *_ in places[1]:
        for name, one in _finishes_at(path).items():
            if name in found:
                raise BadInput(f'a finish called "{name}" is there already', "a name of its own", file=path,
                               place="finish", mend=f'name = "{name}, own mix"')  # fmt: skip
            found[name] = one
    return found


def _finishes_at(path: Path) -> dict[str, Finish]:
    found: dict[str, Finish] = {}
    for raw in _tables(read_toml(path), "finish", path):
        name = raw.get("name")
        if not isinstance(name, str):
            raise BadInput("a finish has no name", "name", file=path, place="finish", mend='name = "shellac"')
        permeance = read_datum(raw.get("permeance"), path, f"{name}.permeance")
        effectiveness = raw.get("effectiveness")
        published: tuple[float | None, ...] = ()
        if effectiveness is not None:
            published = _published_effectiveness(effectiveness, path, name)
        finish_read = Finish(name, permeance, _words(raw, "note", path), _coats(raw, path), published)
        for alias in (name, *_list_of_words(raw, "aliases", path)):
            found[_plain(alias)] = finish_read
    return found


def _coats(raw: dict[str, Any], file: Path) -> int:
    given = raw.get("coats", 0)
    if isinstance(given, bool) or not isinstance(given, int) or not 0 <= given <= 100:
        raise BadInput(f"coats is {given!r}", "a whole number", file=file, place="coats", mend="coats = 2")
    return given


def _published_effectiveness(raw: Any, file: Path, name: str) -> tuple[float | None, ...]:
    """Percent of vapour kept out after 1, 7 and 14 days, each a full number in the file; None where none is printed."""
    days = ("day_1", "day_7", "day_14")
    if not isinstance(raw, dict):
        raise BadInput(f"effectiveness is {raw!r}", "a table of days", file=file, place=name,
                       mend="effectiveness = {day_1 = ...}")  # fmt: skip
    return tuple(read_datum(raw[day], file, f"{name}.{day}").value if day in raw else None for day in days)


def finish(name: str) -> Finish:
    """The finish of this name, for example "nitrocellulose lacquer" or "shellac, 2 coats"; unknown: BadInput."""
    found = _finishes().get(_plain(name))
    if found is None:
        near = near_finishes(name)
        raise BadInput(f'no finish is called "{name}".{near_match(_plain(name), near)}', "a known finish",
                       mend=f'"{near[0]}"' if near else '"nitrocellulose lacquer"')  # fmt: skip
    return found


def near_finishes(name: str) -> list[str]:
    """Finishes that may be meant by a name, those of instruments first."""
    of_instruments = ("nitrocellulose lacquer", "shellac", "varnish", "bare")
    known = sorted(_finishes(), key=lambda one: (not one.startswith(of_instruments), len(one)))
    return near_matches(_plain(name), known)


def finish_permeance(name: str) -> Datum:
    """The permeance of the finish of this name, kg/(m2 s Pa); infinite for bare wood. Raises BadInput as `finish`."""
    found = finish(name)
    return note(f"{found.name}, permeance", found.permeance)


def finish_names() -> tuple[str, ...]:
    """Names of all finishes, in the order of the file."""
    return tuple(dict.fromkeys(one.name for one in _finishes().values()))


def _general() -> dict[str, Datum]:
    return _general_in(data_places())


@cache
def _general_in(places: Places) -> dict[str, Datum]:
    found: dict[str, Datum] = {}
    for path in sorted(places[0].glob("*.toml")):
        if path.name in OTHER_FILES:
            continue
        for key, raw in read_toml(path).items():
            if key in found:
                raise BadInput("the number stands in two files", "each number once", file=path, place=key,
                               mend="remove one of them")  # fmt: skip
            found[key] = read_datum(raw, path, key)
    return found


def general(name: str) -> Datum:
    """A number not tied to one wood. Raises BadInput for an unknown name."""
    found = _general().get(name)
    if found is None:
        raise BadInput(f'no general number is called "{name}".{near_match(name, _general())}', "a known number",
                       mend="see species_data/README.md")  # fmt: skip
    return note(name, found)


def general_names() -> tuple[str, ...]:
    """Names of all general numbers, in the order of the files."""
    return tuple(_general())


def sources() -> dict[str, dict[str, Any]]:
    """Every source by its key: {'reference': words, 'kind': words, ...}."""
    return _sources_in(data_places())


@cache
def _sources_in(places: Places) -> dict[str, dict[str, Any]]:
    path = places[0] / "sources.toml"
    listed = [(path, read_toml(path)), *((own, read_toml(own).get("sources", {})) for own, *_ in places[1])]
    found: dict[str, dict[str, Any]] = {}
    for path, tables in listed:
        for key, raw in tables.items() if isinstance(tables, dict) else ():
            if not isinstance(raw, dict) or not all(isinstance(raw.get(word), str) for word in ("reference", "kind")):
                raise BadInput("the source lacks reference or kind", "reference and kind", file=path, place=key,
                               mend='reference = "Author, year, title, table"')  # fmt: skip
            found.setdefault(key, raw)
    return found
