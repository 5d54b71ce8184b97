"""Work in a bench's own words: 'lowered saddle 0.030 in', 'swapped spacer to +2', 'truss rod 1/4 turn', 'strings off';
and what each piece adds to a reading, so that it is never taken for drift.

What moves the strings must be understood or is asked about; what is known to move nothing is kept as words."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import date
from math import inf

from driftmodel.base.errors import near_match
from driftmodel.base.records import Scenario, SpacerSet, WorkDone
from driftmodel.base.units import Said, said_lengths
from driftmodel.calibration.records import ReadingRow
from driftmodel.outlook.calendar import grade_lifts_mm

DOWN = (
    "lower", "lowered", "down", "shaved", "shave", "sanded", "sand", "filed", "file", "cut", "off", "removed", "took",
    "take", "taken", "reduced", "brought down", "lowering", "dropped", "less", "planed", "shortened", "trimmed",
)  # fmt: skip
UP = ("raise", "raised", "higher", "up", "added", "add", "shimmed", "shim", "built", "taller", "more")
#: what leaves the neck's angle anew, by an amount nobody wrote down (common practice, no source)
ANEW = (
    "neck reset", "neck set anew", "reset the neck", "refret", "refretted", "fret dress", "fret level",
    "frets levelled", "frets leveled", "new bridge",
    "reglued", "glued", "cleated", "loose brace", "crack", "cracked", "damage", "damaged", "broken", "broke", "fell",
    "dropped it", "dropped", "fall", "knocked", "nut", "neck bolts", "set neck", "set the neck", "neck set", "hot car",
    "frets dressed", "dressed frets", "levelled frets", "leveled frets", "overheated",
)  # fmt: skip
#: what moves nothing that is read here (common practice, no source)
NOTHING = (
    "new strings", "restrung", "string change", "changed strings", "strings changed", "cleaned", "cleaning", "polished",
    "oiled", "tuners", "tuning machines", "pickup", "electronics", "strap button", "inspected", "inspection",
    "humidifier", "humidified", "none", "nothing", "no work", "playing", "tuned",
)  # fmt: skip
#: the day of work that is only words yet
UNDATED = date.min
EXAMPLES = "saddle -0.4 mm; spacer {label}; truss rod; strings off; action -0.1 mm; anew: neck reset; note: cleaned"


@dataclass(frozen=True)
class Asked:
    """A piece not understood: what came, what is needed, and words that would do."""

    came: str
    needed: str
    mend: str


#: a piece without any of these says more of the piece before it
_OWN = re.compile(r"\d|\b(saddle|spacers?|shims?|wedges?|truss|rod|relief|strings?|action|neck|nut|note|anew)\b", re.I)
#: what is said of a spacer that is not called one
_FITTED = re.compile(r"\b(fitted|fit|swapped|regraded?|changed|put in|went to|out)\b", re.IGNORECASE)

_OTHER_GAUGE = re.compile(r"\b(lighter|heavier|thinner|thicker|other gauge|to \d+s)\b")
_INTO = ("to", "->", "→", "=>", "=", "with", "for")


def pieces_of(words: str) -> list[str]:
    """The pieces of a cell: between them a semicolon, 'and', 'then', a comma before a word, or + with spaces; a note
    is one piece up to a semicolon, and what says nothing of its own belongs to the piece before it."""
    found: list[str] = []
    for part in re.split(r"\s*;\s*", words.strip()):
        if part.lower().startswith(("note", "anew")):
            found.append(part)
            continue
        split = re.split(r"(\s+\+\s+|\s+and\s+|\s+then\s+|,\s+(?=[A-Za-z]))", part)
        own = [split[0]]
        for between, piece in zip(split[1::2], split[2::2], strict=True):
            if _OWN.search(piece) and not re.fullmatch(r"\S+ (in|out)", piece.strip()):
                own.append(piece)
            else:
                own[-1] += between + piece
        found += own
    return [piece.strip() for piece in found if piece.strip()]


def understood(words: str, spacers: SpacerSet, fitted: str) -> WorkDone | Asked:
    """One piece of work, not yet dated. fitted: the spacer now in the joint, for what is asked back."""
    plain = " ".join(words.lower().split())
    if plain.startswith(("note:", "note ")):
        return WorkDone(UNDATED, words=words)
    if plain.startswith("anew"):
        return WorkDone(UNDATED, words=words, anew=True)
    if plain.startswith("action"):
        return _by_amount(words, plain, "action")
    if "saddle" in plain:
        return _by_amount(words, plain, "saddle")
    if re.search(r"\b(spacers?|shims?|wedges?)\b", plain) or (
        _FITTED.search(plain) and any(_label(token.strip(",;"), spacers.labels) for token in words.split())
    ):
        return _spacer(words, spacers, fitted)
    if re.search(r"\btruss\b|\btrussrod\b|\brod\b|\brelief\b", plain):
        return WorkDone(UNDATED, words=words, truss_rod=True)
    if re.search(r"\bstrings?\b", plain) and _OTHER_GAUGE.search(plain):
        return Asked(
            f'"{words}": strings of another gauge pull the neck otherwise, by an amount not written down',
            f'"anew: {words}", and then what it reads; of the same gauge: "new strings"', f"anew: {words}",
        )  # fmt: skip
    if _names(plain, NOTHING):
        return WorkDone(UNDATED, words=words)
    if re.search(r"\bstrings?\b", plain):
        return _strings(words, plain)
    if _names(plain, ANEW):
        return WorkDone(UNDATED, words=words, anew=True)
    if "action" in plain:
        return _by_amount(words, plain, "action")
    if re.fullmatch(r"(full |complete |new )?set[ -]?up( done)?", plain):
        return Asked(
            f'"{words}" does not say what was moved',
            "saddle, truss rod, spacer, each by how much; or that it stands anew, and then what it reads",
            f"anew: {words}",
        )
    return Asked(
        f'"{words}" is work that is not understood',
        "what it moved: " + EXAMPLES.format(label=fitted) + f'; "anew: {words}" where it may have moved the neck',
        f"note: {words}",
    )


def _names(plain: str, known: tuple[str, ...]) -> bool:
    return any(re.search(rf"\b{re.escape(one)}\b", plain) for one in known)


def _strings(words: str, plain: str) -> WorkDone | Asked:
    if re.search(r"\b(off|removed|slack|slackened|down)\b", plain):
        return WorkDone(UNDATED, words=words, strings_on=False)
    if re.search(r"\b(on|back|up)\b", plain):
        return WorkDone(UNDATED, words=words, strings_on=True)
    return Asked(f'"{words}"', "strings off, strings on, or note: for what changes nothing", f"note: {words}")


def _by_amount(words: str, plain: str, what: str) -> WorkDone | Asked:
    """A change of the saddle's height, or of the action by other work, with sign and unit."""
    lengths = said_lengths(words)
    down, up = _names(plain, DOWN), _names(plain, UP)
    if len(lengths) != 1 or re.search(r"\bto\b", plain):
        return Asked(
            f'"{words}" does not say by how much',
            f'the change of the {what} with sign and unit, such as "{what} -0.4 mm"; if nobody knows, that it stands '
            "anew, and then what it reads",
            f"anew: {words}",
        )
    said = lengths[0]
    amount = said.length_mm
    sign = "-" if said.value < 0 or (down and not up) else "+"
    if amount is None:
        shown = f"{sign}{abs(said.value):g}"
        unit = "in" if abs(said.value) < 0.1 else "thou" if abs(said.value) > 10 else "mm"
        return Asked(f'"{words}" has no unit', "mm, in or thou (thousandths of an inch)", f"{what} {shown} {unit}")
    if down == up and not said.signed:
        return Asked(
            f'"{words}" does not say whether the {what} got higher or lower', "a sign, + higher",
            f"{what} -{said.words}",
        )  # fmt: skip
    if (down and not up and said.signed and said.value > 0) or (up and not down and said.value < 0):
        return Asked(f'"{words}" says higher and lower at once', "one of the two", f"{what} {sign}{_bare(said)}")
    change = abs(amount) if sign == "+" else -abs(amount)
    if abs(change) > 5.0:
        return Asked(
            f'"{words}" is a change of {change:+.2f} mm', "a change of 5 mm at most",
            f"{what} {sign}{abs(said.value):g} thou" if said.unit != "thou" else f"{what} {sign}0.4 mm",
        )  # fmt: skip
    done = WorkDone(UNDATED, words=words)
    return replace(done, saddle_mm=change) if what == "saddle" else replace(done, action_mm=change)


def _bare(said: Said) -> str:
    return said.words.lstrip("+-−– ")


def _spacer(words: str, spacers: SpacerSet, fitted: str) -> WorkDone | Asked:
    """The label fitted: the one after 'to', 'with', 'for' or an arrow, or the only one named; or by its taper."""
    tokens = [token.strip(",;:()\"'") for token in re.sub(r"(->|→|=>|=)", r" \1 ", words).split()]
    named: list[tuple[str, bool]] = []
    for place, token in enumerate(tokens):
        label = _label(token, spacers.labels)
        if label:
            before = tokens[place - 1].lower() if place else ""
            named.append((label, before in _INTO or tokens[place + 1 : place + 2] == ["in"]))
    pointed = [label for label, is_new in named if is_new]
    labels = pointed[-1:] or list(dict.fromkeys(label for label, _ in named))
    if len(labels) == 1:
        return WorkDone(UNDATED, words=words, spacer=labels[0])
    if not labels:
        for said in said_lengths(words):
            taper = said.length_mm
            if said.unit and taper is not None:
                near = [label for label, own in zip(spacers.labels, spacers.tapers_mm, strict=True)
                        if abs(own - taper) < 0.006]  # fmt: skip
                if len(near) == 1:
                    return WorkDone(UNDATED, words=words, spacer=near[0])
    return _which_spacer(words, tokens, labels, spacers, fitted)


def _label(token: str, labels: tuple[str, ...]) -> str:
    if token in labels:
        return token
    alike = [label for label in labels if label.casefold() == token.casefold()]
    return alike[0] if len(alike) == 1 and token not in ("a", "i") else ""


def _which_spacer(
    words: str, tokens: list[str], named: list[str], spacers: SpacerSet, fitted: str
) -> Asked:  # fmt: skip
    if len(named) > 1:
        return Asked(f'"{words}" names {len(named)} spacers', "the one now fitted", f"spacer {named[-1]}")
    labels = spacers.labels
    steps = next((int(token) for token in tokens if re.fullmatch(r"[+-]\d{1,2}", token)), None)
    if steps is None and re.search(r"\b(next|one|a) (spacer|grade|step)s? (up|down|higher|lower)\b", words.lower()):
        steps = 1 if re.search(r"\b(up|higher)\b", words.lower()) else -1
    if steps is not None and 0 <= labels.index(fitted) + steps < len(labels):
        there = labels[labels.index(fitted) + steps]
        return Asked(
            f'"{words}" names no spacer of the set; {abs(steps)} {"up" if steps > 0 else "down"} from {fitted} is '
            f"{there}",
            "one of " + ", ".join(labels),
            f"spacer {there}",
        )
    last = tokens[-1] if tokens else ""
    close = near_match(last, labels)
    return Asked(f'"{words}" names no spacer of the set.{close}', "one of " + ", ".join(labels), f"spacer {fitted}")


# ---- what work adds to a reading -----------------------------------------------------------------------------------

#: a moment of the bench: its day and the place in the day's order
Moment_ = tuple[date, float]
ALL_DONE: Moment_ = (date.max, inf)


def moment_of(reading: ReadingRow) -> Moment_:
    """When a reading was taken: its day and its row in the file; one given by hand comes after all rows of its day."""
    return reading.date, reading.row or inf


def done_before(moment: Moment_, work: tuple[WorkDone, ...]) -> tuple[WorkDone, ...]:
    """The work that counts for a reading taken at a moment."""
    return tuple(one for one in work if (one.day, one.order) < moment)


def spacer_at(moment: Moment_, work: tuple[WorkDone, ...], scenario: Scenario) -> str:
    """The spacer in the joint at a moment."""
    swaps = [one.spacer for one in done_before(moment, work) if one.spacer]
    return swaps[-1] if swaps else scenario.setup.spacer


def known_step(what: str, moment: Moment_, work: tuple[WorkDone, ...], scenario: Scenario) -> float:
    """What spacer swaps and saddle work before a moment add to a reading of `what`, in its unit.

    A spacer lifts the saddle over the fret plane by its lift: projection falls by it, action at the 12th fret rises by
    half of it. A saddle made higher raises the action by half of that and leaves the projection. Other work moves the
    action by what the bench says it did."""
    done, labels = done_before(moment, work), scenario.instrument.spacers.labels
    lift = float(grade_lifts_mm(scenario)[labels.index(spacer_at(moment, work, scenario))])
    saddle = sum(one.saddle_mm for one in done)
    if what.startswith("action"):
        return (lift + saddle) / 2.0 + sum(one.action_mm for one in done)
    return {"projection": -lift, "saddle_height": saddle}.get(what, 0.0)


def stands_anew(work: tuple[WorkDone, ...]) -> tuple[Moment_, ...]:
    """When the neck was left standing anew, by an amount nobody wrote down."""
    return tuple((one.day, one.order) for one in work if one.anew)


def truss_rod_turns(work: tuple[WorkDone, ...]) -> tuple[Moment_, ...]:
    """When the truss rod was turned: relief starts anew there, by an amount nobody wrote down."""
    return tuple((one.day, one.order) for one in work if one.truss_rod)
