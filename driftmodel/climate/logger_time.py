"""Stamps of a logger as UTC: date order, time zone, the hour that comes twice when summer time ends."""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo, available_timezones

import numpy as np
from numpy.typing import NDArray

from driftmodel.base.errors import BadInput, Spot, near_match, near_matches
from driftmodel.base.schema import DataFrame, Integers, Series, Times
from driftmodel.climate.logger_table import OWN_COLUMNS

if TYPE_CHECKING:
    from driftmodel.climate.logger_table import Table

_ISO = r"^\s*(?P<a>\d{4})[-/.](?P<b>\d{1,2})[-/.](?P<c>\d{1,2})"
_OTHER = r"^\s*(?P<a>\d{1,2})(?P<mark>[-/.])(?P<b>\d{1,2})[-/.](?P<c>\d{4}|\d{2})\b"
_CLOCK = (
    r"(?P<hour>\d{1,2}):(?P<minute>\d{2})(?::(?P<second>\d{2})(?:[.,]\d+)?)?"
    r"\s*(?P<half>[aApP]\.?\s?[mM]\.?)?\s*(?P<zone>Z|UTC|[+-]\d{2}:?\d{2})?\s*$"
)


#: stamps cut at once: each takes a kilobyte or so
AT_ONCE = 20_000
#: an offset from UTC in a header: "UTC", "GMT+01:00", "t_UTC+2"
_ZONE_TOLD = r"(?<![A-Za-z])(?:UTC|GMT)(?![A-Za-z])\s*(?:offset)?\s*[:=]?\s*(?:([+-])\s*(\d{1,2})(?::?(\d{2}))?)?"


def utc_times(table: Table, path: Path, time_zone: str | None, day_first: bool | None) -> Times:
    """Stamps (row,) as datetime64[ns] UTC, strictly increasing. Raises BadInput with the row at fault."""
    import pandas as pd

    together = "time" in table.header
    column = table.header["time"] if together else f"{table.header.get('date')} / {table.header.get('clock')}"
    if not together and not {"date", "clock"} <= table.header.keys():
        raise Spot(path, f"row {table.header_line}, columns").refusal(
            "a date without a time of day, or the other way round. Needed: both, in one column or two. "
            'Mend: columns = { date = "...", clock = "..." }'
        )
    known = table.cells
    texts = known["time"] if together else list(map(" ".join, zip(known["date"], known["clock"], strict=True)))
    place = _Places(table.line, texts, column, path)
    naive, offsets = _plain_stamps(texts), None
    if naive is None:
        parts = _parts(texts, place, day_first)
        naive = pd.to_datetime(parts[["year", "month", "day", "hour", "minute", "second"]], errors="coerce")
        offsets = _offsets(parts["zone"])
    _first_bad(naive.isna(), place, "is no date and time of the calendar", "a real date and time")
    utc: NDArray[Any]
    if offsets is not None:
        _first_bad(
            offsets.isna(), place, "has no offset from UTC, other rows have", "an offset in every row or in none"
        )
        utc = (naive - pd.to_timedelta(offsets, unit="min")).to_numpy(dtype="datetime64[ns]")
    else:
        stamps: NDArray[Any] = naive.to_numpy(dtype="datetime64[ns]")
        own = time_zone is None and all(table.header.get(role) == name for role, name in OWN_COLUMNS.items())
        zone = _zone(table.preamble, "UTC" if own else time_zone, stamps[0], place)
        utc = stamps - zone if isinstance(zone, np.timedelta64) else _from_local(stamps, zone, place)
    _check_order(utc, place)
    return np.asarray(utc)


def _plain_stamps(texts: list[str]) -> Series | None:
    """Stamps all written as 2026-01-31 14:00 or 2026-01-31 14:00:00, read at once; None where any is not."""
    import pandas as pd

    plain = re.compile(r"\d{4}-\d{2}-\d{2}[ T]\d{2}:\d{2}(?::\d{2})?")
    if not all(map(plain.fullmatch, texts)):
        return None
    return pd.Series(pd.to_datetime(texts, format="ISO8601", errors="coerce"))


def _from_week(text: str) -> str:
    """A stamp in ISO weeks (2026-W05-3 14:00, day 1 is Monday) as one in months; any other as it stands."""
    found = re.match(r"^\s*(\d{4})-?W(\d{2})-?([1-7])", text)
    if not found:
        return text
    try:
        day = date.fromisocalendar(*(int(part) for part in found.groups()))
    except ValueError:
        return text
    return day.isoformat() + text[found.end() :]


class _Places:
    """Where a row is, and how to tell a fault in it."""

    def __init__(self, lines: Integers, texts: list[str], column: str, path: Path) -> None:
        self.lines, self.texts, self.column, self.path = lines, texts, column, path

    def fault(self, row: int, told: str) -> BadInput:
        where = f'row {self.lines[row]}, column "{self.column}"'
        return Spot(self.path, where).refusal(f'"{self.texts[row]}" {told}')


def _first_bad(bad: Series, place: _Places, came: str, needed: str, mend: str = "") -> None:
    rows = np.flatnonzero(np.asarray(bad, dtype=bool))
    if rows.size:
        mend = mend or "correct that row or take it out"
        raise place.fault(int(rows[0]), f"{came}. Needed: {needed}. Mend: {mend}")


def _parts(texts: list[str], place: _Places, day_first: bool | None) -> DataFrame:
    """Year, month, day, hour, minute, second (numbers) and zone (text) of each stamp."""
    import pandas as pd

    cut = _cut_days_and_hours(texts)
    if cut is None:
        cut = pd.concat([_cut(texts[at : at + AT_ONCE]) for at in range(0, len(texts), AT_ONCE)], ignore_index=True)
    is_iso, first, second, third = cut["is_iso"], cut["a"], cut["b"], cut["c"]
    example = "2026-01-31 14:00, 31/01/2026 14:00 or 01/31/2026 2:00 PM"
    if is_iso.all():
        date = pd.DataFrame({"year": first, "month": second, "day": third})
    else:
        _first_bad(first < 0, place, "is not read as a date", f"a date and time, such as {example}")
        if is_iso.any():
            odd = is_iso if not is_iso.iloc[0] else ~is_iso
            _first_bad(odd, place, "has another form than the rows before", f"one form, such as {example}")
        order = _day_first(first, second, bool(cut["dotted"].all()), place, day_first)
        month, day = (second, first) if order else (first, second)
        date = pd.DataFrame({"year": third + np.where(cut["short"], 2000, 0), "month": month, "day": day})
    _first_bad(cut["hour"] < 0, place, "has no time of day", f"a date with a time of day, such as {example}")
    _first_bad(~cut["read"], place, "is not read as a date and time", f"such as {example}")
    hour, half = cut["hour"], cut["half"]
    told = half != ""
    _first_bad(told & ((hour < 1) | (hour > 12)), place, "mixes a 24-hour clock with AM or PM", "1 to 12 with AM or PM")
    date["hour"] = hour.where(~told, hour % 12 + np.where(half == "p", 12, 0))
    date["minute"], date["second"], date["zone"] = cut["minute"], cut["second"], cut["zone"]
    return date


def _cut_days_and_hours(texts: list[str]) -> DataFrame | None:
    """As `_cut`, each day and each time of day cut once however often it comes; None where a space does not part them.

    A part is cut beside the first row's other part: where that is no stamp, the first row is at fault anyway."""
    import pandas as pd

    halves = [text.strip().partition(" ") for text in texts]
    days, day = pd.factorize(np.array([half[0] for half in halves], dtype=object))
    hours, hour = pd.factorize(np.array([half[2] for half in halves], dtype=object))
    if any(":" in each for each in day) or len(day) + len(hour) > len(texts):
        return None
    dates = _cut([f"{each} {hour[0]}" for each in day]).iloc[days].reset_index(drop=True)
    clocks = _cut([f"{day[0]} {each}" for each in hour]).iloc[hours].reset_index(drop=True)
    of_clock = ["hour", "minute", "second", "half", "zone"]
    return dates.assign(**{name: clocks[name] for name in of_clock}, read=dates["read"] & clocks["read"])


def _cut(texts: list[str]) -> DataFrame:
    """Stamps cut into small numbers, -1 for what is not there: a, b, c of the date as written, hour, minute, second;
    is_iso, dotted, short (a year of two digits) its form; read: nothing else is left; half: a or p; zone."""
    import pandas as pd

    stamps = pd.Series([_from_week(text) for text in texts], dtype="object")
    iso, other, clock = (stamps.str.extract(form) for form in (_ISO, _OTHER, _CLOCK))
    is_iso = iso["a"].notna()
    rest = stamps.str.replace(_CLOCK, "", regex=True)
    rest = rest.str.replace(_ISO, "", regex=True).where(is_iso, rest.str.replace(_OTHER, "", regex=True)).str.strip()

    def numbers(found: Series, absent: int = -1) -> Series:
        return found.fillna(str(absent)).astype(np.int16)

    date = {name: numbers(iso[name].where(is_iso, other[name])) for name in "abc"}
    times = {name: numbers(clock[name], 0 if name == "second" else -1) for name in ("hour", "minute", "second")}
    half, short = clock["half"].str.lower().str[0].fillna("").astype("category"), other["c"].str.len() == 2
    form = {"is_iso": is_iso, "dotted": other["mark"] == ".", "short": short, "read": rest.isin(["", "T", ","])}
    return pd.DataFrame(date | times | form | {"half": half.astype(object), "zone": clock["zone"]})


def _day_first(first: Series, second: Series, dotted: bool, place: _Places, day_first: bool | None) -> bool:
    """True for day/month. Told, or settled by a number above 12; with dots the day comes first everywhere."""
    day_leads, month_leads = first > 12, second > 12
    told = True if dotted and day_first is None else day_first
    if told is not None:
        needed, mend = "one order of day and month", f"day_first = {str(not told).lower()}"
        _first_bad(month_leads if told else day_leads, place, "does not fit the order day_first tells", needed, mend)
        return told
    if day_leads.any() and month_leads.any():
        odd = month_leads if np.argmax(month_leads) > np.argmax(day_leads) else day_leads
        _first_bad(odd, place, "has day and month in another order than rows before", "one order", "write 2026-01-31")
    if day_leads.any() or month_leads.any():
        return bool(day_leads.any())
    unsaid = "may be day/month or month/day: no row settles it. Needed: the order of day and month. Mend: "
    raise place.fault(0, f"{unsaid}day_first = true (or false), or dates written 2026-01-31")


def _offsets(zones: Series) -> Series | None:
    """Minutes ahead of UTC written in each stamp; None when no stamp has any."""
    if zones.isna().all():
        return None
    parts = zones.str.extract(r"^([+-])(\d{2}):?(\d{2})$")
    minutes = parts[1].astype(float) * 60 + parts[2].astype(float)
    minutes = minutes.where(parts[0] != "-", -minutes)
    return minutes.where(~zones.isin(["Z", "UTC"]), 0.0).where(zones.notna())


def _offset_told(preamble: str) -> np.timedelta64 | None:
    """Offset from UTC told by the header's names (its last line), or by a line before it that speaks of the zone."""
    *before, names = preamble.splitlines()
    for line in [names, *(line for line in before if re.search(r"zone|offset|zeit|fuseau|huso|fuso", line, re.I))]:
        told = re.search(_ZONE_TOLD, line, re.I)
        if told:
            minutes = int(told[2] or 0) * 60 + int(told[3] or 0)
            return np.timedelta64(-minutes if told[1] == "-" else minutes, "m")
    return None


def _zone(preamble: str, time_zone: str | None, first: np.datetime64, place: _Places) -> tzinfo | np.timedelta64:
    """The zone named, else a fixed offset told in the header ('UTC', 'GMT+01:00')."""
    told = _offset_told(preamble)
    if time_zone is not None:
        if time_zone not in available_timezones():
            near = [*near_matches(time_zone, available_timezones()), "America/Chicago"][0]
            raise Spot(place.path, "time_zone").refusal(
                f'unknown time zone "{time_zone}".{near_match(time_zone, available_timezones())} Needed: a name of the '
                f'IANA time zone database, such as Europe/Berlin, America/Chicago or UTC. Mend: time_zone = "{near}"'
            )
        zone = ZoneInfo(time_zone)
        if told is not None and zone.utcoffset(first.astype("datetime64[s]").item()) != told.item():
            by = f"is {told.item()} ahead of UTC by the header, but time_zone is {time_zone}. Needed: one time zone. "
            raise place.fault(0, f"{by}Mend: leave time_zone out, or correct the header")
        return zone
    if told is not None:
        return told
    unsaid = "does not say in which time zone. Needed: the time zone of the logger's clock. Mend: time_zone = "
    raise place.fault(0, f'{unsaid}"America/Chicago" (the place), or "Etc/GMT+6" for a clock left on standard time')


def standard_time(zone: tzinfo) -> str:
    """The line for a clock left on a place's standard time: Etc/GMT-1 for Berlin (these names turn the sign round)."""
    offsets = [datetime(2025, month, 1, 12, tzinfo=zone).utcoffset() or timedelta(0) for month in (1, 7)]
    hours = min(offsets) / timedelta(hours=1)
    if hours != round(hours):
        return 'time_zone = "UTC", with the stamps written in UTC'
    return (
        f'time_zone = "Etc/GMT{-round(hours):+d}" (standard time of {zone} all year), if the clock is not changed over'
    )


def _from_local(stamps: Times, zone: tzinfo, place: _Places) -> Times:
    """UTC of stamps on a wall clock. An hour that comes twice is told apart by where the clock steps back."""
    import pandas as pd

    index = pd.DatetimeIndex(stamps)

    def to_utc(first_pass: Any) -> Any:
        local = index.tz_localize(zone, ambiguous=first_pass, nonexistent="NaT")
        return local.tz_convert("UTC").tz_localize(None).to_numpy(dtype="datetime64[ns]")

    early, late = to_utc(np.ones(stamps.size, dtype=bool)), to_utc(np.zeros(stamps.size, dtype=bool))
    gone = np.flatnonzero(np.isnat(early))
    if gone.size:
        told = f"does not exist in {zone}: clocks skip that hour when summer time begins. Needed: stamps of that zone"
        mend = f"or the fixed zone of a clock that is not changed over. Mend: {standard_time(zone)}"
        raise place.fault(int(gone[0]), f"{told}, {mend}")
    utc = early.copy()
    twice = np.concatenate([[0], (early != late).astype(np.int8), [0]])
    edges = np.flatnonzero(np.diff(twice))
    step = np.median(np.diff(stamps)) if stamps.size > 1 else np.timedelta64(0, "ns")
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        back = np.flatnonzero(np.diff(stamps[begin:end]) <= np.timedelta64(0, "ns"))
        if back.size:
            second = begin + int(back[0]) + 1
            utc[second:end] = late[second:end]
        elif begin > 0 and early[begin] - early[begin - 1] <= 1.5 * step:
            pass  # runs on from before the change
        elif end < stamps.size and late[end] - late[end - 1] <= 1.5 * step:
            utc[begin:end] = late[begin:end]
        else:
            told = f"comes twice in {zone}, when summer time ends, and the rows beside it do not settle which it is"
            needed = "stamps without a break over the change, or with their offset from UTC"
            mend = "take that row out, or write offsets (2026-11-01 01:30-05:00)"
            raise place.fault(int(begin), f"{told}. Needed: {needed}. Mend: {mend}")
    return np.asarray(utc)


def _check_order(utc: Times, place: _Places) -> None:
    steps = np.diff(utc)
    bad = np.flatnonzero(steps <= np.timedelta64(0, "ns"))
    if not bad.size:
        return
    row = int(bad[0]) + 1
    if steps[row - 1] == np.timedelta64(0, "ns"):
        told = f"stands twice (row {place.lines[row - 1]} has it too). Needed: each stamp once. Mend: "
        raise place.fault(row, told + "take one of the two out")
    told = f"goes back in time (row {place.lines[row - 1]} has {place.texts[row - 1]}). Needed: stamps in order; after "
    needed = "the end of summer time, a clock left on standard time has a fixed zone. Mend: sort the rows by time"
    raise place.fault(row, told + needed)
