"""The report's figures: one family, in the user's units, readable in grey and on paper."""

from __future__ import annotations

from typing import Any

import numpy as np

from driftmodel.base.records import Scenario
from driftmodel.base.schema import DAMP_PCT, DRY_PCT, Axes, Dataset, Figure
from driftmodel.base.units import length_words
from driftmodel.outlook.calendar import ahead_years
from driftmodel.report import pictures
from driftmodel.report.ensemble import Summary, driver_bars, grade_bars, length_scale

PART_WORDS = {
    "top": ("top", "-", pictures.SEASON_LINE, 2.2),
    "top_braces": ("top braces", "--", pictures.SEASON_LINE, 1.3),
    "back": ("back", "-", pictures.LASTING_LINE, 2.2),
    "back_braces": ("back braces", "--", pictures.LASTING_LINE, 1.3),
    "neck": ("neck", "-.", pictures.INK, 1.6),
    "fingerboard": ("fingerboard", ":", pictures.INK, 1.8),
}


def all_figures(fc: Dataset, scenario: Scenario, brief: Summary, units: str) -> dict[str, Figure]:
    """Every figure by its file name, in the order of the report. To be called inside rc_context(style.STYLE)."""
    return {
        "action": action(fc, scenario, brief, units),
        "chance": chance(fc),
        "grades": grades(fc, scenario, units),
        "drift": drift(brief, units),
        "parts": parts(fc, units),
        "season": season(scenario, brief, units),
        "humidity": humidity(brief),
        "moisture": moisture(brief),
        "drivers": drivers(fc),
    }


def _legend(figure: Figure, axes: Axes, columns: int, extra: list[Any] | None = None) -> None:
    handles = [*axes.get_legend_handles_labels()[0], *(extra or [])]
    pictures.key_below(figure, columns, handles=handles, handlelength=1.8)


def _winter_key() -> Any:
    from matplotlib.patches import Patch

    return Patch(color=pictures.QUIET, label="winter (foot of the figure)")


def action(fc: Dataset, scenario: Scenario, brief: Summary, units: str) -> Figure:
    """Action at the 12th fret through the years, the fitted spacer left in, with the rule and the likely window."""
    factor, unit, _ = length_scale(units)
    figure, axes = pictures.blank(7.2, 3.7)
    points = brief.bands["action_12th"] * factor
    pictures.band(axes, brief.week, points, "four times in five it lies here", "middle of the forecast", linewidth=1.0)
    rule = scenario.rule
    top, foot = rule.action_high_mm * factor, rule.action_low_mm * factor
    least, most = min(float(points.min()), foot), max(float(points.max()), top)
    axes.set_ylim(least - 0.12 * (most - least), most + 0.26 * (most - least))
    _window(axes, fc, brief)
    _rule(axes, scenario, units)
    pictures.winters(axes, brief.week, brief.southern)
    pictures.years_below(axes, brief.week)
    axes.set_ylabel(f"Action at the 12th fret ({unit})")
    _legend(figure, axes, 3, [_winter_key()])
    return figure


def _rule(axes: Axes, scenario: Scenario, units: str) -> None:
    """The rule's two limits, dashed, named outside the axes on the right so that no label lies on data."""
    factor = length_scale(units)[0]
    rule = scenario.rule
    for at, words, side in ((rule.action_high_mm, "too high\nabove", 1), (rule.action_low_mm, "too low\nbelow", -1)):
        axes.axhline(at * factor, color=pictures.INK, linewidth=1.1, linestyle=(0, (6, 3)))
        told, va = f"{words}\n{length_words(at, units)}", "bottom" if side > 0 else "top"
        pictures.note(
            axes, told, (1.0, at * factor), (5, -5 * side), pictures.BESIDE, ha="left", va=va, linespacing=1.15
        )


def _window(axes: Axes, fc: Dataset, brief: Summary) -> None:
    """Hatched from the one-in-ten to the nine-in-ten date of a regrade, as far as they lie within the horizon."""
    early, middle, late = fc["regrade_due_date"].values
    if np.isnat(early):
        return
    end = brief.week[-1] if np.isnat(late) else late
    axes.axvspan(early, end, ymin=0.94, facecolor="white", edgecolor=pictures.LASTING_LINE, hatch="////", linewidth=0.8)
    words = "a regrade is likeliest here" if not np.isnat(middle) else "a regrade may be due here"
    centre = early + (end - early) / 2
    across = (centre - brief.week[0]) / (brief.week[-1] - brief.week[0])
    side, centre = ("right", end) if across > 0.85 else ("left", early) if across < 0.15 else ("center", centre)
    pictures.note(axes, words, (centre, 0.93), (0, 0), pictures.ABOVE, ha=side, va="top", color=pictures.LASTING_LINE)


def drift(brief: Summary, units: str) -> Figure:
    """What comes back with the season above, what does not below: projection at the saddle, one common scale."""
    factor, unit, _ = length_scale(units)
    figure, (upper, lower) = pictures.blank(7.2, 4.4, 2, 1, sharex=True, sharey=True)
    for axes, kind, fill, line, words in (
        (upper, "_seasonal", pictures.SEASON, pictures.SEASON_LINE, "Comes back with the season"),
        (lower, "_lasting", pictures.LASTING, pictures.LASTING_LINE, "Does not come back"),
    ):
        told = f"four times in five ({kind[1:]})", f"middle ({kind[1:]})"
        points = brief.bands["projection_change" + kind] * factor
        pictures.band(axes, brief.week, points, *told, fill, line, linewidth=1.1)
        axes.axhline(0.0, color=pictures.QUIET, linewidth=0.7)
        axes.set_title(words, loc="left", fontsize=9.5, fontweight="bold", color=line)
    pictures.winters(lower, brief.week, brief.southern)
    pictures.winters(upper, brief.week, brief.southern)
    pictures.years_below(lower, brief.week)
    figure.supylabel(f"Fret plane at the saddle since set-up ({unit}; + higher)", fontsize=9)
    handles = [*upper.get_legend_handles_labels()[0], *lower.get_legend_handles_labels()[0]]
    pictures.key_below(figure, 4, handles=handles, columnspacing=1.2)
    return figure


LASTING_PARTS = {
    "plates": ("plates, braces, bridge, sides", "#7b3410"),
    "blocks": ("neck and tail block", "#c77f4f"),
    "joint": ("neck joint", "#3f4a52"),
    "root": ("root of the neck", "#8b979f"),
    "residual": ("what is not known", "#ffffff"),
}


def parts(fc: Dataset, units: str) -> Figure:
    """What lasts at the saddle after twenty and thirty years, by where it is made: a bar a year, parts end to end."""
    factor, unit, _ = length_scale(units)
    rise = fc["lasting_by_part"].values * factor
    figure, axes = pictures.blank(7.2, 2.5)
    digits, rows = 2 if units == "metric" else 3, rise.shape[1]
    looks = [(*LASTING_PARTS[str(name)], "////" if name == "residual" else "") for name in fc["lasting_part"].values]
    right, _ = pictures.end_to_end(
        axes,
        ((words, row[::-1], {"color": colour, "hatch": hatch, "edgecolor": pictures.LASTING_LINE, "linewidth": 0.7})
         for row, (words, colour, hatch) in zip(rise, looks, strict=True)),
        rows, 0.56,
    )  # fmt: skip
    for at, (end, whole) in enumerate(zip(right, rise.sum(axis=0)[::-1], strict=True)):
        axes.annotate(f"{whole:+.{digits}f} {unit}", (end, at), xytext=(5, 0), textcoords="offset points", va="center")
    axes.set_yticks(range(rows), [f"{year} years" for year in fc["lasting_year"].values[::-1]])
    axes.axvline(0.0, color=pictures.QUIET, linewidth=0.7)
    axes.margins(x=0.16, y=0.12)
    axes.set_xlabel(
        f"Lasting rise of the saddle over the fret plane, middle guitar ({unit}; half of it at the 12th fret)"
    )
    _legend(figure, axes, 3)
    return figure


def chance(fc: Dataset) -> Figure:
    """Chance that a regrade has fallen due by the end of each year."""
    years, due = fc["year"].values, 100 * fc["regrade_due"].values
    figure, axes = pictures.blank(3.8, 3.0)
    axes.bar(years, due, width=0.72, color=pictures.SEASON, edgecolor=pictures.SEASON_LINE, linewidth=0.7)
    axes.set_ylim(0, 100)
    axes.set_xlim(-0.2 if years.size > 8 else 0.3, years[-1] + 0.7)
    axes.set_yticks(range(0, 101, 20))
    axes.set_xticks([year for year in years if years.size <= 8 or year % 5 == 0 or year == 1])
    axes.grid(axis="y")
    for year in {1, years.size // 2, years.size} - {0}:
        pictures.note(axes, f"{due[year - 1]:.0f} %", (year, due[year - 1]), (0, 2), ha="center", va="bottom")
    axes.set_xlabel("Years after set-up")
    axes.set_ylabel("Chance a regrade is due by then (%)")
    return figure


def grades(fc: Dataset, scenario: Scenario, units: str) -> Figure:
    """Which spacer the first regrade wants, if one falls due within the horizon."""
    figure, axes = pictures.blank(3.8, 3.0)
    bars = grade_bars(fc, units)
    if not bars:
        axes.set_axis_off()
        axes.text(0.5, 0.5, f"In none of the runs does a regrade\nfall due within {ahead_years(scenario)} years.",
                  ha="center", va="center", transform=axes.transAxes, fontsize=10)  # fmt: skip
        return figure
    plain = [not words.startswith("none") for words, _ in bars]
    pictures.told_shares(axes, bars, plain, pictures.LASTING, pictures.LASTING_LINE)
    axes.set_xlim(0, min(118, max(share for _, share in bars) * 1.25))
    axes.set_xlabel("Share of those runs (%)")
    return figure


def _by_month(axes: Axes, brief: Summary, every: bool = False) -> None:
    """Month names below, every one or every other, winter and summer named above a light band."""
    axes.set_xticks(range(12), [name if every or at % 2 == 0 else "" for at, name in enumerate(pictures.MONTHS)])
    axes.set_xlim(-0.5, 11.5)
    cold, warm = ("summer", "winter") if brief.southern else ("winter", "summer")
    for left, right in ((-0.5, 1.5), (10.5, 11.5), (4.5, 7.5)):
        shade = pictures.QUIET if (cold == "winter") != (left == 4.5) else pictures.WINTER
        axes.axvspan(left, right, ymin=0.0, ymax=0.025, color=shade, linewidth=0)
    for at, words in ((0.5, cold), (6.0, warm)):
        pictures.note(axes, words, (at, 1.0), (0, 2), pictures.ABOVE, ha="center", va="bottom", color=pictures.QUIET)


def season(scenario: Scenario, brief: Summary, units: str) -> Figure:
    """Action month by month of an average year, the lasting drift left out, with the rule."""
    factor, unit, _ = length_scale(units)
    figure, axes = pictures.blank(3.8, 3.1)
    points, rule = brief.action_mm * factor, scenario.rule
    pictures.band(axes, range(12), points, "four times in five", marker="o", markersize=3.5)
    foot, top = min(rule.action_low_mm * factor, points.min()), max(rule.action_high_mm * factor, points.max())
    axes.set_ylim(foot - 0.14 * (top - foot), top + 0.12 * (top - foot))
    _rule(axes, scenario, units)
    _by_month(axes, brief)
    axes.set_ylabel(f"Action at the 12th fret ({unit})")
    _legend(figure, axes, 2)
    return figure


def humidity(brief: Summary) -> Figure:
    """Relative humidity around the instrument by month, with the dry and the damp zone."""
    figure, axes = pictures.blank(3.8, 3.1)
    axes.axhspan(0, DRY_PCT, color=pictures.ZONE, linewidth=0, zorder=0)
    axes.axhspan(DAMP_PCT, 100, color=pictures.ZONE, linewidth=0, zorder=0)
    pictures.band(axes, range(12), brief.humidity_pct, "eight days in ten", marker="o", markersize=3.5)
    axes.set_ylim(0, 100)
    for at, words in ((6, f"dry: below {DRY_PCT:.0f} %"), (94, f"damp: above {DAMP_PCT:.0f} %")):
        axes.text(11.3, at, words, ha="right", va="center", fontsize=8.5)
    _by_month(axes, brief)
    axes.set_ylabel("Relative humidity around it (%)")
    _legend(figure, axes, 2)
    return figure


def moisture(brief: Summary) -> Figure:
    """Moisture content of the parts through an average year."""
    figure, axes = pictures.blank(7.2, 3.5)
    for part, (words, style, colour, width) in PART_WORDS.items():
        axes.plot(range(12), brief.moisture_pct[part], linestyle=style, color=colour, linewidth=width, label=words,
                  marker="s" if part == "back" else None, markersize=5)  # fmt: skip
    _by_month(axes, brief, every=True)
    axes.set_ylabel("Moisture in the wood (% of dry weight)")
    _legend(figure, axes, 6)
    return figure


def drivers(fc: Dataset) -> Figure:
    """What makes the forecast uncertain: share of the spread of the action at the end of the horizon."""
    bars = driver_bars(fc)
    figure, axes = pictures.blank(7.2, 0.9 + 0.4 * len(bars))
    plain = [*[True] * (len(bars) - 1), False]
    pictures.told_shares(axes, bars, plain, pictures.SEASON, pictures.SEASON_LINE)
    axes.set_xlim(0, max(share for _, share in bars) * 1.15)
    axes.set_xlabel("Share of the forecast's spread it accounts for (%)")
    return figure
