"""The call list: of all records in a folder, who is due, whom to ring before the dry season, and what to ask."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path

import numpy as np

from driftmodel.base.errors import BadInput
from driftmodel.base.record_file import is_record
from driftmodel.base.units import length_words
from driftmodel.calibration.fit import learn
from driftmodel.outlook.work import fitted_spacer
from driftmodel.record.case import Case, open_record

#: a call is made where a thing is more likely than not, and where nothing was read for this long, days
#: (common practice, no source)
LIKELY, LONG_UNREAD_DAYS = 0.5, 540
PARTICLES = 400


@dataclass(frozen=True)
class Call:
    """One instrument on the list. due: chance that a regrade is due within a year; dry, damp: chances that the action
    is outside the rule over the next dry and damp 90 days, from dry_from and damp_from on; dry_mm: middle of the action
    then. reasons: why to ring, most pressing first; ask: what to ask."""

    folder: str
    title: str
    serial: str
    owner: str
    spacer: str
    last_read: date | None
    due: float
    dry: float
    damp: float
    dry_from: date
    damp_from: date
    dry_mm: float
    reasons: tuple[str, ...]
    ask: tuple[str, ...]


def call_list(
    folder: Path, today: date, progress: Callable[[str], None] = lambda _: None
) -> tuple[tuple[Call, ...], tuple[str, ...]]:
    """The calls of all records in a folder, most pressing first, and what could not be read. Raises BadInput where
    there is no record at all."""
    folders = [folder] if is_record(folder) else sorted(path for path in _below(folder) if is_record(path))
    if not folders:
        raise BadInput(
            f'no record in "{folder}"',
            "a folder with the records' folders in it",
            mend="driftmodel record list records",
        )
    calls, faults = [], []
    for number, own in enumerate(folders, start=1):
        progress(f"record {number} of {len(folders)}: {own.name}")
        try:
            calls.append(call_of(open_record(own, today)))
        except BadInput as fault:
            faults.append(f"{own.name}: {fault}")
    return tuple(sorted(calls, key=lambda call: (not call.reasons, -call.due, -call.dry))), tuple(faults)


def _below(folder: Path) -> list[Path]:
    return [path for path in folder.iterdir() if path.is_dir()] if folder.is_dir() else []


def call_of(case: Case) -> Call:
    """What one record says of a call. Raises BadInput where its air does."""
    scenario, book = case.scenario, case.book
    assert scenario.today is not None and case.tag is not None and case.folder is not None
    posterior = learn(scenario, book, particles=PARTICLES, now=scenario.today)
    found, rule = posterior.answers(), scenario.rule
    dry_from, damp_from = (season.day for season in posterior.asked.seasons)
    due = float(np.mean(found.regrade_years <= 1.0))
    dry, damp = (
        float(np.mean((action < rule.action_low_mm) | (action > rule.action_high_mm)))
        for action in (found.action_dry_mm, found.action_damp_mm)
    )
    last = max((one.date for one in book.readings), default=None)
    reasons, ask = [], []
    if due > LIKELY:
        reasons.append(f"a regrade is due within a year ({100 * due:.0f} %)")
    if dry > LIKELY:
        reasons.append(f"ring before {dry_from}: outside the rule in the dry season ({100 * dry:.0f} %)")
    if damp > LIKELY:
        reasons.append(f"ring before {damp_from}: outside the rule in the damp season ({100 * damp:.0f} %)")
    if last is None or (scenario.today - last).days > LONG_UNREAD_DAYS:
        reasons.append("never read since set-up" if last is None else f"not read since {last}")
        ask.append("what the action is now, and the humidity beside it")
    climate = scenario.stays[-1].climate
    if climate.humidifier is not None or (climate.case is not None and climate.case.humidifier_pct is not None):
        ask.append("did the humidifier run, and was it kept filled and clean?")
    elif dry > LIKELY:
        ask.append("is there a hygrometer, and what does it say in the heating season?")
    ask.append("does it still live there?")
    tag = case.tag
    return Call(
        str(case.folder), scenario.title, tag.serial, tag.owner, fitted_spacer(scenario), last, due, dry, damp,
        dry_from, damp_from, float(np.median(found.action_dry_mm)), tuple(reasons), tuple(ask),
    )  # fmt: skip


def calls_words(listed: tuple[tuple[Call, ...], tuple[str, ...]], units: str = "metric") -> str:
    """The list for the terminal: those to ring first, then the rest a line each."""
    calls, faults = listed
    lines = []
    for call in calls:
        named = " ".join(part for part in (call.title, call.serial and f"({call.serial})") if part)
        if not call.reasons:
            continue
        lines += [named + (f", {call.owner}" if call.owner else "")]
        lines += [f"  {reason}" for reason in call.reasons]
        lines += ["  ask: " + "; ".join(call.ask), ""]
    quiet = [call for call in calls if not call.reasons]
    if quiet:
        lines.append("Nothing to ring about:")
        lines += [
            f"  {call.title}: a regrade within a year {100 * call.due:.0f} %; in the dry season "
            f"{length_words(call.dry_mm, units)}"
            for call in quiet
        ]
    lines += [f"Cannot be read: {fault}" for fault in faults]
    return "\n".join(lines).rstrip()


def calls_json(listed: tuple[tuple[Call, ...], tuple[str, ...]]) -> dict[str, object]:
    """The list for machines, metric."""
    calls, faults = listed
    plain = [
        {key: str(value) if isinstance(value, date) else value for key, value in asdict(call).items()} for call in calls
    ]
    return {"calls": plain, "cannot_be_read": list(faults)}
