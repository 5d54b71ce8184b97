"""Scenario, climate and instrument files become frozen records; names without a path are the shipped ones."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

from driftmodel.base import library
from driftmodel.base.build import InstrumentFile, Joint
from driftmodel.base.climate_file import ClimateFile, Normals, Outdoor, RoomFile
from driftmodel.base.errors import BadInput, Spot, near_match, near_matches, refusal
from driftmodel.base.file_models import record_of
from driftmodel.base.keeping import Memory, file_digest, fingerprint
from driftmodel.base.materials import recording
from driftmodel.base.opened import is_there, scenarios_dir
from driftmodel.base.records import Climate, Instrument, Scenario, SpacerSet, Stay
from driftmodel.base.rooms import home_humidifier, room_of
from driftmodel.base.scenario_file import ScenarioFile, closed_where_set_up, read_learned
from driftmodel.base.schema import Frozen
from driftmodel.base.tomlfile import place_words, read_toml, to_inside_units, validated

#: records and their files' own words, by the bytes they were read from: a fleet asks for the same ones for every cell
_scenarios: Memory[tuple[ScenarioFile, dict[str, Any]]] = Memory(64)
_instruments: Memory[tuple[Instrument, dict[str, Any]]] = Memory(64)
_climates: Memory[tuple[Climate, dict[str, Any]]] = Memory(256)


def _bytes_of(path: Path) -> str:
    return fingerprint(path, file_digest(path))


def shipped(folder: str = ".") -> tuple[str, ...]:
    """Names of the shipped scenarios, or of the files of a folder beside them, usable without a path."""
    return tuple(sorted(path.stem for path in (scenarios_dir() / folder).glob("*.toml")))


def load_scenario(name: str | Path) -> Scenario:
    """The scenario in a TOML file, or a shipped one by its name (`first-winter`).

    Raises BadInput for a missing file, a fault in it or in the instrument and climates it names."""
    path = named_file(name, ".", "scenario")
    data, raw = _scenarios.of(_bytes_of(path), lambda: validated(ScenarioFile, path, closed_where_set_up))
    return scenario_of(path, data, raw)


def scenario_of(path: Path, data: ScenarioFile, raw: dict[str, Any], name: str = "") -> Scenario:
    """The scenario a file's content describes, by the file's name or another. Raises BadInput for what it names and is
    not there."""
    design = _beside(path, data.instrument, "instruments", "instrument", ("instrument",))
    instrument, instrument_raw = _instrument(design)
    if data.setup.spacer not in instrument.spacers.labels:
        raise _unknown(path, ("setup", "spacer"), data.setup.spacer, "spacer", instrument.spacers.labels)
    places = [
        _climate(_beside(path, stay.climate, "climates", "climate", ("stay", index, "climate")))
        for index, stay in enumerate(data.stay)
    ]
    stays = tuple(
        Stay(stay.start, _at_home(climate, stay.home, path), stay.within_days)
        for stay, (climate, _) in zip(data.stay, places, strict=True)
    )
    workshop_pct = data.setup.workshop_humidity_pct
    if workshop_pct is not None and stays[0].start >= data.setup.strung:
        workshop = held_air(data.setup.built_temperature_c, workshop_pct)
        stays = (Stay(data.setup.strung - timedelta(days=HELD_BEFORE_DAYS), workshop), *stays)
    climates = {climate.name: words for climate, words in places}
    return record_of(
        Scenario,
        data,
        name=name or path.stem,
        instrument=instrument,
        stays=stays,
        events=data.event,
        file=str(path),
        learned=() if data.learned is None else read_learned(path.parent / data.learned),
        raw=Frozen({"scenario": raw, "instrument": instrument_raw, "climates": climates}),
    )


#: a guitar has been in its workshop's air this long when the strings go on, days (common practice, no source)
HELD_BEFORE_DAYS = 45


def held_air(temperature_c: float, relative_humidity_pct: float) -> Climate:
    """Air held at one temperature and humidity all year, as in a workshop that keeps it so."""
    normals = Normals((temperature_c,) * 12, (relative_humidity_pct,) * 12, (0.0,) * 12, 0.0, 0.0, 1.0)
    return Climate(
        name=f"held at {relative_humidity_pct:g} %",
        title=f"Air held at {temperature_c:g} degrees C and {relative_humidity_pct:g} %",
        outdoor=Outdoor(normals=normals, year_to_year_sd_c=0.0, year_to_year_sd_pct=0.0),
    )


def derived(tree: dict[str, Any], path: Path, above: tuple[Path, ...] = ()) -> dict[str, Any]:
    """An instrument's tables put over those of the design it is `like`, if it names one: tables are merged key by key,
    braces by their names; a spacer set, an outline and a list of gauges are taken whole. Raises BadInput."""
    joint = tree.get("joint")
    if isinstance(joint, dict) and "spacers" in joint:  # an older spelling, of tapers in mm
        tree = {**tree, "joint": {_TAKEN_WHOLE if key == "spacers" else key: own for key, own in joint.items()}}
    like = tree.get("like")
    if not isinstance(like, str):
        return tree
    sibling = path.parent / f"{like}.toml"
    near_by = is_there(sibling) and sibling.resolve() != path.resolve()
    base = sibling if near_by else _beside(path, like, "instruments", "instrument", ("like",))
    if base.resolve() in (path.resolve(), *(one.resolve() for one in above)):
        raise Spot(path, "key `like`").refusal(
            f'"{like}" is like itself in the end. Needed: a design that stands on its own at the end. '
            'Mend: like = "large_x_braced"'
        )
    content, text = read_toml(base)
    under = derived(to_inside_units(content, base, text), base, (*above, path))
    own = {key: value for key, value in tree.items() if key != "like"}
    return _put_over(under, own)


#: keys of which only one stands: the own one takes the place of the other's
_IN_PLACE_OF = ({"tension_n"}, {"gauges_in", "wound", "pitches"})
_TAKEN_WHOLE = "spacer_tapers_mm"


def _put_over(under: dict[str, Any], own: dict[str, Any]) -> dict[str, Any]:
    merged = dict(under)
    for one, other in (_IN_PLACE_OF, _IN_PLACE_OF[::-1]):
        if one & own.keys():
            merged = {key: value for key, value in merged.items() if key not in other}
    for key, value in own.items():
        below = merged.get(key)
        if isinstance(value, dict) and isinstance(below, dict) and key != _TAKEN_WHOLE:
            merged[key] = _put_over(below, value)
        elif key == "braces" and isinstance(below, list) and isinstance(value, list):
            named = {brace.get("name"): brace for brace in below}
            named |= {brace.get("name"): _put_over(named.get(brace.get("name"), {}), brace) for brace in value}
            merged[key] = list(named.values())
        else:
            merged[key] = value
    return merged


def find_instrument(name: str | Path) -> Instrument:
    """The instrument in a TOML file, or a shipped one by its name. Raises BadInput."""
    return load_instrument(named_file(name, "instruments", "instrument", "driftmodel design"))


def load_instrument(path: Path) -> Instrument:
    """The instrument in a TOML file; every wood and finish it names is known, or BadInput says which is not."""
    return _instrument(path)[0]


def _instrument(path: Path) -> tuple[Instrument, dict[str, Any]]:
    return _instruments.of(_bytes_of(path), lambda: _read_instrument(path))


def _read_instrument(path: Path) -> tuple[Instrument, dict[str, Any]]:
    data, raw = validated(InstrumentFile, path, lambda tree: derived(tree, path))
    _check_names(path, raw)
    joint = data.joint
    told = {"body_fret": joint.body_fret, "spacers": SpacerSet.of(joint), "joint": record_of(Joint, joint)}
    return record_of(Instrument, data, name=path.stem, file=str(path), **told), raw


def _at_home(climate: Climate, home: str | None, scenario: Path) -> Climate:
    """The climate's outdoor air with a home in words in place of its room."""
    if home is None:
        return climate
    said = RoomFile(home=home)
    wet = home_humidifier(said, scenario) or climate.humidifier
    return replace(climate, title=f"{home}, {climate.title}", room=room_of(said, scenario), humidifier=wet)


def load_climate(path: Path) -> Climate:
    """The climate in a TOML file."""
    return _climate(path)[0]


def _climate(path: Path) -> tuple[Climate, dict[str, Any]]:
    found = _climates.of(_bytes_of(path), lambda: _noted_climate(path))
    return found if all(map(is_there, found[0].input_files)) else _noted_climate(path)


def _noted_climate(path: Path) -> tuple[Climate, dict[str, Any]]:
    with recording() as numbers:
        read, raw = _read_climate(path)
    return replace(read, numbers=tuple(numbers.items())), raw


def _read_climate(path: Path) -> tuple[Climate, dict[str, Any]]:
    data, raw = validated(ClimateFile, path)
    for table, key, kind in (("outdoor", "weather_file", "weather"), ("outdoor", "logger_file", "logger"),
                             ("logger", "file", "logger")):  # fmt: skip
        if (name := getattr(getattr(data, table), key, None)) is not None:
            _must_exist(path, (table, key), name, kind)
    read = record_of(
        Climate,
        data,
        name=path.stem,
        title=data.title or path.stem.replace("_", " "),
        outdoor=None if data.outdoor is None else record_of(Outdoor, data.outdoor),
        room=None if data.room is None else room_of(data.room, path),
        humidifier=(None if data.room is None else home_humidifier(data.room, path))
        if data.humidifier is None
        else data.humidifier,
        file=str(path),
    )
    return read, raw


def climate_named(name: str, beside: Path | None = None) -> Climate:
    """A shipped climate by its name, or one at a path: as a file `beside` it would name it, where one is given. Raises
    BadInput for neither."""
    if beside is None:
        return load_climate(named_file(name, "climates", "place", ""))
    return load_climate(_beside(beside, name, "climates", "climate", ("stay",)))


def _must_exist(climate: Path, at: tuple[str, ...], name: str, kind: str) -> None:
    """The weather or logger file a climate names, looked for from the climate's own folder."""
    if is_there(climate.parent / name):
        return
    folder = (climate.parent / name).parent
    there = sorted(path.name for path in folder.glob("*.*")) if is_there(folder) and folder.is_dir() else []
    there = near_matches(Path(name).name, there) + [each for each in there if not each.endswith(".toml")]
    mend = f'{at[-1]} = "{name.removesuffix(Path(name).name)}{there[0]}"' if there else "correct the path"
    raise Spot(climate, place_words(read_toml(climate)[1], at)).refusal(
        f'there is no {kind} file "{name}", seen from the folder of this file.{near_match(Path(name).name, there)} '
        f"Needed: the path of a {kind} file. Mend: {mend}"
    )


def _check_names(path: Path, tree: dict[str, Any]) -> None:
    """Every wood and finish named in the file is known to the library."""

    def walk(tree: Any, at: tuple[str | int, ...]) -> None:
        if isinstance(tree, list):
            for index, item in enumerate(tree):
                walk(item, (*at, index))
        elif isinstance(tree, dict):
            for key, value in tree.items():
                if isinstance(value, dict | list):
                    walk(value, (*at, key))
                elif isinstance(value, str) and (key == "wood" or key.endswith("_wood")):
                    _known(path, (*at, key), value, "wood")
                elif isinstance(value, str) and (key.startswith("finish") or key.endswith("_finish")):
                    _known(path, (*at, key), value, "finish")

    walk(tree, ())


def _known(path: Path, at: tuple[str | int, ...], name: str, kind: str) -> None:
    try:
        library.wood(name) if kind == "wood" else library.finish(name)
    except BadInput:
        near = library.near_woods(name, " ".join(map(str, at))) if kind == "wood" else library.near_finishes(name)
        names = library.wood_names() if kind == "wood" else library.finish_names()
        raise _unknown(path, at, name, kind, names, near) from None


def _unknown(
    path: Path, at: tuple[str | int, ...], name: str, kind: str, known: tuple[str, ...], near: list[str] | None = None
) -> BadInput:
    near = near_matches(name, known) if near is None else near
    first = [*near, *known][:1]
    shown = "one of " + ", ".join(known) if len(known) <= 12 else f"a {kind} that `driftmodel woods` lists"
    mend = f'{at[-1]} = "{first[0]}"' if first else "see the list"
    return Spot(path, place_words(read_toml(path)[1], at)).refusal(
        f'unknown {kind} "{name}".{near_match(name, near)} Needed: {shown}. Mend: {mend}'
    )


def named_file(name: str | Path, folder: str, kind: str, command: str = "driftmodel forecast") -> Path:
    """A shipped file of a folder of scenarios by bare name, else the path given. Raises BadInput for neither."""
    text, known = str(name), shipped(folder)
    if text in known:
        return scenarios_dir() / folder / f"{text}.toml"
    path = Path(text)
    if path.suffix or "/" in text or "\\" in text or is_there(path):
        return path
    near = f"{command} {[*near_matches(text, known), *known][0]}".strip()
    raise refusal(
        f'there is no {kind} "{text}".{near_match(text, known)} Needed: a path to a TOML file, or one of '
        f"{', '.join(known)}. Mend: {near}"
    )


def _beside(scenario: Path, name: str, folder: str, kind: str, at: tuple[str | int, ...]) -> Path:
    """A file named in a scenario: a path from the scenario's folder, its own `folder`, or the shipped one."""
    if name.endswith(".toml") or "/" in name:
        places = [scenario.parent / name]
    else:
        places = [scenario.parent / folder / f"{name}.toml", scenarios_dir() / folder / f"{name}.toml"]
    for place in places:
        if is_there(place):
            return place
    raise _unknown(scenario, at, name, kind, shipped(folder))
