"""What a forecast says, in plain sentences: the verdict, when, which spacer, how sure, what to tell the owner."""

from __future__ import annotations

import json
from collections.abc import Iterable
from datetime import date
from typing import Any

import numpy as np

from driftmodel.base.records import Scenario
from driftmodel.base.schema import DRY_DAYS, QUANTILES, Dataset
from driftmodel.outlook.calendar import ahead_years, fitted_spacer, is_southern, months_past_rule, swing
from driftmodel.report import texts
from driftmodel.report.ensemble import average_year, past_rule

#: what falls due within so many days of today is due now
NOW_DAYS = 31


def story(fc: Dataset, scenario: Scenario, units: str) -> dict[str, Any]:
    """Everything the report says in sentences; `units` is 'metric' or 'inch'. headline: two to five words. lead: the
    verdict's reason in one or two sentences. owner, notes: some of them each."""
    return {
        "headline": _headline(fc),
        "lead": _lead(fc, scenario),
        "when": when_words(fc, scenario),
        "grade": grade_words(fc, scenario, units),
        "comes_back": _comes_back(fc, scenario, units),
        "place": _place(fc, scenario, units),
        "stays": _stays(fc, scenario, units),
        "owner": _owner(fc, scenario, units),
        "notes": [texts.upper(note) for note in json.loads(fc.attrs["notes"])],
    }


def _headline(fc: Dataset) -> str:
    """'humidify' is said only where the air is dry: a season's swing alone may as well come of damp."""
    word = fc.attrs["verdict"]
    dry = fc.attrs["dry_days_per_year"] > max(DRY_DAYS, fc.attrs["damp_days_per_year"])
    return "Look to the air first." if word == "humidify" and not dry else texts.worded("headlines")[word]


def _lead(fc: Dataset, scenario: Scenario) -> str:
    word, attrs = fc.attrs["verdict"], fc.attrs
    soon_year = min(2, ahead_years(scenario))
    share = attrs["season_outside_share"]
    told = {
        "within": texts.years_words(soon_year), "start": "set-up" if scenario.today is None else "today",
        "soon": float(fc["regrade_due"].sel(year=soon_year)), "dry": attrs["dry_days_per_year"],
        "damp": attrs["damp_days_per_year"], "share": share, "days": scenario.rule.days_outside,
    }  # fmt: skip
    if word == "regrade":
        return texts.filled(
            {"place": "lead_place", "both": "lead_both"}.get(attrs["regrade_cause"], "lead_drift"), **told
        )
    if word == "humidify":
        reasons = []
        if attrs["dry_days_per_year"] > DRY_DAYS:
            reasons.append(
                texts.filled("air_dry" if attrs["damp_days_per_year"] <= DRY_DAYS else "air_dry_and_damp", **told)
            )
        if share > 0.5:
            reasons.append(texts.filled("season_outside", **told))
        return texts.filled("lead_air", reasons=", and ".join(reasons), better=better_air_words(fc), **told)
    if "better_air" in attrs:
        return texts.filled("lead_dry", better=better_air_words(fc), **told)
    return texts.filled("lead_kind", **told)


def bow_words(fc: Dataset, units: str) -> list[str]:
    """What of the action is the neck's own bow, and whose it is; nothing where the forecast does not tell."""
    by = fc.attrs.get("bow_action_20_years_mm")
    if by is None:
        return []
    slack = fc.attrs["bolts_slack_20_years"]
    return [*([texts.filled("bolts", slack=slack)] if slack >= 0.005 else []), texts.filled("bow", units, by=by)]


def better_air_words(fc: Dataset) -> str:
    """What better air does to the same guitars: days inside the rule, regrades, and the spacer for it."""
    attrs = fc.attrs
    more = attrs["regrades_ahead_better_air"] > attrs["regrades_ahead"] + 0.05
    spacer = f" and spacer {attrs['grade_better_air']} fitted for it" if attrs["grade_better_air"] else ""
    return texts.filled("better_air", of=attrs, spacer=spacer, why=texts.said("damper_air") if more else "")


def when_words(fc: Dataset, scenario: Scenario) -> str:
    """When a regrade is due, from the three date quantiles, NaT meaning not within the horizon."""
    whole = float(fc["regrade_due"].values[-1])
    return when_sentence(fc["regrade_due_date"].values, whole, ahead_years(scenario), is_southern(fc), scenario.today)


def when_sentence(dates: Iterable[Any], whole: float, years: int, southern: bool, today: date | None = None) -> str:
    """The same from dates (10, 50, 90 %) and the chance within all the years; what falls on today is due now."""
    (early, middle, late), within = dates, "the one year" if years == 1 else f"the {years} years"

    def due(day: Any) -> str:
        if today is not None and day <= np.datetime64(today) + np.timedelta64(NOW_DAYS, "D"):
            return "due now"
        return f"due by {texts.season_words(day, southern)}"

    if whole < 0.005:
        return texts.filled("never_due", within=within)
    if np.isnat(early):
        return texts.filled("hardly_due", within=within, whole=whole)
    start = f"one time in ten it is {due(early)}"
    by = [None if np.isnat(day) else due(day) for day in (early, middle, late)]
    if by[0] == by[1] == by[2]:
        return f"A regrade is {by[0]}, nine times in ten."
    if np.isnat(middle):
        return texts.filled("rather_not_due", within=within, whole=whole, start=texts.upper(start))
    end = f"nine times in ten it is {by[2]}"
    if np.isnat(late):
        end = texts.filled("not_due_in", within=within, left=1 - whole)
    if by[0] == by[1]:
        return f"As likely as not, a regrade is {by[1]}; {end}."
    return f"As likely as not, a regrade is {by[1]}. {texts.upper(start)}; {end}."


def grade_words(fc: Dataset, scenario: Scenario, units: str) -> str:
    """Which spacer the first regrade wants, and how sure that is."""
    if float(fc["occasion_probability"].values[0]) < 0.005:
        return f"No other spacer than the fitted one ({fitted_spacer(scenario)}) is called for."
    share, beyond = fc["grade_probability"].values[0], float(fc["no_grade_fits"].values[0])
    order = np.argsort(-share)
    best, second = order[0], order[1] if order.size > 1 else order[0]
    unmended = texts.filled("unmended", beyond=beyond)
    if float(share[best]) < 0.005:
        return unmended
    spacer, fitted = (_spacer(fc, at, units) for at in (int(best), _fitted(fc)))
    words = texts.filled("wants", spacer=spacer, fitted=fitted, share=float(share[best]))
    if second != best and float(share[second]) >= 0.1:
        words += f" Next comes {_spacer(fc, int(second), units)} ({texts.percent(float(share[second]))})."
    return f"{words} {unmended}" if beyond >= 0.05 else words


def _fitted(fc: Dataset) -> int:
    return [str(each) for each in fc["grade"].values].index(fc.attrs["fitted_grade"])


def _spacer(fc: Dataset, at: int, units: str) -> str:
    return f"{fc['grade'].values[at]} (taper {texts.signed_length(float(fc['grade_taper'].values[at]), units)})"


def _comes_back(fc: Dataset, scenario: Scenario, units: str) -> str:
    month, means = average_year(fc, scenario)
    middle = np.median(means, axis=0)
    high, low = (texts.MONTHS[int(np.unique(month)[at]) - 1] for at in (middle.argmax(), middle.argmin()))
    past = months_past_rule(past_rule(fc, scenario))
    beyond = f" It is more likely past the rule than not {texts.during(past)}." if past else ""
    return texts.filled("comes_back", units, swing=float(np.median(swing(means))), high=high, low=low) + beyond


def _place(fc: Dataset, scenario: Scenario, units: str) -> str:
    low, middle, high = np.quantile(fc["place_shift"].values, QUANTILES)
    where = "the place it lives in last" if len(scenario.stays) > 2 else "the place it lives in"
    if abs(middle) < 0.02 and max(abs(low), abs(high)) < 0.1:
        return f"On the average of a year {where} leaves the action where it was at set-up."
    held = {"way": "higher", "air": "damper"} if middle >= 0 else {"way": "lower", "air": "drier"}
    return texts.filled("place_holds", units, where=where, by=middle, least=low, most=high, **held)


def _stays(fc: Dataset, scenario: Scenario, units: str) -> str:
    low, middle, high = np.quantile(fc["action_change_lasting"].values[:, -1], QUANTILES)
    way = "rises" if middle >= 0 else "falls"
    one_way = low * high > 0
    ends = sorted((abs(low), abs(high))) if one_way else (low, high)
    years = texts.years_words(ahead_years(scenario))
    return texts.filled("stays_one_way" if one_way else "stays", units, years=years, way=way, by=middle, ends=ends)


def _owner(fc: Dataset, scenario: Scenario, units: str) -> tuple[str, ...]:
    attrs, rule = fc.attrs, scenario.rule
    names = ["owner_dry"] if attrs["dry_days_per_year"] > DRY_DAYS else []
    names += ["owner_damp"] if attrs["damp_days_per_year"] > DRY_DAYS else []
    names += [*([] if names else ["owner_as_it_is"]), "owner_season", "owner_measure"]
    return tuple(texts.filled(name, units, damp=attrs["damp_days_per_year"], rule=rule) for name in names)


def terminal_summary(fc: Dataset, scenario: Scenario, units: str) -> str:
    """The verdict for the terminal: at most 25 lines of at most 100 columns."""
    first, share = str(fc["unknown"].values[0]), float(fc["driver_share"].values[0])
    sure = texts.filled("how_sure", draws=fc.attrs["draws"], first=first, share=share)
    return texts.plain_text("forecast.txt", title=scenario.title, story=story(fc, scenario, units), sure=sure)
