"""Fixed text of the reports, kept as data in texts.toml: figure titles and captions, cautions, honest limits, what lies
in each folder, what the words mean; and dates, months, chances and counts as a person says them."""

from __future__ import annotations

import csv
import textwrap
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from io import StringIO
from string import Formatter
from typing import TYPE_CHECKING, Any

from driftmodel.base.opened import as_text
from driftmodel.base.units import length_words

if TYPE_CHECKING:
    from markupsafe import Markup

#: figure -> (title, caption). The description read aloud is the title and the caption together
Captions = Mapping[str, tuple[str, str]]


@cache
def fixed() -> dict[str, Any]:
    """All of it, by table and key."""
    return tomllib.loads(files("driftmodel.report").joinpath("texts.toml").read_text(encoding="utf-8"))


def said(name: str) -> Any:
    """A text by its name, or a list of texts."""
    return fixed()["lines"][name]


class _Sentence(Formatter):
    """Fills braces in. Beside Python's own ways to write a number: `length`, `length1` (with a decimal less), `size`
    (without its sign) and `signed` of mm, `points` of three of them, `percent` and `chance` of a share, `whole`, `band`
    of three of these, `months` and `during` of months. What is None is told as '-'."""

    def __init__(self, units: str) -> None:
        self.units = units

    def format_field(self, value: Any, format_spec: str) -> str:
        if value is None:
            return "-"
        if format_spec in ("length", "length1", "size"):
            return length_words(
                abs(value) if format_spec == "size" else value, self.units, 1 + (format_spec[-1] != "1")
            )
        if format_spec == "signed":
            return signed_length(value, self.units)
        if format_spec == "points":
            low, middle, high = (length_words(point, self.units) for point in value)
            return f"{low} to {high} (middle {middle})"
        own: dict[str, Callable[[Any], str]] = {
            "percent": percent, "chance": chance_words, "whole": whole, "band": band_words, "during": during,
            "months": months_words,
        }  # fmt: skip
        return own[format_spec](value) if format_spec in own else str(super().format_field(value, format_spec))


def filled(name: str, units: str = "metric", /, **told: object) -> str:
    """A text by its name; told: what stands in braces. units: 'metric' or 'inch', of lengths."""
    return _Sentence(units).format(said(name), **told)


@cache
def templates(marked: bool, room: str = "report") -> Any:
    """The templates of a room; marked: of HTML, in which what is put in is escaped."""
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    read = FunctionLoader(lambda name: files(f"driftmodel.{room}").joinpath(name).read_text(encoding="utf-8"))
    known = Environment(autoescape=marked, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True, loader=read)
    known.filters["wrap"] = wrap
    return known


def plain_text(template: str, **told: object) -> str:
    """A text for the terminal by its template in this room."""
    return str(templates(False).get_template(template).render(**told)).rstrip("\n")


def markup(template: str, room: str = "report", **told: object) -> Markup:
    """A page, or a drawing in one, by its template in a room; what is put in is escaped."""
    from markupsafe import Markup

    return Markup(templates(True, room).get_template(template).render(**told))


def worded(name: str) -> dict[str, str]:
    """What each of a kind is called: key -> words, in their order."""
    return dict(fixed()["words"][name])


def captions(report: str, **told: object) -> Captions:
    """Title and caption of every figure of a report, in its order; told: what stands in braces."""
    return {
        name: (one["title"].format(**told), one["caption"].format(**told))
        for name, one in fixed()["figures"][report].items()
    }


def lies_in(report: str) -> dict[str, str]:
    """What else lies in a report's folder: file -> words."""
    return dict(fixed()["files"][report])


@dataclass(frozen=True)
class Table:
    """caption, column heads, rows of words; numeric: columns set flush right."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[int, ...] = ()


def table(name: str, rows: Iterable[Iterable[str] | Mapping[Any, Any]], **told: object) -> Table:
    """A table by its name, of rows of words, or of what stands in braces in its cells; told: what stands so in caption
    and heads. A head that begins with '>' stands over numbers."""
    one, cell = fixed()["tables"][name], _Sentence("metric")
    words = [
        [cell.vformat(each, (), row) for each in one["cells"]] if isinstance(row, Mapping) else row for row in rows
    ]
    heads = [head.format(**told) for head in one["heads"]]
    numeric = tuple(at for at, head in enumerate(heads) if head.startswith(">"))
    plain = tuple(head.lstrip(">") for head in heads)
    return Table(one["caption"].format(**told), plain, tuple(map(tuple, words)), numeric)


def comma_text(told: Table) -> str:
    """Heads and rows of a table as CSV."""
    text = StringIO()
    csv.writer(text, lineterminator="\n").writerows([as_text(cell) for cell in row] for row in (told.heads, *told.rows))
    return text.getvalue()


def cautions() -> list[str]:
    """Before any work is done: 'Heat: never leave ...'."""
    return [f"{head}: {words}" for head, words in fixed()["cautions"].items()]


def limits(*names: str) -> list[str]:
    """Honest limits by name, all of them where none is named."""
    known: dict[str, str] = fixed()["limits"]
    return [known[name] for name in names or known]


def definitions(**told: object) -> list[tuple[str, str]]:
    """What each word of a demand forecast means; told: what stands in braces."""
    return [(word, meaning.format(**told)) for word, meaning in fixed()["definitions"].items()]


#: columns of a terminal that a line of words takes at most
WIDTH = 100
SEASONS = ("winter", "spring", "summer", "autumn")
MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip


def chance_words(chance: float) -> str:
    """A chance of 0 to 1 as a person says it: 'four times in five'."""
    if chance < 0.005:
        return "practically never"
    if chance < 0.035:
        return "less than one time in twenty"
    if chance > 0.975:
        return "practically always"
    sayings: dict[str, float] = fixed()["words"]["sayings"]
    return min(sayings, key=lambda words: abs(sayings[words] - chance))


def season_words(date: Any, southern: bool = False) -> str:
    """'spring 2034'; a season over the turn of the year, winter or southern summer, has both: 'winter 2033/34'."""
    month = date.astype("datetime64[M]")
    year, number = int(month.astype("datetime64[Y]").astype(int)) + 1970, int(month.astype(int)) % 12
    name = SEASONS[((number + 1) // 3 + (2 if southern else 0)) % 4]
    if number in (0, 1, 11):
        first = year if number == 11 else year - 1
        return f"{name} {first}/{(first + 1) % 100:02d}"
    return f"{name} {year}"


def wrap(text: str, first: str = "", rest: str = "", width: int = WIDTH) -> str:
    """A text in lines of a width at most. first, rest: put before the first line and those after it."""
    return textwrap.fill(text, width, initial_indent=first, subsequent_indent=rest)


def wrapped(text: str) -> str:
    """The same text in lines of WIDTH at most, what goes on indented by two more than its line."""
    lines: list[str] = []
    for line in text.splitlines():
        own = line[: len(line) - len(line.lstrip())]
        lines += textwrap.wrap(line, WIDTH, subsequent_indent=f"{own}  ") or [""]
    return "\n".join(lines)


def upper(words: str) -> str:
    """The same with a capital at the front."""
    return words[0].upper() + words[1:]


def years_words(count: int) -> str:
    return f"{count} year" if count == 1 else f"{count} years"


def percent(chance: float) -> str:
    return f"{100 * chance:.0f} %"


def months_words(months: tuple[int, ...]) -> str:
    """Months as runs, over the turn of the year too: 'November to March'; 'no month' for none."""
    if not months:
        return "no month"
    if len(months) == 12:
        return "all year"
    runs: list[list[int]] = []
    start = next(m for m in months if (m - 2) % 12 + 1 not in months)
    for step in range(12):
        month = (start - 1 + step) % 12 + 1
        if month not in months:
            continue
        if runs and (runs[-1][-1] % 12) + 1 == month:
            runs[-1].append(month)
        else:
            runs.append([month])
    named = [MONTHS[r[0] - 1] if len(r) == 1 else f"{MONTHS[r[0] - 1]} to {MONTHS[r[-1] - 1]}" for r in runs]
    return named[0] if len(named) == 1 else f"{', '.join(named[:-1])} and {named[-1]}"


def during(months: tuple[int, ...]) -> str:
    """Months as a person puts them in a sentence: 'from October to May', 'in August', 'all year'."""
    words = months_words(months)
    return words if len(months) == 12 else f"from {words}" if " to " in words.split(" and ")[0] else f"in {words}"


def whole(value: float) -> str:
    """'1,234'; never '-0'."""
    return f"{round(value) + 0:,d}"


def band_words(band: tuple[float, float, float]) -> str:
    """'118 (96 to 143)'."""
    return f"{whole(band[1])} ({whole(band[0])} to {whole(band[2])})"


def signed_length(length_mm: float, units: str) -> str:
    """A taper with its sign: '−0.25 mm', '0.00 mm', '+0.002 in'."""
    words = length_words(abs(length_mm), units)
    return words if round(length_mm, 6) == 0 else ("+" if length_mm > 0 else "\N{MINUS SIGN}") + words


def both_lengths(length_mm: float) -> str:
    """A length in both units: '2.00 mm (0.079 in)'."""
    return f"{length_words(length_mm, 'metric')} ({length_words(length_mm, 'inch')})"
