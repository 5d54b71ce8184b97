"""The look that all figures share: colours, line weights, type sizes, the names of the months."""

from __future__ import annotations

from typing import Any

INK, QUIET = "#22282d", "#6a737b"
SEASON, SEASON_LINE = "#bcd3df", "#1f5570"
LASTING, LASTING_LINE = "#e3b596", "#7b3410"
ZONE, WINTER = "#f0e9dc", "#d3d7da"
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
STYLE: dict[Any, Any] = {
    "font.size": 9.0,
    "axes.labelsize": 9.0,
    "axes.edgecolor": QUIET,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
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
