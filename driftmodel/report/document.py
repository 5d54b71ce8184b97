"""The output folder: report, pictures, tables, data and the inputs used; written whole or not at all."""

from __future__ import annotations

import json
import os
import re
import shutil
import tempfile
from importlib.resources import files
from io import BytesIO, StringIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from driftmodel.base.errors import BadInput
from driftmodel.base.records import Scenario
from driftmodel.report import captions, figures, tables, words
from driftmodel.report.digest import SERIES, Digest, digest

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from xarray import Dataset

REPORT = "report.html"
GENERATOR = '<meta name="generator" content="driftmodel'
PICTURE_DPI = 130
FILES = {
    "action.png, chance.png, ...": "the figures above, as pictures",
    "yearly.csv, monthly.csv, regrades.csv": "the tables, and every regrade of every run",
    "forecast.nc": "the forecast as NetCDF, metric: weekly quantiles, monthly means of each run",
    "inputs.json": "everything that went in, with seed, number of runs and version",
}


def check_folder(out: Path) -> None:
    """Raises BadInput if `out` cannot take a report: a file, unwritable, or holding things but no report of ours."""
    here = f"--out {out}-2"
    if out.exists() and not out.is_dir():
        raise BadInput("it is a file", "a folder to write into", file=out, mend=here)
    standing = out.absolute()
    while not standing.exists():
        standing = standing.parent
    if not standing.is_dir() or not os.access(standing, os.W_OK | os.X_OK):
        raise BadInput(
            f'"{standing}" cannot be written to', "a place you may write to", file=out, mend="--out my-report"
        )
    if out.resolve() == Path.cwd() or out.resolve() in Path.cwd().parents:
        raise BadInput(
            "it is the folder you stand in, which a report would replace",
            "a folder of its own for the report",
            file=out,
            mend="--out my-report",
        )
    if out.is_dir():
        if not os.access(out.absolute().parent, os.W_OK | os.X_OK):
            raise BadInput(
                f'"{out.absolute().parent}" cannot be written to',
                "a place you may write to",
                file=out,
                mend="--out my-report",
            )
        if any(out.iterdir()) and not _is_ours(out):
            raise BadInput(
                "the folder holds files and none of them is a report of this tool",
                "a new or empty folder, or one of an earlier report, which is replaced",
                file=out,
                mend=here,
            )


def _is_ours(folder: Path) -> bool:
    try:
        return GENERATOR in (folder / REPORT).read_text(encoding="utf-8", errors="replace")[:2000]
    except OSError:
        return False


def write_text(out_dir: Path, name: str, text: str) -> Path:
    """Writes one text file as `write_bytes` does."""
    return write_bytes(out_dir, name, text.encode("utf-8"))


def write_bytes(out_dir: Path, name: str, content: bytes) -> Path:
    """Writes one file into a folder, made if need be, whole or not at all; raises BadInput if it cannot."""
    path = out_dir / name
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
        handle, part = tempfile.mkstemp(prefix=f".{name}-", dir=out_dir)
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(content)
            _open_to_readers(Path(part), 0o666)
            os.replace(part, path)
        except BaseException:
            Path(part).unlink(missing_ok=True)
            raise
    except OSError as fault:
        raise _unwritable(path, fault) from fault
    return path


def write_report(fc: Dataset, scenario: Scenario, out_dir: Path, units: str) -> list[Path]:
    """Writes the whole report and returns its paths.

    All is built in a temporary folder beside `out_dir` and put in its place at the end; what else the user keeps in
    the folder of an earlier report is carried over. `units`: 'metric' or 'inch'. Raises BadInput as check_folder does.
    """
    check_folder(out_dir)
    target = out_dir.resolve()
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(
            prefix=f".{target.name}-", dir=target.parent, ignore_cleanup_errors=True
        ) as at:
            fresh = Path(at) / "new"
            fresh.mkdir()
            _fill(fresh, fc, scenario, units)
            names = sorted(path.name for path in fresh.iterdir())
            _put_in_place(fresh, target, Path(at) / "old")
    except OSError as fault:
        raise _unwritable(out_dir, fault) from fault
    return [out_dir / name for name in names]


def _put_in_place(fresh: Path, target: Path, aside: Path) -> None:
    if target.exists():
        os.rename(target, aside)
    try:
        for kept in aside.iterdir() if aside.exists() else ():
            if not (fresh / kept.name).exists():
                _copy(kept, fresh / kept.name)
        os.rename(fresh, target)
    except BaseException:
        if aside.exists() and not target.exists():
            os.rename(aside, target)
        raise


def _copy(kept: Path, to: Path) -> None:
    if kept.is_dir() and not kept.is_symlink():
        shutil.copytree(kept, to, symlinks=True)
    else:
        shutil.copy2(kept, to, follow_symlinks=False)


def _open_to_readers(path: Path, mode: int) -> None:
    """The mode a plain open() would have given, the user's mask taken off."""
    mask = os.umask(0)
    os.umask(mask)
    path.chmod(mode & ~mask)


def _unwritable(path: Path, fault: OSError) -> BadInput:
    return BadInput(
        f"it cannot be written ({fault.strerror or fault})",
        "a place you may write to, with room on the disk",
        file=path,
        mend="--out my-report",
    )


def _fill(folder: Path, fc: Dataset, scenario: Scenario, units: str) -> None:
    import matplotlib

    brief = digest(fc, scenario)
    drawings = {}
    # without the backend's own key, which would make matplotlib import its window toolkits to choose one
    plain: Any = {key: value for key, value in matplotlib.rcParamsDefault.items() if key != "backend"}
    with matplotlib.rc_context({**plain, **figures.STYLE}):
        for name, figure in figures.all_figures(fc, scenario, brief, units).items():
            picture, drawings[name] = draw(figure, name)
            (folder / f"{name}.png").write_bytes(picture)
    yearly = tables.yearly_frame(fc, brief, units)
    yearly.to_csv(folder / "yearly.csv", index=False, lineterminator="\n")
    tables.monthly_frame(fc, brief, units).to_csv(folder / "monthly.csv", index=False, lineterminator="\n")
    tables.regrade_frame(fc).to_csv(folder / "regrades.csv", index=False, lineterminator="\n")
    (folder / "inputs.json").write_text(inputs_json(fc, scenario), encoding="utf-8")
    write_netcdf(fc, brief, folder / "forecast.nc")
    (folder / REPORT).write_text(page(fc, scenario, units, drawings, yearly), encoding="utf-8")


def draw(figure: Figure, name: str) -> tuple[bytes, str]:
    """(PNG, inline SVG) of a figure; laid out once, the ids of the SVG prefixed with its name.

    The canvases are called directly: savefig would draw each figure four times over.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    picture, drawing = BytesIO(), StringIO()
    figure.set_dpi(PICTURE_DPI)
    FigureCanvasAgg(figure).print_png(picture, pil_kwargs={"compress_level": 3})  # type: ignore[no-untyped-call]
    figure.set_layout_engine("none")
    FigureCanvasSVG(figure).print_svg(drawing, metadata={"Date": None, "Creator": None})  # type: ignore[no-untyped-call]
    return picture.getvalue(), inline_svg(drawing.getvalue(), name)


def inline_svg(svg: str, name: str) -> str:
    """An SVG file's text made fit to stand in a page: no prologue, own ids, scaled by the page, named for readers."""
    title, caption = captions.FIGURES[name]
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>\s*", "", svg, flags=re.DOTALL)
    svg = re.sub(r'\bid="', f'id="{name}-', svg)
    svg = re.sub(r'(href="#|url\(#)', rf"\g<1>{name}-", svg)
    svg = re.sub(r' d="[^"]*"', lambda found: re.sub(r"(\.\d\d)\d+", r"\1", found[0]), svg)
    head, rest = svg.split(">", 1)
    box = re.search(r'viewBox="[^"]*"', head)
    assert box is not None
    spoken = f"{title}. {caption}".replace("&", "&amp;").replace('"', "&quot;")
    names = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'
    return f'<svg {names} {box[0]} role="img" aria-label="{spoken}">{rest}'


def page(fc: Dataset, scenario: Scenario, units: str, drawings: dict[str, str], yearly: Any) -> str:
    """The report as one HTML page: style and drawings inside, no script, nothing fetched."""
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    room = files("driftmodel.report")
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    template = environment.from_string(room.joinpath("report.html").read_text(encoding="utf-8"))
    return template.render(
        fc=fc,
        scenario=scenario,
        style=Markup(room.joinpath("report.css").read_text(encoding="utf-8")),
        drawings={name: Markup(drawing) for name, drawing in drawings.items()},
        captions=captions.FIGURES,
        story=words.story(fc, scenario, units),
        cautions=captions.CAUTIONS,
        limits=captions.LIMITS,
        years=tables.year_table(yearly, units),
        grades=tables.grade_table(fc, units),
        inputs=tables.input_table(fc, scenario, units),
        sources=tables.source_table(fc),
        files=FILES,
    )


def inputs_json(fc: Dataset, scenario: Scenario) -> str:
    """The full inputs as read, with what is needed to run them again."""
    run = {
        key: fc.attrs[key].item() if hasattr(fc.attrs[key], "item") else fc.attrs[key]
        for key in ("seed", "draws", "version", "created", "input_hash")
    }
    return json.dumps({"run": run, **dict(scenario.raw)}, indent=2, default=str, ensure_ascii=False) + "\n"


def write_netcdf(fc: Dataset, brief: Digest, path: Path) -> None:
    """The forecast for machines: air and moisture daily, quantiles weekly, each draw's monthly means, regrades."""
    import xarray as xr

    data = fc.drop_vars(SERIES)
    data = data.assign_coords(
        week=("week", brief.week, {"long_name": "day the quantiles are taken at", "standard_name": "time"}),
        month=("month", brief.month_start.astype("datetime64[ns]"), {"long_name": "first day of the month meant"}),
    )
    encoding: dict[str, dict[str, Any]] = {}
    packed = {"zlib": True, "complevel": 1, "shuffle": True}
    for name in SERIES:
        unit, long_name = fc[name].attrs["units"], fc[name].attrs["long_name"]
        data[name] = xr.Variable(("quantile", "week"), brief.bands[name], {"units": unit, "long_name": long_name})
        data[f"{name}_monthly"] = xr.Variable(
            ("draw", "month"),
            brief.monthly[name],
            {"units": unit, "long_name": f"{long_name}, mean of the month", "cell_methods": "time: mean"},
        )
        encoding[name] = packed | {"dtype": "float32"}
        scale = 0.0002 if unit == "degree" else 0.001
        encoding[f"{name}_monthly"] = packed | {"dtype": "int16", "scale_factor": scale, "_FillValue": -32768}
    for name in ("air_temperature", "relative_humidity", "equilibrium_moisture_content", "moisture_content"):
        encoding[name] = packed | {"dtype": "float32"}
    for name in ("time", "week", "month"):
        encoding[name] = {"units": "days since 1970-01-01", "dtype": "int32"}
    for name in ("regrade_date", "regrade_due_date"):
        encoding[name] = {"units": "days since 1970-01-01", "dtype": "float64"}
    data["time"].attrs |= {"standard_name": "time", "long_name": "day, 00:00"}
    data["quantile"].attrs |= {"long_name": "quantile over the draws", "units": "1"}
    data.attrs = {key: np.float64(value) if isinstance(value, float) else value for key, value in fc.attrs.items()} | {
        "summary": "Forecast of a guitar's neck angle and action; quantiles over the draws, monthly means of each."
    }
    data.to_netcdf(path, engine="h5netcdf", encoding=encoding)
