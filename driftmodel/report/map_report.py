"""A map as a folder: report, pictures, table, NetCDF."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from driftmodel.base.opened import csv_text
from driftmodel.base.records import Scenario
from driftmodel.base.schema import Axes, DataFrame, Dataset, Figure
from driftmodel.report import texts
from driftmodel.report.folder import made_by, write_page, write_whole
from driftmodel.report.pictures import INK, SEASON_LINE, blank
from driftmodel.report.texts import filled, wrapped

NAMED_POINTS = 400  # above so many the value of each is not printed on it


def write_map(found: Dataset, scenario: Scenario, out_dir: Path) -> list[Path]:
    """Writes the folder whole or not at all and returns its paths. found: of maps.grid_map.map_of."""

    rate, of = found["regrades_per_thousand_per_year"].values, found.attrs
    invented = ("The guitar and its room are invented, for demonstration.",) if scenario.invented else ()

    def fill(folder: Path) -> None:
        write_page(
            folder,
            "map",
            lambda: {"regrades": regrade_map(found), "grade": grade_map(found)},
            {"years": of["years"]},
            over=f"Map of regrades, {of['years']} years",
            title=scenario.title,
            under=(filled("map_of", room=scenario.stays[-1].climate.title), *invented),
            mood="leave",
            head=f"From {np.nanmin(rate):.0f} to {np.nanmax(rate):.0f} regrades a year for each thousand",
            lead=_extremes(found),
            facts=(("Best grades", _grades(found)), ("Read in", f"{of['conversions']}; {_steps(found)}.")),
            limits=(*texts.said("map_limits"), *texts.limits("settling", "air")),
            foot=made_by(f"seed {of['seed']}, {of['draws']} runs at each of {_many(found)} points"),
        )
        (folder / "map.csv").write_text(csv_text(map_frame(found)), encoding="utf-8")
        names = {dim: str(found[dim].attrs["long_name"]) for dim in ("y", "x")}  # of the file it was made from
        own = found.rename({dim: name for dim, name in names.items() if dim != name})
        own.to_netcdf(folder / "map.nc", engine="h5netcdf")

    return write_whole(out_dir, fill)


def map_frame(found: Dataset) -> DataFrame:
    """A row a point: its coordinates and what was found there."""
    names = [found[axis].attrs["long_name"] for axis in ("y", "x")]
    frame: DataFrame = found.drop_vars("best_grade_number").to_dataframe().reset_index()
    frame = frame[frame["regrade_chance"].notna()]
    return frame.rename(columns=dict(zip(("y", "x"), names, strict=True)))


def map_summary(found: Dataset) -> str:
    """The map for the terminal, lines of at most 100 columns."""
    lines = [f"{found.attrs['title']}.", "", _extremes(found), f"Best grades: {_grades(found)}", f"{_steps(found)}."]
    return wrapped("\n".join(lines))


def _many(found: Dataset) -> int:
    """Points with an answer."""
    return int(found["regrade_chance"].notnull().sum())


def _extremes(found: Dataset) -> str:
    rate = found["regrades_per_thousand_per_year"]
    parts, told = [], ("regrades_per_thousand_per_year", "regrades_standard_error", "regrade_chance")
    for words, at in (("Fewest", int(np.nanargmin(rate.values))), ("most", int(np.nanargmax(rate.values)))):
        i, j = np.unravel_index(at, rate.shape)
        here = found.isel(y=i, x=j)
        place = ", ".join(f"{found[axis].attrs['long_name']} {float(here[axis]):g}" for axis in ("y", "x"))
        parts.append(filled("extreme", words=words, place=place, here={name: float(here[name]) for name in told},
                            years=found.attrs["years"]))  # fmt: skip
    left = found.attrs["points_left_out"]
    more = f" {left} points were left out: air is missing there." if left else ""
    return "; ".join(parts) + "." + more


def _grades(found: Dataset) -> str:
    labels, count = np.unique(found["best_grade"].values[found["regrade_chance"].notnull().values], return_counts=True)
    order = np.argsort(-count, kind="stable")
    return ", ".join(f"{labels[at]} at {count[at]} of {count.sum()} points" for at in order) + "."


def _steps(found: Dataset) -> str:
    return f"Air in steps of {found.attrs['step_hours']} h"


def _blank(found: Dataset) -> tuple[Figure, Axes]:
    rows, columns = found.sizes["y"], found.sizes["x"]
    figure, axes = blank(7.2, float(np.clip(7.0 * rows / columns, 2.6, 7.5)))
    axes.set_xlabel(_axis_words(found, "x"))
    axes.set_ylabel(_axis_words(found, "y"))
    for side in axes.spines.values():
        side.set_visible(False)
    return figure, axes


def _axis_words(found: Dataset, axis: str) -> str:
    name = str(found[axis].attrs["long_name"])
    return {"lat": "Latitude (degrees)", "latitude": "Latitude (degrees)", "lon": "Longitude (degrees)",
            "longitude": "Longitude (degrees)"}.get(name, name)  # fmt: skip


def _mesh(axes: Axes, found: Dataset, values: Any, **drawn: Any) -> Any:
    return axes.pcolormesh(
        found["x"].values, found["y"].values, values, shading="nearest", edgecolors="white", linewidth=0.8, **drawn
    )


def _write(axes: Axes, found: Dataset, words: Any, dark: Any) -> None:
    if words.size > NAMED_POINTS:
        return
    for (i, j), text in np.ndenumerate(words):
        axes.text(float(found["x"][j]), float(found["y"][i]), text, ha="center", va="center", fontsize=8,
                  color="white" if dark[i, j] else INK)  # fmt: skip


def _ramp(name: str) -> Any:
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list(name, ["#f4f7f9", "#bcd3df", SEASON_LINE])


def regrade_map(found: Dataset) -> Figure:
    """Expected regrades for each thousand a year, the number printed on each point while there is room."""
    figure, axes = _blank(found)
    rate = found["regrades_per_thousand_per_year"].values
    top = max(float(np.nanmax(rate)), 1.0)
    mesh = _mesh(axes, found, rate, cmap=_ramp("regrades"), vmin=0.0, vmax=top)
    figure.colorbar(mesh, ax=axes, label="Regrades a year, for each thousand")
    words = np.array([["" if value != value else f"{value:.0f}" for value in row] for row in rate])
    _write(axes, found, words, rate > 0.7 * top)
    return figure


def grade_map(found: Dataset) -> Figure:
    """The best grade, from the smallest taper (light) to the largest (dark), its label printed on each point."""
    from matplotlib.colors import BoundaryNorm

    figure, axes = _blank(found)
    number = found["best_grade_number"].where(found["regrade_chance"].notnull()).values.astype(float)
    labels = found["best_grade_number"].attrs["flag_meanings"].split(" ")
    first, last = int(np.nanmin(number)), int(np.nanmax(number))
    bounds = np.arange(first - 0.5, last + 1.5)
    colours = _ramp("grades").resampled(256)
    mesh = _mesh(axes, found, number, cmap=colours, norm=BoundaryNorm(bounds, 256) if last > first else None)
    if last > first:
        bar = figure.colorbar(mesh, ax=axes, ticks=range(first, last + 1), label="Grade, from low to high taper")
        bar.ax.set_yticklabels(labels[first : last + 1])
    share = found["best_grade_inside_pct"].values
    words = np.array(
        [[f"{found['best_grade'].values[i, j]}\n{share[i, j]:.0f} %" if share[i, j] == share[i, j] else ""
          for j in range(number.shape[1])] for i in range(number.shape[0])]
    )  # fmt: skip
    _write(axes, found, words, number > first + 0.7 * (last - first))
    return figure
