"""From columns as written to canonical channels in SI: by name, by unit, by evidence, or not at all.

What is not understood stays: under `raw_<header>`, in SI where its unit is known, and is listed in a
finding. What is ambiguous (an altitude without datum, a heading without reference) gets the
channel that says so.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from ..shared.circle import within_turn
from ..shared.findings import Finding
from ..shared.recording import Column
from ..shared.settings import InstrumentProfile
from ..shared.units import SI, factors, find_unit
from ..shared.vocabulary import CHANNELS, ChannelMeaning, meaning_of
from .aliases import Rule, find_rules
from .raw import RawColumn, RawTrack
from .senses import settle_senses
from .switch_words import read_switch
from .unit_evidence import infer_unit
from .words import fold, split_words

STANDARD_GRAVITY = 9.80665  # m/s2, ISO 80000-3

# the same quantity, another kind of unit: (kind as written, kind of the channel) -> factor on SI
_BRIDGES: dict[tuple[str, str], float] = {
    ("acceleration", "load_factor"): 1 / STANDARD_GRAVITY,
    ("angle", "coordinate"): 180 / np.pi,
    ("ratio", "count"): 1.0,
    ("load_factor", "ratio"): 1.0,
}

_ALTITUDE_DATUM = {
    "pressure": "pressure_altitude",
    "baro": "baro_altitude",
    "msl": "gnss_altitude",
    "ellipsoid": "gnss_ellipsoid_altitude",
}
_HEADING_REFERENCE = {"magnetic": "heading_magnetic", "true": "heading_true"}


@dataclass(frozen=True, slots=True)
class MappedTrack:
    """A raw track's columns under canonical names in SI, and what its content makes it.

    `units`: channel -> unit as written or concluded, for people; `kind`: a word for its name.
    """

    kind: str
    columns: dict[str, Column]
    units: dict[str, str | None]
    findings: tuple[Finding, ...]


@dataclass(slots=True)
class _Choice:
    """One column's best reading before columns are weighed against each other."""

    column: RawColumn
    channel: str | None = None
    unit: str | None = None  # symbol of shared.units
    number: int | None = None
    rank: int = 0
    evidence: str = ""
    unit_evidence: str = ""
    unit_unknown: bool = False


@dataclass(slots=True)
class _Notes:
    """Findings of one track while it is being mapped."""

    where: str
    findings: list[Finding] = field(default_factory=list)

    def add(self, code: str, text: str, *, level: str = "note", count: int = 1, **facts: object) -> None:
        self.findings.append(Finding(code, text, level, self.where, count, facts=facts))  # type: ignore[arg-type]


def map_track(track: RawTrack, where: str, profile: InstrumentProfile | None) -> MappedTrack:
    """Canonical channels of one table; `where` names the file in findings."""
    profile = profile or InstrumentProfile()
    choices = [_read_column(column, profile) for column in track.columns]
    _settle_ambiguous(choices, profile)
    named = _weigh(choices)
    columns: dict[str, Column] = {}
    units: dict[str, str | None] = {}
    for choice, name in named:
        columns[name] = _convert(choice, name)
        units[name] = _unit_as_shown(choice)
    notes = _Notes(where)
    _report(named, notes)
    notes.findings += settle_senses(columns, where)
    return MappedTrack(track.kind or _kind_of(columns), columns, units, tuple(notes.findings))


# -- one column ---------------------------------------------------------------------------------


def _read_column(column: RawColumn, profile: InstrumentProfile) -> _Choice:
    spelled = profile.units.get(column.header, column.unit)
    unit = find_unit(spelled) if spelled else None
    symbol = unit.symbol if unit else None
    told = profile.channels.get(column.header) or column.channel
    if told is not None and meaning_of(told) is not None:
        return _fit_told(column, told, symbol)
    best = _Choice(column, unit=symbol, unit_unknown=bool(spelled) and unit is None)
    rank = 0
    for rule, number in find_rules(column.header, spelled):
        choice = _fit(column, rule, number, symbol, spelled)
        if choice is None:
            continue
        choice.rank = rank
        rank += 1
        if choice.channel is not None:
            return choice
        best = choice
    return best


def _fit_told(column: RawColumn, channel: str, symbol: str | None) -> _Choice:
    """A channel the format or the user names; its unit may still have to be concluded."""
    meaning = meaning_of(channel)
    assert meaning is not None
    if symbol is None and not meaning.is_text and column.values.dtype != object:
        found = infer_unit(meaning, column.header, column.values, (meaning.kind,))
        if found is None:
            return _Choice(column, unit_unknown=True)
        return _Choice(column, channel, found[0], unit_evidence=found[1])
    if symbol is not None and _bridge(find_kind(symbol), meaning) is None:
        return _Choice(column, unit=symbol)
    return _Choice(column, channel, symbol)


def _fit(column: RawColumn, rule: Rule, number: int | None, symbol: str | None, spelled: str | None) -> _Choice | None:
    """The rule applied to the column, None when kind of unit or of data refuse it."""
    meaning = CHANNELS[rule.channel]
    if column.values.dtype == object:
        return _fit_words(column, rule, number, meaning)
    if meaning.is_text:
        return None
    channel = _with_reference(rule.channel, spelled)
    if channel is None:
        return None
    if symbol is not None and not (symbol == "1" and meaning.kind == "ratio" and "ratio" in rule.kinds):
        if not _kind_allowed(find_kind(symbol), rule, meaning):
            return None
        return _Choice(column, channel, symbol, number, evidence=rule.evidence)
    if rule.needs_unit or (spelled and symbol is None):
        return _Choice(column, unit_unknown=True)
    found = infer_unit(meaning, column.header, column.values, rule.kinds)
    if meaning.kind == "count" and not _is_countable(column, meaning):
        return None
    if found is None:
        return _Choice(column, unit_unknown=True)
    return _Choice(column, channel, found[0], number, evidence=rule.evidence, unit_evidence=found[1])


def _fit_words(column: RawColumn, rule: Rule, number: int | None, meaning: ChannelMeaning) -> _Choice | None:
    """A column of words: a channel of words, or a switch written as true and false."""
    if meaning.is_text:
        return _Choice(column, rule.channel, number=number, evidence=rule.evidence) if "text" in rule.kinds else None
    states = read_switch(column.values) if meaning.kind == "count" and (meaning.low, meaning.high) == (0, 1) else None
    if states is None:
        return None
    return _Choice(dataclasses.replace(column, values=states), rule.channel, "1", number, evidence=rule.evidence)


def find_kind(symbol: str) -> str:
    """Kind of quantity of a unit of the table."""
    unit = find_unit(symbol)
    assert unit is not None
    return unit.kind


def _kind_allowed(kind: str, rule: Rule, meaning: ChannelMeaning) -> bool:
    return kind in rule.kinds or (kind == "ratio" and "count" in rule.kinds) or kind == meaning.kind


def _is_countable(column: RawColumn, meaning: ChannelMeaning) -> bool:
    known = column.values[np.isfinite(column.values)]
    return bool(np.all((known >= meaning.low) & (known <= meaning.high)))


def _with_reference(channel: str, spelled: str | None) -> str | None:
    """Heading or track with what its unit says of the reference: 'deg M', 'deg T'."""
    mark = fold(spelled or "").replace(" ", "").replace(".", "").strip("[]()")
    magnetic, true = mark in ("degm", "°m", "degmag"), mark in ("degt", "°t", "degtrue")
    if channel == "unnamed_heading":
        return "heading_magnetic" if magnetic else "heading_true" if true else channel
    if (channel == "track_true" and magnetic) or (channel == "heading_magnetic" and true):
        return None
    return channel


# -- columns against each other -----------------------------------------------------------------


def _settle_ambiguous(choices: list[_Choice], profile: InstrumentProfile) -> None:
    """Name altitude and heading by the user's word or by what else the same recorder holds."""
    present = {c.channel for c in choices}
    for choice in choices:
        if choice.channel in ("unnamed_altitude", "gnss_unnamed_altitude") and profile.altitude_datum:
            choice.channel = _ALTITUDE_DATUM[profile.altitude_datum]
        elif choice.channel == "unnamed_altitude" and "altimeter_setting" in present:
            choice.channel = "baro_altitude"
            choice.evidence = "the recorder writes the altimeter setting beside it"
        elif choice.channel == "unnamed_heading" and profile.heading_reference:
            choice.channel = _HEADING_REFERENCE[profile.heading_reference]


def _weigh(choices: list[_Choice]) -> list[tuple[_Choice, str]]:
    """A name for every column: one per channel, the better column first; the rest raw."""
    _number_repeats(choices)
    taken: dict[str, _Choice] = {}
    for choice in sorted((c for c in choices if c.channel), key=_worth):
        taken.setdefault(_full_name(choice), choice)
    names: dict[int, str] = {id(choice): name for name, choice in taken.items()}
    used = set(taken)
    out = []
    for choice in choices:
        name = names.get(id(choice)) or _raw_name(choice.column.header, used)
        if name.startswith("raw_"):
            choice.channel = None
        used.add(name)
        out.append((choice, name))
    return out


def _number_repeats(choices: list[_Choice]) -> None:
    """Several cylinders under one name are numbered in the order of their columns."""
    for channel in {c.channel for c in choices if c.channel and CHANNELS.get(c.channel, _PLAIN).numbered}:
        same = [c for c in choices if c.channel == channel and c.number is None]
        if len(same) > 1:
            for number, choice in enumerate(same, 1):
                choice.number = number


_PLAIN = CHANNELS["pressure_altitude"]


def _full_name(choice: _Choice) -> str:
    assert choice.channel is not None
    meaning = CHANNELS.get(choice.channel)
    if meaning is not None and meaning.numbered and choice.number is not None:
        return f"{choice.channel}_{choice.number}"
    return choice.channel


def _worth(choice: _Choice) -> tuple[float, ...]:
    """Sort key, best first: plain name, low number, many valid samples, fine steps, early column."""
    values = choice.column.values
    valid = np.count_nonzero(np.isfinite(values)) / len(values) if values.dtype != object and len(values) else 1.0
    return (
        bool(choice.evidence),
        choice.rank,
        choice.number or 0,
        -round(valid, 2),
        choice.column.step or np.inf,
        choice.column.position,
    )


def _raw_name(header: str, used: Iterable[str]) -> str:
    slug = "_".join(split_words(header)) or "column"
    name, again = f"raw_{slug}", 1
    while name in used:
        again += 1
        name = f"raw_{slug}_{again}"
    return name


# -- conversion ---------------------------------------------------------------------------------


def _bridge(kind: str, meaning: ChannelMeaning) -> float | None:
    if kind == meaning.kind:
        return 1.0
    return _BRIDGES.get((kind, meaning.kind))


def _convert(choice: _Choice, name: str) -> Column:
    """The column in SI; a text or unit-less column untouched."""
    raw = choice.column
    meaning = meaning_of(name)
    base = Column(name, raw.values, None, raw.header, raw.unit, raw.step)
    if raw.values.dtype == object:
        return dataclasses.replace(base, step=None)
    if choice.unit is None:
        return dataclasses.replace(base, unit=meaning.unit if meaning else None)
    kind = find_kind(choice.unit)
    factor, offset = factors(choice.unit)
    if meaning is not None:
        scale = _bridge(kind, meaning)
        assert scale is not None, (name, choice.unit)
        if (kind, choice.unit) == ("angle", "deg") and meaning.kind == "coordinate":
            scale, factor = 1.0, 1.0  # degrees stay degrees to the last digit
        factor, offset = factor * scale, offset * scale
    values = raw.values
    if (factor, offset) != (1.0, 0.0):
        values = values * factor
        values += offset
    if meaning is not None and meaning.reduction == "circular" and meaning.unit == "rad":
        values = within_turn(values, 2 * np.pi)
    step = raw.step * factor if raw.step is not None else None
    return dataclasses.replace(base, values=values, unit=meaning.unit if meaning else SI[kind], step=step)


def _unit_as_shown(choice: _Choice) -> str | None:
    return choice.unit if choice.column.values.dtype != object else None


# -- what the reader is told --------------------------------------------------------------------


def _report(named: list[tuple[_Choice, str]], notes: _Notes) -> None:
    raw = [c.column.header for c, name in named if name.startswith("raw_") and not c.unit_unknown]
    if raw:
        text = f"{len(raw)} columns match no known channel and are kept as raw ones: {', '.join(raw)}"
        notes.add("CHANNEL_UNNAMED", text, count=len(raw), headers=raw)
    unknown = [c.column.header for c, _ in named if c.unit_unknown]
    if unknown:
        text = f"no unit, or an unknown one, for {', '.join(unknown)}; kept as raw columns without a unit"
        question = f"which unit have the columns {', '.join(unknown)}?"
        notes.add("UNIT_UNKNOWN", text, level="doubt", count=len(unknown), headers=unknown, question=question)
    for choice, name in named:
        _report_channel(choice, name, notes)


def _report_channel(choice: _Choice, name: str, notes: _Notes) -> None:
    header = choice.column.header
    if name.startswith("raw_"):
        return
    if choice.unit_evidence:
        text = f"{header} states no unit and is taken in {choice.unit}: {choice.unit_evidence}"
        notes.add("UNIT_INFERRED", text, header=header, unit=choice.unit)
    if choice.evidence:
        notes.add("CHANNEL_INFERRED", f"{header} is taken as {name}: {choice.evidence}", header=header, channel=name)
    if name == "unnamed_altitude":
        text = f"{header} does not say which altitude it is (pressure, altimeter setting, sea level or ellipsoid)"
        notes.add("ALT_DATUM_UNKNOWN", text, level="doubt", header=header, question=f"which altitude is {header}?")
    if name == "unnamed_heading":
        text = f"{header} does not say whether it is magnetic or true"
        question = f"is {header} magnetic or true, and with which variation?"
        notes.add("HEADING_REFERENCE_UNKNOWN", text, header=header, question=question)


def _kind_of(columns: dict[str, Column]) -> str:
    """A word for what the table is, told by its channels."""
    names = {(m.name if (m := meaning_of(name)) else name) for name in columns}
    if names & {"indicated_airspeed", "calibrated_airspeed", "recorded_true_airspeed"}:
        return "display"
    if names & {"engine_speed", "manifold_pressure", "cylinder_head_temperature", "exhaust_gas_temperature"}:
        return "engine"
    if {"latitude", "longitude"} <= names:
        return "gnss"
    known = [CHANNELS[name] for name in names if name in CHANNELS]
    if known and all(m.reduction == "last" or m.name.startswith(("flap", "gear")) for m in known):
        return "discretes"
    return "log"
