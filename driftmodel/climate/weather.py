"""Outdoor air from weather files: EPW, TMY3, TMY2, and the small CSV of scenarios/weather.

Every reader takes the file's own relative humidity column; hours in which the dew point column says something more
than 5 % RH away are counted in attrs['dew_point_disagrees_hours']. Stamps are hour-ending, local standard time:
hour 1 becomes the mean over 00:00 to 01:00. A typical year belongs to no year: it is returned on the calendar of
2001 (365 days) with attrs['typical_year'] = 1, its clock kept at local standard time.
"""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path

import numpy as np

from driftmodel.base.errors import BadInput
from driftmodel.base.keeping import Memory, file_digest, fingerprint
from driftmodel.base.opened import MOST_TEXT_MB, bytes_of, check_file
from driftmodel.base.types import Dataset
from driftmodel.climate.air import TYPICAL_YEAR, check_gap_policy, fill_gaps, hours_from, longest_run, make_air
from driftmodel.climate.weather_checks import (
    DISAGREE_PCT,
    HOURS,
    check_calendar,
    check_itself,
    check_range,
    disagreement_pct,
    missing_hours,
    numbers,
)
from driftmodel.climate.weather_formats import rows_of

_files: Memory[Dataset] = Memory(16)


def read_weather(path: str | Path, *, gap_policy: str | None = None) -> Dataset:
    """Outdoor air of a typical year: 8760 hours of temperature and relative humidity; dew_point (degC) as well.

    Missing codes are gaps: refused unless gap_policy is 'interpolate' or 'hold', then filled and flagged. Raises
    BadInput with file, row and column for anything that is not a whole year of good values.
    """
    place = Path(path)
    check_gap_policy(gap_policy)
    check_file(place, "a weather file: EPW, TMY3, TMY2 or CSV", most_mb=MOST_TEXT_MB)
    key = fingerprint(place, file_digest(place), gap_policy)
    return _files.of(key, lambda: _read(place, gap_policy)).copy(deep=True)


def _read(path: Path, gap_policy: str | None) -> Dataset:
    rows = rows_of(path)
    check_calendar(rows, path)
    values = [numbers(rows, k, path) for k in range(3)]
    missing = [missing_hours(rows, k, values[k]) for k in range(3)]
    for k in range(3):
        check_range(rows, k, values[k], missing[k], path)
    check_itself(rows, values, missing, path)
    gone = missing[0] | missing[2]
    if gone.any() and gap_policy is None:
        at, length = longest_run(gone)
        k = 0 if missing[0][at] else 2
        raise BadInput(
            f"{int(gone.sum())} hours are marked missing (the longest gap is {length} h)",
            "a value in every hour, or a named way to fill gaps",
            file=path,
            place=f"row {rows.line[at]}, column {rows.columns[k]}",
            mend='gap_policy = "interpolate" (or "hold"): the hours filled are flagged',
        )
    if gone.all():
        raise BadInput("every hour is marked missing", "temperatures and humidities", file=path, mend="another file")
    temperature = fill_gaps(values[0], missing[0], gap_policy) if gap_policy else values[0]
    humidity = fill_gaps(values[2], missing[2], gap_policy) if gap_policy else values[2]
    air = make_air(hours_from(f"{TYPICAL_YEAR}-01-01", HOURS), temperature, np.minimum(humidity, 100.0), gone)
    dew = np.where(missing[1], np.nan, values[1])
    air["dew_point"] = (("time",), dew, {"units": "degC", "long_name": "dew point, as the file has it"})
    disagrees = disagreement_pct(temperature, dew, humidity) > DISAGREE_PCT
    air.attrs = {
        "source": rows.source,
        "file": path.name,
        "file_sha256": sha256(bytes_of(path, "a weather file")).hexdigest(),
        "kind": rows.kind,
        "typical_year": 1,
        "clock": "local standard time of the place",
        "humidity_from": f"the file's {rows.columns[2]} column",
        "dew_point_disagrees_hours": int(disagrees.sum()),
        "humidity_above_100_hours": int((humidity > 100.0).sum()),
        "filled_hours": int(gone.sum()),
    }
    return air
