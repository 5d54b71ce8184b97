"""The library of numbers: woods, finishes, general numbers and their sources, read from species_data when asked for.

A number that physics is to use is asked for by `general`, `number` or `finish_permeance`, which note that it is used.

A number that lacks value, unit, spread, spread_kind, source or status, or that names a source not listed in
sources.toml, does not load. Every fault of a file or a name is a BadInput."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import cache
from math import exp, isinf, log
from pathlib import Path
from typing import Any, TypeVar

from driftmodel.base.errors import BadInput, Spot, near_match, near_matches
from driftmodel.base.file_models import Noun, keys_in
from driftmodel.base.materials import Datum, Disagreement, Finish, FinishFile, NumberFile, Wood, note
from driftmodel.base.opened import is_there, species_data_dir
from driftmodel.base.tomlfile import read_toml, validated

#: shipped folder; the user's own files with time of change and size
Places = tuple[Path, tuple[tuple[Path, int, int], ...]]
Read = TypeVar("Read")
#: environment variable that names the folder of the user's own woods and finishes
OWN = "DRIFTMODEL_WOODS"
#: files beside the general numbers that hold something else
OTHER_FILES = ("sources.toml", "finishes.toml")
#: smallest log-spread of a stand-in number: a stranger's mean is never trusted better than this (about 30 %)
_STAND_IN_LEAST_LOG_SD = 0.30


# ---- reading one file ------------------------------------------------------------------------------------------


def read_numbers(path: Path) -> Mapping[str, Datum]:
    """The numbers of a file by name. Raises BadInput naming file and key when anything one must carry is missing."""
    found, _ = validated(NumberFile, path, lambda tree: {"numbers": tree})
    _check(path, found.numbers)
    return found.numbers


def read_wood(path: Path) -> Wood:
    """The wood in one file. Raises BadInput naming the file and key at fault."""
    found, _ = validated(Wood, path, lambda tree: _only(Wood, tree))
    _check(path, {f"numbers.{name}": one for name, one in found.numbers.items()})
    _check(path, {f"disagreements {one.number}": one for one in found.disagreements})
    return found


def _only(noun: type[Noun], tree: dict[str, Any]) -> dict[str, Any]:
    """What a file says of a noun, what else stands in it left out."""
    known = keys_in(noun)  # type: ignore[arg-type]
    return {key: value for key, value in tree.items() if key in known}


def _check(file: Path, numbers: Mapping[str, Datum | Disagreement], endless: bool = False) -> None:
    """Each from a listed source, and finite where it need not be endless."""
    known = sources()
    for place, one in numbers.items():
        if isinf(one.value) and not endless:
            raise Spot(file, place).refusal(f"value is {one.value}. Needed: a finite number. Mend: value = 0.001")
        if one.source not in known:
            raise BadInput(f'source "{one.source}" is not in sources.toml.{near_match(one.source, known)}',
                           "a key of sources.toml", file=file, place=place,
                           mend=f"add [{one.source}] to sources.toml, in a file of your own [sources.{one.source}], "
                           "or name a listed source")  # fmt: skip


# ---- woods -----------------------------------------------------------------------------------------------------


def data_places() -> Places:
    """Where numbers are read from: the shipped folder; and with time of change and size the user's own woods and
    finishes, the .toml files in the folder that DRIFTMODEL_WOODS names. Raises BadInput where it is not there."""
    named = os.environ.get(OWN)
    if not named:
        return species_data_dir(), ()
    folder = Path(named)
    if not is_there(folder) or not folder.is_dir():
        raise BadInput(f"{OWN} names a folder that is not there", "a folder with woods and finishes of your own",
                       file=folder, mend=f"export {OWN}=my-woods, or unset it")  # fmt: skip
    files = sorted(folder.glob("*.toml"))
    return species_data_dir(), tuple((file, file.stat().st_mtime_ns, file.stat().st_size) for file in files)


def _by_places(read: Callable[[Places], Read]) -> Callable[[], Read]:
    """What is read from the places, kept for as long as they show no change."""
    kept = cache(read)
    return lambda: kept(data_places())


def _plain(name: str) -> str:
    return " ".join(name.lower().split())


def file_stem(name: str) -> str:
    """The file name (without .toml) of a wood: lower case, every run of other signs one underscore."""
    return re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")


_wood_at = cache(read_wood)


@_by_places
def _woods(places: Places) -> tuple[Wood, ...]:
    shipped = tuple(_wood_at(path) for path in sorted((places[0] / "woods").glob("*.toml")))
    taken = {_plain(name) for one in shipped for name in (one.name, *one.aliases)}
    own = []
    for path, *_ in places[1]:
        if "finish" in read_toml(path)[0]:
            continue
        one = read_wood(path)
        if _plain(one.name) in taken:
            raise BadInput(f'a wood called "{one.name}" is there already', "a name of its own", file=path, place="name",
                           mend=f'name = "{one.name}, own stock"')  # fmt: skip
        own.append(one)
    return (*shipped, *own)


@_by_places
def _aliases(_: Places) -> dict[str, Wood]:
    found: dict[str, Wood] = {}
    for one in _woods():
        for alias in (one.name, *one.aliases):
            found.setdefault(_plain(alias), one)
    return found


def wood(name: str) -> Wood:
    """The wood of this trade name or alias (any case). Raises BadInput with the nearest known name."""
    direct = species_data_dir() / "woods" / f"{file_stem(name)}.toml"
    if is_there(direct):
        return _wood_at(direct)
    known = _aliases()
    found = known.get(_plain(name))
    if found is not None:
        return found
    near = near_woods(name)
    raise BadInput(f'no wood is called "{name}".{near_match(_plain(name), near)}', "a known wood",
                   mend=f'"{near[0]}"' if near else "list them with: driftmodel woods")  # fmt: skip


def near_woods(name: str, part: str = "") -> list[str]:
    """Woods that may be meant by a name: those used for this part of an instrument first, then for any part."""
    woods = sorted(
        _woods(), key=lambda one: (not any(use in part for use in one.uses), not one.uses, -len(one.numbers), one.name)
    )
    near = near_matches(_plain(name), [one.name for one in woods])
    if near:
        return near
    aliases = _aliases()
    return list(dict.fromkeys(aliases[alias].name for alias in near_matches(_plain(name), aliases)))


def wood_names() -> tuple[str, ...]:
    """Names of all woods, sorted."""
    return tuple(sorted(one.name for one in _woods()))


def number(of: Wood, key: str) -> Datum:
    """The wood's own number, else a named stand-in: the geometric mean over the woods of its kind that have one.

    A stand-in's status begins with 'stand-in:' and its spread joins the scatter between those woods with their own
    spread. Raises BadInput when no wood of the kind has such a number."""
    own = of.numbers.get(key)
    return note(f"{of.name}, {key}", own if own is not None else _stand_in(of.kind, key, data_places()))


def wood_value(name: str, key: str) -> float:
    """The value of a number of a wood, by the wood's name. Raises BadInput as `wood` and `number`."""
    return number(wood(name), key).value


@cache
def _stand_in(kind: str, key: str, places: Places) -> Datum:
    woods = _woods()
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


@_by_places
def _finishes(places: Places) -> dict[str, Finish]:
    found = _finishes_at(places[0] / "finishes.toml")
    for path, *_ in places[1]:
        for name, one in _finishes_at(path).items():
            if name in found:
                raise BadInput(f'a finish called "{name}" is there already', "a name of its own", file=path,
                               place="finish", mend=f'name = "{name}, own mix"')  # fmt: skip
            found[name] = one
    return found


def _finishes_at(path: Path) -> dict[str, Finish]:
    """By name and alias; what else a file tells of one (printed figures it is checked against) is passed over."""

    def fill(tree: dict[str, Any]) -> dict[str, Any]:
        given = tree.get("finish", [])
        known = isinstance(given, list) and all(isinstance(one, dict) for one in given)
        return {"finish": [_only(Finish, one) for one in given] if known else given}

    found, _ = validated(FinishFile, path, fill)
    _check(path, {f"{one.name}.permeance": one.permeance for one in found.finish}, endless=True)
    return {_plain(name): one for one in found.finish for name in (one.name, *one.aliases)}


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
    """Names of all finishes, the user's own among them, in the order of the files."""
    return tuple(dict.fromkeys(one.name for one in _finishes().values()))


@_by_places
def _general(places: Places) -> dict[str, Datum]:
    found: dict[str, Datum] = {}
    for path in sorted(places[0].glob("*.toml")):
        if path.name in OTHER_FILES:
            continue
        for key, number in read_numbers(path).items():
            if key in found:
                raise BadInput("the number stands in two files", "each number once", file=path, place=key,
                               mend="remove one of them")  # fmt: skip
            found[key] = number
    return found


def general(name: str) -> Datum:
    """A number not tied to one wood. Raises BadInput for an unknown name."""
    found = _general().get(name)
    if found is None:
        raise BadInput(f'no general number is called "{name}".{near_match(name, _general())}', "a known number",
                       mend="see species_data/README.md")  # fmt: skip
    return note(name, found)


def value(name: str) -> float:
    """The value of a number not tied to one wood. Raises BadInput as `general`."""
    return general(name).value


def general_names() -> tuple[str, ...]:
    """Names of all general numbers, in the order of the files."""
    return tuple(_general())


@_by_places
def sources(places: Places) -> dict[str, dict[str, Any]]:
    """Every source by its key: {'reference': words, 'kind': words, ...}."""
    path = places[0] / "sources.toml"
    listed = [(path, read_toml(path)[0]), *((own, read_toml(own)[0].get("sources", {})) for own, *_ in places[1])]
    found: dict[str, dict[str, Any]] = {}
    for path, tables in listed:
        for key, raw in tables.items() if isinstance(tables, dict) else ():
            if not isinstance(raw, dict) or not all(isinstance(raw.get(word), str) for word in ("reference", "kind")):
                raise BadInput("the source lacks reference or kind", "reference and kind", file=path, place=key,
                               mend='reference = "Author, year, title, table"')  # fmt: skip
            found.setdefault(key, raw)
    return found
