"""An invented grid of climates, dry and wintry in one corner and mild and damp in the other, to try a map on."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from driftmodel.base.climate_file import Normals
from driftmodel.climate.synthetic import synthetic_air

ROWS, COLUMNS, STEP_HOURS, YEAR = 4, 6, 3, 2021
DRY = Normals(
    (-6, -4, 1, 7, 13, 18, 21, 20, 15, 8, 1, -4),
    (55, 52, 48, 42, 42, 40, 40, 42, 44, 48, 54, 56),
    (13,) * 12, 3.5, 9.0, 3.0,
)  # fmt: skip
DAMP = Normals(
    (5, 5, 6, 8, 11, 13, 15, 15, 13, 11, 8, 6),
    (84, 82, 80, 79, 80, 82, 84, 85, 84, 84, 85, 85),
    (5,) * 12, 2.0, 6.0, 3.0,
)  # fmt: skip


def between(share: float) -> Normals:
    """Normals between DRY (0) and DAMP (1)."""

    def months(dry: tuple[float, ...], damp: tuple[float, ...]) -> tuple[float, ...]:
        return tuple((1.0 - share) * a + share * b for a, b in zip(dry, damp, strict=True))

    def one(dry: float, damp: float) -> float:
        return (1.0 - share) * dry + share * damp

    return Normals(
        months(DRY.temperature_c, DAMP.temperature_c),
        months(DRY.relative_humidity_pct, DAMP.relative_humidity_pct),
        months(DRY.daily_range_c, DAMP.daily_range_c),
        one(DRY.day_to_day_sd_c, DAMP.day_to_day_sd_c),
        one(DRY.day_to_day_sd_pct, DAMP.day_to_day_sd_pct),
        one(DRY.persistence_days, DAMP.persistence_days),
    )


def write_invented_grid(path: str | Path) -> Path:
    """Writes the grid as NetCDF-4 (temperature in K, humidity in %, 3-hourly for a year), whole or not at all.

    Raises BadInput where it cannot be written.
    """
    import xarray as xr

    from driftmodel.maps.grid_map import write_netcdf

    start = np.datetime64(f"{YEAR}-01-01")
    airs = [
        synthetic_air(between(share), start, 8760, seed=1) for share in np.linspace(0.0, 1.0, ROWS * COLUMNS).tolist()
    ]
    warm, damp = (
        np.stack([air[name].values.reshape(-1, STEP_HOURS).mean(axis=1) for air in airs])
        for name in ("air_temperature", "relative_humidity")
    )
    time = airs[0]["time"].values[::STEP_HOURS]
    shape = (ROWS, COLUMNS, time.size)
    grid = xr.Dataset(
        {
            "tas": (("time", "lat", "lon"), np.moveaxis(np.reshape(warm, shape), 2, 0).astype(np.float32) + 273.15,
                    {"standard_name": "air_temperature", "units": "K"}),
            "hurs": (("time", "lat", "lon"), np.moveaxis(np.reshape(damp, shape), 2, 0).astype(np.float32),
                     {"standard_name": "relative_humidity", "units": "%"}),
        },
        coords={
            "time": time,
            "lat": ("lat", 50.0 - 2.0 * np.arange(ROWS), {"units": "degrees_north", "standard_name": "latitude"}),
            "lon": ("lon", -8.0 + 3.0 * np.arange(COLUMNS), {"units": "degrees_east", "standard_name": "longitude"}),
        },
        attrs={"title": "Invented climates on an invented grid, for demonstration"},
    )  # fmt: skip
    return write_netcdf(grid, path)
