"""The bench page's picture: the action over the years as drawn before and after learning, readings as dots."""

from __future__ import annotations

from datetime import date

import numpy as np
from markupsafe import Markup, escape

from driftmodel.calibration.decide import Decision
from driftmodel.calibration.records import ReadingRow
from driftmodel.doors.page_view import round_ticks
from driftmodel.report.ensemble import length_scale
from driftmodel.report.pictures import QUIET, SEASON, SEASON_LINE

LEFT, RIGHT, TOP, FOOT = 54.0, 596.0, 40.0, 250.0
RUST = "#7b3410"


def path_picture(decision: Decision, readings: tuple[ReadingRow, ...], units: str) -> Markup:
    """Inline SVG: grey line and band before learning, blue after it, the rule dashed, dots for readings of the action,
    today's reading ringed."""
    path = decision.path
    if path is None:
        return Markup("")
    factor, unit, digits = length_scale(units)
    days = np.array([day.toordinal() for day in path.days], dtype=float)
    first, last = days[0], days[-1]
    dots = [
        (one.date.toordinal(), one.value, one in decision.readings)
        for one in (*readings, *decision.readings)
        if one.what.startswith("action") and first <= one.date.toordinal() <= last
    ]
    values = [
        path.before[0],
        path.before[2],
        path.after[0],
        path.after[2],
        *(np.array([value]) for _, value, _ in dots),
    ]
    low = min(min(float(each.min()) for each in values), decision.rule_mm[0]) - 0.05
    high = max(max(float(each.max()) for each in values), decision.rule_mm[1]) + 0.05

    def x(ordinal: float) -> float:
        return float(LEFT + (ordinal - first) / (last - first) * (RIGHT - LEFT))

    def y(value_mm: float) -> float:
        return float(TOP + (high - value_mm) / (high - low) * (FOOT - TOP))

    def band(points: np.ndarray) -> str:
        up = [f"{x(day):.1f},{y(value):.1f}" for day, value in zip(days, points[2], strict=True)]
        down = [f"{x(day):.1f},{y(value):.1f}" for day, value in zip(days[::-1], points[0][::-1], strict=True)]
        return " ".join([*up, *down])

    def line(points: np.ndarray) -> str:
        return " ".join(f"{x(day):.1f},{y(value):.1f}" for day, value in zip(days, points[1], strict=True))

    now = path.after[1][int(np.argmin(np.abs(days - decision.day.toordinal())))] * factor
    spoken = (
        f"Action at the 12th fret from {path.days[0]} to {path.days[-1]}, {len(dots)} readings; on {decision.day} "
        f"about {now:.{digits}f} {unit}"
    )
    parts = [
        f'<svg viewBox="0 0 620 290" role="img" aria-label="{escape(spoken)}">',
        f'<text x="4" y="18" font-weight="bold">Action at the 12th fret ({unit})</text>',
        f'<polygon points="{band(path.before)}" fill="#e4e6e8"/>',
        f'<polyline points="{line(path.before)}" fill="none" stroke="{QUIET}" stroke-dasharray="2 3"/>',
        f'<polygon points="{band(path.after)}" fill="{SEASON}" fill-opacity="0.75"/>',
        f'<polyline points="{line(path.after)}" fill="none" stroke="{SEASON_LINE}" stroke-width="2.2"/>',
    ]
    for value in decision.rule_mm:
        parts.append(f'<line x1="{LEFT}" x2="{RIGHT}" y1="{y(value):.1f}" y2="{y(value):.1f}" stroke="#22282d" '
                     'stroke-dasharray="7 4"/>')  # fmt: skip
    for value in round_ticks(low * factor, high * factor):
        at = y(float(value) / factor)
        parts.append(f'<text x="{LEFT - 6}" y="{at + 4:.1f}" text-anchor="end">{value:.{digits}f}</text>')
    parts.append(f'<line x1="{LEFT}" x2="{RIGHT}" y1="{FOOT}" y2="{FOOT}" stroke="{QUIET}"/>')
    for year in range(path.days[0].year + 1, path.days[-1].year + 1):
        at = x(date(year, 1, 1).toordinal())
        if LEFT + 12 < at < RIGHT - 12:
            parts.append(f'<line x1="{at:.1f}" x2="{at:.1f}" y1="{FOOT}" y2="{FOOT + 5}" stroke="{QUIET}"/>'
                         f'<text x="{at:.1f}" y="{FOOT + 22}" text-anchor="middle">{year}</text>')  # fmt: skip
    here = x(decision.day.toordinal())
    parts.append(f'<line x1="{here:.1f}" x2="{here:.1f}" y1="{TOP - 6}" y2="{FOOT}" stroke="{RUST}"/>')
    named = f'x="{min(here, RIGHT - 24):.1f}" y="{TOP - 10}" text-anchor="middle" fill="{RUST}"'
    parts.append(f"<text {named}>today</text>")
    for ordinal, value, today in dots:
        ring = f'fill="#fff" stroke="{RUST}" stroke-width="3"' if today else 'fill="#22282d"'
        parts.append(f'<circle cx="{x(ordinal):.1f}" cy="{y(value):.1f}" r="{6 if today else 4}" {ring}/>')
    return Markup("".join(parts) + "</svg>")
