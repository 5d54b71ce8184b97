"""Figures as pictures and as drawings inside a page, in one style: colours, line weights, type sizes, months' names."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from io import BytesIO, StringIO
from typing import Any

import numpy as np

from driftmodel.base.schema import Array, Axes, Figure, Times
from driftmodel.report import texts
from driftmodel.report.texts import Captions

PICTURE_DPI = 130
INK, QUIET = "#22282d", "#6a737b"
SEASON, SEASON_LINE = "#bcd3df", "#1f5570"
LASTING, LASTING_LINE = "#e3b596", "#7b3410"
ZONE, WINTER = "#f0e9dc", "#d3d7da"
MONTHS = tuple(name[:3] for name in texts.MONTHS)
STYLE: dict[Any, Any] = {
    "font.size": 9.0,
    "axes.labelsize": 9.0,
    "axes.edgecolor": QUIET,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "grid.color": "#dfe3e6",
    "grid.linewidth": 0.6,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.major.width": 0.7,
    "ytick.major.width": 0.7,
    "hatch.linewidth": 0.6,
    "hatch.color": QUIET,
    "legend.fontsize": 8.5,
    "svg.fonttype": "path",
    "svg.hashsalt": "driftmodel",
    "path.simplify_threshold": 0.3,
}


@contextmanager
def our_style() -> Iterator[None]:
    """The figures' style, whatever the user's own settings of matplotlib are; no name is read as a formula."""
    import matplotlib

    # without the backend's own key, which would make matplotlib import its window toolkits to choose one
    plain: Any = {key: value for key, value in matplotlib.rcParamsDefault.items() if key != "backend"}
    with matplotlib.rc_context({**plain, **STYLE, "text.parse_math": False}):
        yield


def blank(width: float, height: float, rows: int = 1, columns: int = 1, **shared: Any) -> tuple[Figure, Any]:
    """An empty figure, sizes in inches, and its axes: one, or an array of them."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), layout="constrained")
    return figure, figure.subplots(rows, columns, **shared)


def key_below(figure: Figure, columns: int, **more: Any) -> None:
    """The key of a figure, outside it at its foot."""
    figure.legend(loc="outside lower center", ncols=columns, frameon=False, **more)


#: where a note stands: beside the axes at a height, above them at a place along, or at a point
BESIDE, ABOVE, AT = ("axes fraction", "data"), ("data", "axes fraction"), "data"


def note(axes: Axes, words: str, at: tuple[Any, Any], by: tuple[float, float], frame: Any = AT, **style: Any) -> None:
    """Words set off from a place by so many points, in the small type of notes."""
    told = {"fontsize": 8.5} | style
    axes.annotate(words, at, xycoords=frame, xytext=by, textcoords="offset points", **told)


def band(
    axes: Axes, x: Any, points: Array, words: str, middle: str = "middle", fill: str = SEASON, line: str = SEASON_LINE,
    alpha: float = 1.0, **drawn: Any,
) -> None:  # fmt: skip
    """A tinted band from the first to the last of three points (3, n) and a line along the one between, with the words
    of both for the key. drawn: of the line."""
    axes.fill_between(x, points[0], points[2], color=fill, linewidth=0, label=words, alpha=alpha)
    look: dict[str, Any] = {"linewidth": 1.8} | drawn
    axes.plot(x, points[1], color=line, label=middle, **look)


def named_rows(axes: Axes, names: Sequence[str], wide: int) -> None:
    """Rows 0, 1, ... named beside the axes from the top down, names broken at so many signs."""
    axes.set_yticks(range(len(names)), [textwrap.fill(name, wide) for name in names])
    axes.set_ylim(len(names) - 0.4, -0.6)


def told_shares(axes: Axes, bars: Sequence[tuple[str, float]], plain: Any, fill: str, line: str) -> None:
    """Bars (words, %) from the top down, each with its number at its end; those not `plain` are white and hatched."""
    colours = [fill if is_plain else "#ffffff" for is_plain in plain]
    shares = [share for _, share in bars]
    drawn = axes.barh(range(len(bars)), shares, height=0.6, color=colours, edgecolor=line, linewidth=0.7)
    for patch, is_plain in zip(drawn, plain, strict=True):
        patch.set_hatch("" if is_plain else "////")
    axes.bar_label(drawn, fmt="%.0f %%", padding=3, fontsize=8.5)
    named_rows(axes, [words for words, _ in bars], 40)


def end_to_end(
    axes: Axes, parts: Iterable[tuple[str, Array, Mapping[str, Any]]], rows: int, height: float
) -> tuple[Array, Array]:
    """Bars across, (words, (rows,) values, look) laid end to end, to the right of nothing or to the left as their signs
    say; where they end at the right and at the left."""
    right, left = np.zeros(rows), np.zeros(rows)
    for words, values, look in parts:
        start = np.where(values > 0.0, right, left)
        axes.barh(range(rows), values, left=start, height=height, label=words, **look)
        right, left = right + np.maximum(values, 0.0), left + np.minimum(values, 0.0)
    return right, left


def before_and_after(axes: Axes, rows: Sequence[Sequence[Any]], words: tuple[str, str], width: float) -> None:
    """Two thick lines a row, from the foot up, before (pale, above) and after; rows: their two pairs of ends."""
    for place, pair in enumerate(rows):
        for ends, colour, up, told in zip(pair, (SEASON, SEASON_LINE), (0.17, -0.17), words, strict=True):
            axes.plot(ends, [place + up] * 2, color=colour, linewidth=width, solid_capstyle="butt",
                      label=told if place == 0 else None)  # fmt: skip


def usual_axis(axes: Axes, reach: tuple[float, float], ticks: Mapping[float, str]) -> None:
    """Multiples of the usual from left to right, a half as far as a double; the usual as a line."""
    axes.axvline(1.0, color=QUIET, linewidth=0.8)
    axes.set_xscale("log")
    axes.set_xlim(*reach)
    axes.set_xticks(list(ticks), list(ticks.values()))
    axes.minorticks_off()


def month_axis(axes: Axes, months: list[str]) -> None:
    """Ticks at the start of a year or quarter; months stand at 0, 1, ..."""
    step = 3 if len(months) <= 30 else 6 if len(months) <= 72 else 24 if len(months) > 120 else 12
    at = [k for k, month in enumerate(months) if (int(month[5:]) - 1) % min(step, 12) == 0]
    if step == 24:
        at = at[::2]
    words = [MONTHS[int(months[k][5:]) - 1] + (f"\n{months[k][:4]}" if months[k][5:] == "01" or k == at[0] else "")
             for k in at]  # fmt: skip
    axes.set_xticks(at, words)


def png(make: Callable[[], Figure]) -> bytes:
    """A figure, made in our style, as the bytes of a PNG."""
    with our_style():
        return _png(make())


def _png(figure: Figure) -> bytes:
    """The canvas is called directly: savefig would draw each figure twice over."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    picture = BytesIO()
    figure.set_dpi(PICTURE_DPI)
    FigureCanvasAgg(figure).print_png(picture, pil_kwargs={"compress_level": 3})  # type: ignore[no-untyped-call]
    return picture.getvalue()


def draw(figure: Figure, name: str, told: Captions) -> tuple[bytes, str]:
    """(PNG, inline SVG) of a figure; laid out once, the ids of the SVG prefixed with its name."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    picture, drawing = _png(figure), StringIO()
    figure.set_layout_engine("none")
    FigureCanvasSVG(figure).print_svg(drawing, metadata={"Date": None, "Creator": None})  # type: ignore[no-untyped-call]
    return picture, inline_svg(drawing.getvalue(), name, told)


def inline_svg(svg: str, name: str, told: Captions) -> str:
    """An SVG file's text made fit to stand in a page: no prologue, own ids, scaled by the page, named for readers."""
    title, caption = told[name]
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


def winters(axes: Axes, days: Times, southern: bool) -> None:
    """A grey tick at the foot of the axes for each winter from the first of the days to the last."""
    first, last = (days[at].astype("datetime64[D]") for at in (0, -1))
    starts = np.arange(first.astype("datetime64[Y]") - 1, last.astype("datetime64[Y]") + 1).astype("datetime64[M]")
    opens, closes = (5, 8) if southern else (11, 14)
    left = np.maximum((starts + opens).astype("datetime64[D]"), first)
    right = np.minimum((starts + closes).astype("datetime64[D]"), last)
    seen = right > left
    spans = list(zip(left[seen].astype(float), (right - left)[seen].astype(float), strict=True))
    axes.broken_barh(spans, (0.0, 0.025), transform=axes.get_xaxis_transform(), color=QUIET, linewidth=0)


def years_below(axes: Axes, days: Times) -> None:
    """Years, or months where there are few of them, below the axes, which reach from the first of the days to the
    last."""
    first, last = (int(days[at].astype("datetime64[Y]").astype(int)) + 1970 for at in (0, -1))
    step = 1 if last - first <= 8 else 2 if last - first <= 22 else 5
    at = [np.datetime64(f"{year}-01") for year in range(first + 1, last + 1) if year % step == 0]
    words = [str(day.astype("datetime64[Y]")) for day in at]
    if last - first <= 3:
        at = list(
            np.arange(np.datetime64(f"{first}-01"), np.datetime64(f"{last + 1}-01"), 3 if last - first < 2 else 6)
        )
        at = [day for day in at if days[0] <= day <= days[-1]]
        words = [f"{MONTHS[int(day.astype(int)) % 12]} {day.astype('datetime64[Y]')}" for day in at]
    axes.set_xticks([day.astype("datetime64[D]") for day in at], words)
    axes.set_xlim(days[0], days[-1])
