"""What many instruments taught, in a maker's words; the file of learned numbers; a picture of all."""

from __future__ import annotations

import json
import textwrap
from pathlib import Path
from typing import Any

import numpy as np

from driftmodel.base.scenario_file import LearnedPrior, learned_text
from driftmodel.base.schema import Figure
from driftmodel.calibration.claimed import MOST_GUITARS
from driftmodel.calibration.pooled import LearnedNumber, Pooled
from driftmodel.report.folder import write_files
from driftmodel.report.pictures import INK, ZONE, before_and_after, blank, key_below, png, usual_axis
from driftmodel.report.texts import plain_text

#: a number is told as learned when its spread fell by this share or its median moved by half a spread
TOLD_NARROWED, TOLD_MOVED = 0.95, 0.5
#: the number that every instrument is shown by
DRIFT = "residual_gain"
Z80 = 1.2815515655446004


def learning_summary(pooled: Pooled) -> str:
    """Plain text: what was learned, how far guitars stand apart, who stands out."""
    words = {one.name: one.words for one in pooled.numbers}

    def ends(one: LearnedNumber, median: float, log_sd: float) -> list[float]:
        return [float(median / one.before.median * np.exp(side * Z80 * log_sd)) for side in (-1.0, 1.0)]

    return plain_text(
        "learning.txt",
        many=_many,
        count=len(pooled.standing),
        readings=sum(one.one.readings for one in pooled.standing),
        slips=sum(one.one.slips for one in pooled.standing),
        claims=pooled.claims,
        most=MOST_GUITARS,
        designs=sorted({one.one.design for one in pooled.standing}),
        numbers=[
            (one.words, ends(one, one.before.median, one.before.log_sd), ends(one, one.median, one.log_sd))
            for one in pooled.numbers
        ],
        doubt=[
            (one.words, np.exp(Z80 * one.middle_log_sd), np.exp(Z80 * one.apart_log_sd))
            for one in pooled.numbers
            if _told(one)
        ],
        out=[
            (one.one.name, [(words[name], away) for name, away in one.out.items()])
            for one in pooled.standing
            if one.out
        ],
    )


def _many(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def _told(one: LearnedNumber) -> bool:
    moved = abs(np.log(one.median / one.before.median)) / one.before.log_sd
    return bool(one.narrowed < TOLD_NARROWED or moved > TOLD_MOVED)


def learning_json(pooled: Pooled) -> dict[str, Any]:
    """The numbers for machines: multiples of the usual."""

    def spread(of: Any) -> dict[str, float]:
        return {"median": of.median, "log_sd": of.log_sd}

    return {
        "instruments": len(pooled.standing),
        "readings": sum(one.one.readings for one in pooled.standing),
        "claims": pooled.claims.guitars if pooled.claims else 0,
        "numbers": [
            {"name": one.name, "words": one.words, "before": spread(one.before), "now": spread(one),
             "middle_log_sd": one.middle_log_sd, "apart_log_sd": one.apart_log_sd}
            for one in pooled.numbers
        ],
        "standing": [
            {name: getattr(one.one, name) for name in ("name", "design", "readings", "slips")}
            | {"alone": dict(one.alone), "drawn_to_the_others": dict(one.drawn), "stands_out": dict(one.out)}
            for one in pooled.standing
        ],
    }  # fmt: skip


def learned_toml(pooled: Pooled, title: str) -> str:
    """The file that scenarios name."""
    source = f"learned from {_many(len(pooled.standing), 'instrument')}"
    source += f" and claims of {pooled.claims.guitars} more" if pooled.claims else ""
    return learned_text(
        title,
        source,
        tuple((LearnedPrior(one.name, one.median, one.log_sd, source), one.words) for one in pooled.numbers),
    )


def write_learning(pooled: Pooled, folder: Path, title: str) -> tuple[Path, ...]:
    """Writes learned.toml, learning.txt, learning.json and learning.png into `folder`; their paths.

    Raises BadInput where they cannot be written."""
    return write_files(
        folder,
        {
            "learned.toml": learned_toml(pooled, title),
            "learning.txt": learning_summary(pooled) + "\n",
            "learning.json": json.dumps(learning_json(pooled), indent=2) + "\n",
            "learning.png": png(lambda: learning_figure(pooled)),
        },
    )


def learning_figure(pooled: Pooled) -> Figure:
    """Left: every instrument's drift against the middle of all, by itself and drawn to the others. Right: the numbers
    before and after."""
    standing = sorted(pooled.standing, key=lambda one: one.alone[DRIFT][1])
    rows = max(len(standing), len(pooled.numbers))
    figure, (left, right) = blank(10.0, float(np.clip(1.8 + 0.2 * rows, 4.0, 14.0)), 1, 2)
    left.axvspan(*np.exp(np.array([-Z80, Z80]) * next(n for n in pooled.numbers if n.name == DRIFT).apart_log_sd),
                 color=ZONE, linewidth=0)  # fmt: skip
    both = [(one.alone[DRIFT], one.drawn[DRIFT]) for one in standing]
    ends = [[(points[0], points[2]) for points in pair] for pair in both]
    before_and_after(left, ends, ("by its own readings", "with what the others say"), 3)
    for place, pair in enumerate(both):
        for points, up in zip(pair, (0.17, -0.17), strict=True):
            left.plot([points[1]], [place + up], "|", color=INK, markersize=4)
    names = [f"{one.one.name} *" if one.out else one.one.name for one in standing]
    step = max(1, len(names) // 40)
    left.set_yticks(range(0, len(names), step), names[::step], fontsize=7 if len(names) > 20 else 8)
    words = next(number.words for number in pooled.numbers if number.name == DRIFT)
    left.set_title(textwrap.fill(f"{words[:1].upper()}{words[1:]}, one by one", 56), loc="left", fontsize=10)
    reach = np.exp(np.array([-Z80, Z80]))
    learned = [
        (reach**one.before.log_sd, one.median / one.before.median * reach**one.log_sd)
        for one in reversed(pooled.numbers)
    ]
    before_and_after(right, learned, ("before", "the next instrument, now"), 5)
    right.set_yticks(
        range(len(pooled.numbers)), [textwrap.fill(one.words, 34) for one in reversed(pooled.numbers)], fontsize=8
    )
    right.set_title("What was learned", loc="left", fontsize=10)
    ticks = {0.25: "quarter", 0.5: "half", 1.0: "as usual", 2.0: "double", 4.0: "4 times"}
    usual_axis(left, (0.2, 5.0), ticks | {1.0: "middle\nof all"})
    usual_axis(right, (0.2, 5.0), ticks)
    key_below(figure, 4)
    return figure
