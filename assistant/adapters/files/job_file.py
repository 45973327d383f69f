"""Job files: TOML in, TOML out. Lengths in inches or millimetres, as ``unit`` says.

``read_job`` names the line, the key, the value and what is allowed. ``job_text`` writes a file with
a comment for every key, which reads back equal.
"""

import difflib
import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from decimal import Decimal
from enum import StrEnum
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from assistant.adapters.files.whole_file import write_whole
from assistant.bench.job import (
    FactorRule,
    Grinder,
    GrinderKind,
    Heat,
    Job,
    LimitsRule,
    Relation,
    RingPosition,
    RingSpec,
    refusal,
    usual_leaves_nm,
    usual_over_nm,
)
from assistant.errors import JobError, LengthError
from assistant.units import Unit, parse_length, to_file

LARGEST_FILE_BYTES = 1_000_000

_TOP_KEYS = (
    "name", "person", "unit", "cylinders", "bore", "bores", "rings", "order", "leaves", "grinder",
    "risk", "notes", "heat", "top_over_second",
)  # fmt: skip
_RING_KEYS = ("factor", "over", "least", "most")
_GRINDER_KEYS = ("kind", "step", "stroke", "largest_cut", "butting_cut")

_HEAT_KEYS = ("ring", "bore", "ring_c", "bore_c")
_STEP_KEYS = {GrinderKind.DIAL: ("step", "stroke"), GrinderKind.FILE: ("stroke", "step")}
_EXAMPLES = {
    "name": 'write one, like name = "lathe engine".',
    "unit": 'write unit = "inch" or unit = "metric".',
    "cylinders": "write how many, like cylinders = 4.",
    "bore": "write the nominal bore, like bore = 3.2755 (inches) or bore = 83.2 (mm).",
    "rings": "write a table for each ring, like [rings.top] with least and most.",
}
_KEY = r"""(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')"""
_PLAIN_NUMBER = r"[+-]?[0-9]{1,9}(\.[0-9]{1,12})?"

Keys = tuple[str, ...]
"""Where a value stands in the file, outermost table first: ("rings", "top", "least")."""

_M = TypeVar("_M", FactorRule, LimitsRule, Grinder, Heat, Relation)
_E = TypeVar("_E", bound=StrEnum)


def read_job(path: Path) -> Job:
    """The job in the TOML file at ``path``.

    Raises JobError, naming line, key, value and what is allowed, if the file cannot be read, is
    no TOML, or holds a key or value that is not allowed.
    """
    try:
        with path.open("rb") as file:  # no more: a device may never end
            data = file.read(LARGEST_FILE_BYTES + 1)
        if len(data) > LARGEST_FILE_BYTES:
            raise JobError(f"{path} is larger than a job file ever is: name the right file.")
        text = data.decode("utf-8-sig")
    except FileNotFoundError:
        raise JobError(f"There is no file {path}: make one with 'leafcall new {path}'.") from None
    except UnicodeDecodeError:
        raise JobError(f"{path} is not text in UTF-8: save it as UTF-8.") from None
    except OSError as error:
        raise JobError(f"{path} cannot be read: {error.strerror}.") from error
    return parse_job(text, name=path.name)


def parse_job(text: str, *, name: str = "job.toml") -> Job:
    """The job in ``text``, the content of a file called ``name``. Raises JobError."""
    try:
        data = tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        hint = _toml_hint(text, str(error))
        raise JobError(f"{name} is not TOML: {error}. {hint or 'Mend that line.'}") from error
    except (RecursionError, ValueError) as error:  # nesting or digits without end
        raise JobError(f"{name} cannot be read: {error}.") from error
    return _Reader(name, _lines_of_keys(text)).job(data)


def _toml_hint(text: str, reason: str) -> str:
    """What is probably wrong with the line that a reason names; "" if it looks like no known slip.

    A decimal comma, quotes of a word processor and a key that stands twice are the common ones.
    """
    place = re.search(r"at line (\d+)", reason)
    line = text.split("\n")[int(place[1]) - 1] if place is not None else ""
    if re.search(r"=\s*[+-]?\d+,\d", line):
        return "Write a decimal point, not a comma."
    if re.search("[\u2018-\u201f]", line):
        return 'Write straight quotes: ".'
    if "overwrite" in reason:
        return "That key stands twice: remove one."
    return ""


class _Reader:
    """Turns the tables of one file into a Job; keeps what is needed to say where a fault is."""

    def __init__(self, name: str, lines: Mapping[Keys, int]) -> None:
        self._name = name
        self._lines = lines
        self._unit = Unit.INCH

    def job(self, data: dict[str, Any]) -> Job:
        self._known(data, _TOP_KEYS, ())
        for key in ("name", "unit", "cylinders", "bore", "rings"):
            if key not in data:
                raise JobError(f"{self._name} has no {key}: {_EXAMPLES[key]}")
        self._unit = self._choice(data["unit"], Unit, ("unit",))
        rings = self._table(data["rings"], ("rings",), "a table for each ring, like [rings.top]")
        fields: dict[str, Any] = {
            "name": self._text(data["name"], ("name",)),
            "person": self._text(data.get("person", ""), ("person",)),
            "unit": self._unit,
            "cylinders": self._count(data["cylinders"], ("cylinders",)),
            "bore_nm": self._length(data["bore"], ("bore",)),
            "bores_nm": self._bores(data.get("bores", {})),
            "rings": tuple(self._ring(key, table) for key, table in rings.items()),
            "order": tuple(
                self._choice(item, RingPosition, ("order",))
                for item in self._list(data.get("order", []), ("order",))
            ),
            "leaves_nm": self._leaves(data),
            "grinder": self._grinder(data.get("grinder", {})),
            "notes": self._text(data.get("notes", ""), ("notes",)),
        }
        if "heat" in data:
            fields["heat"] = self._heat(data["heat"])
        if "top_over_second" in data:
            fields["top_over_second"] = self._relation(data["top_over_second"])
        if "risk" in data:
            fields["risk"] = self._number(data["risk"], ("risk",))
        try:
            return Job(**fields)
        except ValidationError as error:
            field, *steps = error.errors()[0]["loc"]
            here: Keys = (str(field).removesuffix("_nm"),)
            value = data.get(here[0])
            for step in steps:  # into the list or table that holds the refused value
                if isinstance(value, dict):
                    here, value = (*here, str(step)), value[str(step)]
                elif isinstance(value, list):
                    value = value[int(step)]
            raise self._fault(here, value, refusal(error)) from error

    def _ring(self, key: str, table: object) -> RingSpec:
        here = ("rings", key)
        position = self._choice(key, RingPosition, here)
        given = self._table(table, here, "a table with factor, or with least and most")
        self._known(given, _RING_KEYS, here)
        by_factor = given.keys() & {"factor", "over"}
        by_limits = given.keys() & {"least", "most"}
        if by_factor and by_limits:
            raise self._fault(here, None, "give factor and over, or least and most, not both")
        needed = "factor" if by_factor else "least"
        if needed not in given:
            raise self._fault(here, None, "give factor (and over), or least (and most)")
        if needed == "factor":
            factor = self._number(given["factor"], (*here, "factor"))
            over_nm = (
                self._length(given["over"], (*here, "over"))
                if "over" in given
                else usual_over_nm(self._unit)
            )
            by_bore = self._made(FactorRule, {"factor": factor, "over_nm": over_nm}, here, given)
            return RingSpec(position=position, rule=by_bore)
        limits = {f"{k}_nm": self._length(given[k], (*here, k)) for k in given}
        return RingSpec(position=position, rule=self._made(LimitsRule, limits, here, given))

    def _bores(self, value: object) -> dict[int, tuple[int, ...]]:
        table = self._table(value, ("bores",), "a table of cylinder numbers, like 1 = [3.2755]")
        bores_nm = {}
        for key, measured in table.items():
            here = ("bores", key)
            if not re.fullmatch(r"[1-9][0-9]?", key):
                raise self._fault(here, measured, "the key is the number of a cylinder, from 1")
            values = measured if isinstance(measured, list) else [measured]
            bores_nm[int(key)] = tuple(self._length(bore, here) for bore in values)
        return bores_nm

    def _leaves(self, data: Mapping[str, Any]) -> tuple[int, ...]:
        if "leaves" not in data:
            return usual_leaves_nm(self._unit)
        return tuple(
            self._length(leaf, ("leaves",)) for leaf in self._list(data["leaves"], ("leaves",))
        )

    def _grinder(self, value: object) -> Grinder:
        here = ("grinder",)
        given = self._table(value, here, "a table with kind, step, largest_cut, butting_cut")
        self._known(given, _GRINDER_KEYS, here)
        kind = self._choice(given.get("kind", "dial"), GrinderKind, (*here, "kind"))
        step_key, wrong_key = _STEP_KEYS[kind]
        if wrong_key in given:
            raise self._fault(
                (*here, wrong_key), given[wrong_key], f"a {kind} grinder takes {step_key} instead"
            )
        fields: dict[str, Any] = Grinder.usual(kind, self._unit).model_dump()
        for key in given.keys() - {"kind"}:
            field = "step_nm" if key == step_key else f"{key}_nm"
            fields[field] = self._length(given[key], (*here, key))
        if "largest_cut" in given and "butting_cut" not in given:
            fields["butting_cut_nm"] = min(fields["butting_cut_nm"], fields["largest_cut_nm"])
        return self._made(Grinder, fields, here, given, step_key=step_key)

    def _heat(self, value: object) -> Heat:
        here = ("heat",)
        given = self._table(value, here, "a table with ring, bore, ring_c, bore_c")
        self._known(given, _HEAT_KEYS, here)
        for key in _HEAT_KEYS:
            if key not in given:
                raise self._fault(here, None, f"give {', '.join(_HEAT_KEYS)}; {key} is missing")
        fields: dict[str, Any] = {
            key: self._text(given[key], (*here, key)) for key in ("ring", "bore")
        }
        fields |= {key: self._number(given[key], (*here, key)) for key in ("ring_c", "bore_c")}
        return self._made(Heat, fields, here, given)

    def _relation(self, value: object) -> Relation:
        here = ("top_over_second",)
        given = self._table(value, here, "a table with least and most")
        self._known(given, ("least", "most"), here)
        if given.keys() != {"least", "most"}:
            raise self._fault(here, None, "give least and most")
        fields = {f"{key}_nm": self._length(given[key], (*here, key)) for key in given}
        return self._made(Relation, fields, here, given)

    def _made(
        self,
        model: type[_M],
        fields: dict[str, Any],
        here: Keys,
        given: Mapping[str, Any],
        *,
        step_key: str = "step",
    ) -> _M:
        try:
            return model(**fields)
        except ValidationError as error:
            loc = error.errors()[0]["loc"]
            if not loc:  # the values are allowed, but not together
                raise self._fault(here, given, refusal(error)) from error
            key = step_key if loc[0] == "step_nm" else str(loc[0]).removesuffix("_nm")
            raise self._fault((*here, key), given.get(key), refusal(error)) from error

    def _known(self, table: Mapping[str, Any], allowed: tuple[str, ...], here: Keys) -> None:
        for key in table:
            if key not in allowed:
                raise self._fault(
                    (*here, key), table[key], _meant(key, allowed, "there is no such key")
                )

    def _choice(self, value: object, kind: type[_E], here: Keys) -> _E:
        if isinstance(value, str):
            for choice in kind:
                # A bare key of TOML has no space: [rings.upper_rail].
                if value.replace("_", " ") == choice.value:
                    return choice
        known = tuple(choice.value for choice in kind)
        raise self._fault(here, value, _meant(str(value), known, "not known"))

    def _text(self, value: object, here: Keys) -> str:
        if isinstance(value, str):
            return value
        raise self._fault(here, value, "write text in double quotes")

    def _count(self, value: object, here: Keys) -> int:
        if isinstance(value, int) and not isinstance(value, bool):
            return value
        raise self._fault(here, value, "write a whole number, like 4")

    def _list(self, value: object, here: Keys) -> list[Any]:
        if isinstance(value, list):
            return value
        raise self._fault(here, value, "write a list in square brackets, like [a, b]")

    def _table(self, value: object, here: Keys, what: str) -> dict[str, Any]:
        if isinstance(value, dict):
            return value
        raise self._fault(here, value, f"write {what}")

    def _number(self, value: object, here: Keys) -> Decimal:
        text = str(value) if isinstance(value, int | Decimal | str) else ""
        # A plain number only: exponents without end would be slow, and are no bench numbers.
        if isinstance(value, bool) or not re.fullmatch(_PLAIN_NUMBER, text.strip()):
            raise self._fault(here, value, "write a plain number, like 0.0155")
        return Decimal(text.strip())

    def _length(self, value: object, here: Keys) -> int:
        number = self._number(value, here)
        try:
            return parse_length(f"{number:f}", self._unit)
        except LengthError as error:
            raise self._fault(here, value, str(error)) from error

    def _fault(self, here: Keys, value: object, allowed: str) -> JobError:
        where = self._name
        for length in range(len(here), 0, -1):
            if here[:length] in self._lines:
                where = f"{self._name} line {self._lines[here[:length]]}"
                break
        shown = "" if value is None else f" = {_shown(value)}"
        return JobError(f"{where}: {'.'.join(here)}{shown}: {allowed.rstrip('.')}.")


def _meant(word: str, known: tuple[str, ...], fault: str) -> str:
    close = difflib.get_close_matches(word.replace("_", " "), known, n=1, cutoff=0.6)
    close = close or difflib.get_close_matches(word, known, n=1, cutoff=0.6)
    hint = f"Did you mean {close[0]}? " if close else ""
    return f"{fault}. {hint}Allowed: {', '.join(known)}"


def _shown(value: object) -> str:
    if isinstance(value, dict):
        text = "{" + ", ".join(f"{k} = {_shown(v)}" for k, v in value.items()) + "}"
    elif isinstance(value, list):
        text = "[" + ", ".join(_shown(v) for v in value) + "]"
    elif isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, str):
        text = json.dumps(value, ensure_ascii=False)
    else:
        text = str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _lines_of_keys(text: str) -> dict[Keys, int]:
    """Line number, from 1, of each table header and key of valid TOML (the first one of each)."""
    lines: dict[Keys, int] = {}
    table: Keys = ()
    closing = ""  # the quotes that end a text of several lines
    for number, line in enumerate(text.split("\n"), start=1):
        if closing:
            closing = "" if line.count(closing) % 2 else closing
            continue
        if header := re.match(r"\s*\[{1,2}([^\[\]]+)\]", line):
            table = _keys(header[1])
            lines.setdefault(table, number)
        elif entry := re.match(rf"\s*({_KEY}(?:\s*\.\s*{_KEY})*)\s*=(.*)", line):
            lines.setdefault(table + _keys(entry[1]), number)
            closing = next((q for q in ('"""', "'''") if entry[2].count(q) % 2), "")
    return lines


def _keys(dotted: str) -> Keys:
    return tuple(part.strip("\"'") for part in re.findall(_KEY, dotted))


def write_job(job: Job, path: Path, *, replace: bool = False) -> None:
    """Write ``job`` as commented TOML to ``path``; the whole file or nothing.

    Raises JobError if the file is there already and ``replace`` is false, or cannot be written.
    """
    text = job_text(job)
    try:
        if not replace and path.exists():
            raise JobError(f"{path} is there already: choose another name or remove it.")
        write_whole(path, text.encode())
    except OSError as error:
        raise JobError(
            f"{path} cannot be written: {error.strerror}. Choose another folder or make room."
        ) from error


def job_text(job: Job) -> str:
    """``job`` as commented TOML, which ``parse_job`` reads back equal.

    Raises JobError if a length of ``job`` has no finite decimal in its unit (one that came from
    the other unit).
    """
    return "\n".join(_written(job)) + "\n"


def _written(job: Job) -> Iterator[str]:
    symbol = job.unit.file_symbol
    yield f"# A job for Leafcall. Lengths are in {_UNIT_NAMES[job.unit]}: plain numbers."
    yield "# The sheets of the ring maker and the engine maker come before every number here."
    yield ""
    yield f"name = {_quoted(job.name)}"
    yield f"person = {_quoted(job.person)}  # who fits the rings; printed on the build sheet"
    yield f'unit = "{job.unit}"  # "inch" (you call thou) or "metric" (you call hundredths)'
    yield ""
    yield f"cylinders = {job.cylinders}"
    yield f"bore = {_decimal(job.bore_nm, job.unit)}  # nominal bore, {symbol}"
    yield ""
    yield "# Order of work in each cylinder."
    yield f"order = [{', '.join(_quoted(position) for position in job.order)}]"
    yield ""
    yield f"# Leaves on hand, thin to thick, {symbol}."
    yield "leaves = ["
    for start in range(0, len(job.leaves_nm), 10):
        row = job.leaves_nm[start : start + 10]
        yield "    " + " ".join(f"{_decimal(leaf_nm, job.unit)}," for leaf_nm in row)
    yield "]"
    yield ""
    yield "# Largest chance, 0.0001 to 0.2, that grinding takes one ring past its most allowed gap"
    yield "# by a quarter of a thou or more; by less, which no leaf can tell, ten times as much."
    yield f"risk = {job.risk:f}"
    yield f"notes = {_quoted(job.notes)}"
    yield ""
    yield "# Bores as measured, one or several for a cylinder; the smallest one counts. A cylinder"
    yield f"# without a line has the nominal bore. Example: 1 = [{_decimal(job.bore_nm, job.unit)}]"
    yield "[bores]"
    for cylinder, bores_nm in job.bores_nm.items():
        yield f"{cylinder} = [{', '.join(_decimal(nm, job.unit) for nm in bores_nm)}]"
    yield ""
    yield "# Rings of one cylinder. The rule of each ring is one of two:"
    yield f"#   factor and over: least gap = factor x bore, most gap = least + over ({symbol})"
    yield f"#   least and most: as the ring maker's sheet says ({symbol}); no most = a least only"
    for ring in job.rings:
        yield f"[rings.{ring.position.replace(' ', '_')}]"
        if isinstance(ring.rule, FactorRule):
            yield f"factor = {ring.rule.factor:f}"
            yield f"over = {_decimal(ring.rule.over_nm, job.unit)}"
        else:
            yield f"least = {_decimal(ring.rule.least_nm, job.unit)}"
            if ring.rule.most_nm is not None:
                yield f"most = {_decimal(ring.rule.most_nm, job.unit)}"
        yield ""
    grinder = job.grinder
    yield "[grinder]"
    yield f'kind = "{grinder.kind}"  # "dial" (a grinder with a dial) or "file" (strokes)'
    step = _decimal(grinder.step_nm, job.unit)
    if grinder.kind is GrinderKind.DIAL:
        yield f"step = {step}  # smallest step of the dial, {symbol}"
    else:
        yield f"stroke = {step}  # first guess of what one stroke takes off, {symbol}"
    yield f"largest_cut = {_decimal(grinder.largest_cut_nm, job.unit)}  # never more at once"
    yield (
        f"butting_cut = {_decimal(grinder.butting_cut_nm, job.unit)}"
        "  # first cut when the ends touch and no leaf goes"
    )
    if job.top_over_second is not None:
        yield ""
        yield f"# By how much the top gap is to be larger than the second, {symbol}."
        yield "[top_over_second]"
        yield f"least = {_decimal(job.top_over_second.least_nm, job.unit)}"
        yield f"most = {_decimal(job.top_over_second.most_nm, job.unit)}"
    if job.heat is not None:
        yield ""
        yield "# Materials and working temperatures (C), for the hot gap on the sheet: information"
        yield "# only, never a licence to go under the maker's figure."
        yield "[heat]"
        yield f"ring = {_quoted(job.heat.ring)}"
        yield f"bore = {_quoted(job.heat.bore)}"
        yield f"ring_c = {job.heat.ring_c:f}"
        yield f"bore_c = {job.heat.bore_c:f}"


_UNIT_NAMES = {Unit.INCH: "inches", Unit.METRIC: "millimetres"}


def _quoted(text: str) -> str:
    # Strings of JSON are basic strings of TOML for all text that a Job allows.
    return json.dumps(text, ensure_ascii=False)


def _decimal(length_nm: int, unit: Unit) -> str:
    text = f"{to_file(length_nm, unit):f}"
    # More digits than are ever written mean a length that came from the other unit.
    if not re.fullmatch(_PLAIN_NUMBER, text) or parse_length(text, unit) != length_nm:
        raise JobError(
            f"{length_nm} nm has no finite decimal in {_UNIT_NAMES[unit]}: "
            "give lengths in the unit of the job."
        )
    return text
