"""Reading one rule set from TOML; a wrong file is refused with its line and the reason."""

from __future__ import annotations

import math
from collections.abc import Iterable

from rxmeasure.criteria.rules import (
    OVERALL,
    Band,
    BandOutcome,
    BandsRule,
    CodeRule,
    CodeValue,
    CombinationRule,
    FlagRule,
    ReaderRule,
    Rule,
    RuleField,
    RuleSet,
    ScoreRule,
    SourceStatus,
    YesNoRule,
    is_count,
)
from rxmeasure.criteria.toml_document import TomlDocument, TomlTable
from rxmeasure.errors import CriterionError
from rxmeasure.marks import FilmKind
from rxmeasure.measure_names import MEASURES, MeasureName

_KINDS = ("bands", "yes_no", "flag", "code", "reader", "all", "any", "score")
_FIELD_KEYS = ("name", "kind", "source", "status", "note")
_BAND_KEYS = ("label", "outcome", "at_least", "above", "at_most", "below")


def parse_rule_set(text: str, name: str) -> RuleSet:
    """Read a rule set from the text of a criteria file.

    Parameters
    ----------
    text : str
        TOML.
    name : str
        Name of the file, for messages.

    Raises
    ------
    CriterionError
        Anything is wrong; the message names the line.
    """
    root = TomlDocument(text, name, what="a criteria file", error=CriterionError).root
    root.only(("id", "version", "title", "film_kinds", "note", "field"), what="the rule set")
    rule_id = root.identifier("id")
    version = root.text("version")
    title = root.text("title")
    film_kinds = []
    for kind in root.texts("film_kinds"):
        if kind not in tuple(FilmKind):
            root.refuse_word("film_kinds", kind, tuple(FilmKind))
        film_kinds.append(FilmKind(kind))
    note = root.text("note", default="")
    fields: list[RuleField] = []
    for table in root.tables("field", header="field"):
        fields.append(_field(table, fields, tuple(film_kinds)))
    return RuleSet(
        id=rule_id,
        version=version,
        title=title,
        film_kinds=tuple(film_kinds),
        fields=tuple(fields),
        note=note,
    )


def _field(
    table: TomlTable, earlier: list[RuleField], film_kinds: tuple[FilmKind, ...]
) -> RuleField:
    name = table.text("name")
    if "/" in name:
        table.refuse(
            "name",
            found=f"name = '{name}'.",
            needed="a name without '/'.",
            next_step="Choose another name.",
        )
    if any(field.name == name for field in earlier):
        table.refuse(
            "name",
            found=f"a second field named '{name}'.",
            needed="each name once.",
            next_step="Rename one of the two.",
        )
    kind = table.text("kind")
    if kind not in _KINDS:
        table.refuse_word("kind", kind, _KINDS)
    if name == OVERALL and kind not in ("all", "any", "score"):
        table.refuse(
            "kind",
            found=f"a field named '{OVERALL}' of kind '{kind}'.",
            needed=f"'{OVERALL}' to be drawn from other fields: kind all, any or score.",
            next_step="Rename the field, or change its kind.",
        )
    source = table.text("source")
    status = table.word("status", SourceStatus)
    field = RuleField(
        name=name,
        rule=_rule(table, kind, earlier, film_kinds),
        source=source,
        status=status,
        note=table.text("note", default=""),
    )
    _check_labels(table, field.rule)
    return field


def _rule(
    table: TomlTable, kind: str, earlier: list[RuleField], film_kinds: tuple[FilmKind, ...]
) -> Rule:
    what = f"a field of kind '{kind}'"
    keys: tuple[str, ...]
    if kind == "bands":
        keys = ("measure", "unit", "band", "floor_measure")
        table.only((*_FIELD_KEYS, *keys), what=what)
        return _bands_rule(table, film_kinds)
    if kind == "yes_no":
        keys = ("measure", "met_when", "label_yes", "label_no", "floor_measure")
        table.only((*_FIELD_KEYS, *keys), what=what)
        return _yes_no_rule(table, film_kinds)
    if kind == "flag":
        table.only((*_FIELD_KEYS, "measure", "label_yes", "label_no", "prompt"), what=what)
        return FlagRule(
            measure=_measure(table, "measure", film_kinds, units=("bool",)).name,
            label_yes=table.text("label_yes"),
            label_no=table.text("label_no"),
            prompt=table.text("prompt"),
        )
    if kind == "code":
        return _code_rule(table, film_kinds)
    if kind == "reader":
        table.only((*_FIELD_KEYS, "question", "value"), what=what)
        return ReaderRule(question=table.text("question"), values=_code_values(table))
    known = {field.name: field for field in earlier}
    fields = table.texts("fields")
    for item in fields:
        if item not in known:
            table.refuse(
                "fields",
                found=f"'{item}', which is no field above this one.",
                needed=f"fields that stand above it: {', '.join(known) or 'none yet'}.",
                next_step="Correct the name, or move that field up.",
            )
        if isinstance(known[item].rule, FlagRule):
            table.refuse(
                "fields",
                found=f"'{item}', which is a flag.",
                needed="fields that are scored; a flag is not.",
                next_step="Take it out of 'fields'.",
            )
    if kind == "score":
        table.only((*_FIELD_KEYS, "fields", "band"), what=what)
        return ScoreRule(fields=fields, bands=_bands(table, whole=True))
    table.only((*_FIELD_KEYS, "fields", "label_met", "label_not_met"), what=what)
    return CombinationRule(
        every=kind == "all",
        fields=fields,
        label_met=table.text("label_met"),
        label_not_met=table.text("label_not_met"),
    )


def _code_rule(table: TomlTable, film_kinds: tuple[FilmKind, ...]) -> CodeRule:
    keys = [*_FIELD_KEYS, "code_measure", "value"]
    measure = _measure(table, "code_measure", film_kinds, units=("code",))
    then: BandsRule | YesNoRule | None = None
    if table.has("met_when"):
        keys += ["measure", "met_when", "label_yes", "label_no", "floor_measure"]
        table.only(keys, what="a field of kind 'code' that goes on to yes or no")
        then = _yes_no_rule(table, film_kinds)
    elif table.has("measure"):
        keys += ["measure", "unit", "band", "floor_measure"]
        table.only(keys, what="a field of kind 'code' that goes on to bands")
        then = _bands_rule(table, film_kinds)
    else:
        table.only([*keys, "measure"], what="a field of kind 'code'")
    return CodeRule(measure=measure.name, values=_code_values(table), then=then)


def _code_values(table: TomlTable) -> tuple[CodeValue, ...]:
    values: list[CodeValue] = []
    for row in table.tables("value", header="field.value"):
        row.only(("equals", "label", "outcome"), what="a value")
        equals = row.text("equals")
        if any(value.equals == equals for value in values):
            row.refuse(
                "equals",
                found=f"a second value '{equals}'.",
                needed="each value once: the first match would win.",
                next_step="Take one of them out.",
            )
        values.append(
            CodeValue(
                equals=equals, label=row.text("label"), outcome=row.word("outcome", BandOutcome)
            )
        )
    return tuple(values)


def _bands_rule(table: TomlTable, film_kinds: tuple[FilmKind, ...]) -> BandsRule:
    measure = _measure(
        table,
        "measure",
        film_kinds,
        units=sorted({m.unit for m in MEASURES.values()} - _NOT_NUMBERS),
    )
    unit = table.text("unit")
    if unit != measure.unit:
        table.refuse(
            "unit",
            found=f"unit = '{unit}' for the measure {measure.name}.",
            needed=f"unit = '{measure.unit}', the unit of that measure.",
            next_step="Correct the unit, and check that the limits are in it.",
        )
    return BandsRule(
        measure=measure.name,
        unit=unit,
        bands=_bands(table, whole=is_count(measure.name)),
        floor_measure=_floor(table, film_kinds),
    )


def _yes_no_rule(table: TomlTable, film_kinds: tuple[FilmKind, ...]) -> YesNoRule:
    measure = _measure(table, "measure", film_kinds, units=("bool", "1"))
    if measure.unit != "bool" and not is_count(measure.name):
        table.refuse(
            "measure",
            found=f"the measure {measure.name}, which is neither yes or no nor a count.",
            needed="a measure answered by yes or no, or a count.",
            next_step="Use another measure, or kind 'bands'.",
        )
    met_when = table.text("met_when")
    if met_when not in ("yes", "no"):
        table.refuse_word("met_when", met_when, ("yes", "no"))
    return YesNoRule(
        measure=measure.name,
        met_when=met_when == "yes",
        label_yes=table.text("label_yes"),
        label_no=table.text("label_no"),
        floor_measure=_floor(table, film_kinds),
    )


_NOT_NUMBERS = {"bool", "code"}


def _floor(table: TomlTable, film_kinds: tuple[FilmKind, ...]) -> str | None:
    if not table.has("floor_measure"):
        return None
    return _measure(table, "floor_measure", film_kinds, units=("mm",)).name


def _measure(
    table: TomlTable, key: str, film_kinds: tuple[FilmKind, ...], *, units: Iterable[str]
) -> MeasureName:
    name = table.text(key)
    measure = MEASURES.get(name)
    if measure is None:
        table.refuse(
            key,
            found=f"the unknown measure '{name}'.",
            needed=f"one of: {', '.join(MEASURES)}.",
            next_step="Use one of these names.",
        )
    if measure.unit not in (allowed := tuple(units)):
        table.refuse(
            key,
            found=f"the measure {name} of unit '{measure.unit}'.",
            needed=f"a measure of unit {' or '.join(allowed)} for this kind of field.",
            next_step="Use another measure, or another kind.",
        )
    missing = [kind for kind in film_kinds if kind not in measure.film_kinds]
    if missing:
        table.refuse(
            key,
            found=f"the measure {name}, which is not measured on films of kind "
            f"{' or '.join(missing)}.",
            needed=f"film kinds out of: {', '.join(measure.film_kinds)}.",
            next_step="Correct 'film_kinds', or use another measure.",
        )
    return measure


def _bands(table: TomlTable, *, whole: bool) -> tuple[Band, ...]:
    """Read the bands: ascending, touching, from one open end to the other.

    ``whole``: the measure counts, so 'at most 1' and 'at least 2' touch.
    """
    bands: list[Band] = []
    rows = table.tables("band", header="field.band")
    for row in rows:
        band = _band(row)
        if bands:
            _check_neighbours(row, bands[-1], band, whole=whole)
        elif band.low > -math.inf and not (whole and band.contains(0.0)):
            row.refuse(
                None,
                found=f"a first band '{band.label}' that starts at {band.low:g}.",
                needed="a first band with an open lower end, so that every value has its band.",
                next_step="Leave its lower limit out, or put a band of outcome "
                "'unclassified' before it.",
            )
        bands.append(band)
    if bands[-1].high < math.inf:
        rows[-1].refuse(
            None,
            found=f"a last band '{bands[-1].label}' that ends at {bands[-1].high:g}.",
            needed="a last band with an open upper end, so that every value has its band.",
            next_step="Leave its upper limit out, or add a band of outcome 'unclassified'.",
        )
    return tuple(bands)


def _band(row: TomlTable) -> Band:
    row.only(_BAND_KEYS, what="a band")
    ends = []
    for inside_key, outside_key, open_end in (
        ("at_least", "above", -math.inf),
        ("at_most", "below", math.inf),
    ):
        inside, outside = row.limit(inside_key), row.limit(outside_key)
        if inside is not None and outside is not None:
            row.refuse(
                outside_key,
                found=f"both '{inside_key}' and '{outside_key}' in one band.",
                needed="one of the two.",
                next_step=f"Keep '{inside_key}' if the limit belongs to the band.",
            )
        if inside is not None:
            ends.append((inside, True))
        else:
            ends.append((open_end if outside is None else outside, False))
    (low, low_inside), (high, high_inside) = ends
    if low > high or (low == high and not (low_inside and high_inside)):
        row.refuse(
            None,
            found=f"a band from {low:g} to {high:g} that holds no value.",
            needed="a lower limit below the upper one.",
            next_step="Exchange the limits.",
        )
    return Band(
        label=row.text("label"),
        outcome=row.word("outcome", BandOutcome),
        low=low,
        low_inside=low_inside,
        high=high,
        high_inside=high_inside,
    )


def _check_neighbours(row: TomlTable, before: Band, band: Band, *, whole: bool) -> None:
    """Refuse bands out of order, overlapping, or with a gap between them."""
    pair = f"'{before.label}' and '{band.label}'"
    if band.low < before.low:
        row.refuse(
            None,
            found=f"bands {pair} out of order.",
            needed="bands in ascending order.",
            next_step="Put the band of the smaller values first.",
        )
    if band.low < before.high or (
        band.low == before.high and band.low_inside and before.high_inside
    ):
        row.refuse(
            None,
            found=f"bands {pair} overlap.",
            needed="bands without overlap.",
            next_step="Let the first end where the second begins; one of the two owns the limit.",
        )
    touching = band.low == before.high and (band.low_inside or before.high_inside)
    if whole and not touching:
        last = math.ceil(before.high) - 1 if not before.high_inside else math.floor(before.high)
        first = math.floor(band.low) + 1 if not band.low_inside else math.ceil(band.low)
        touching = first == last + 1
    if not touching:
        row.refuse(
            None,
            found=f"a gap between the bands {pair}.",
            needed="bands that touch, so that every value has its band.",
            next_step="Close the gap, or fill it with a band of outcome 'unclassified'.",
        )


def _check_labels(table: TomlTable, rule: Rule) -> None:
    """Refuse one word for two answers of a field."""
    labels: list[str] = []
    if isinstance(rule, CodeRule):
        labels += [value.label for value in rule.values]
        rule_then: Rule | None = rule.then
    else:
        rule_then = rule
    if isinstance(rule_then, (BandsRule, ScoreRule)):
        labels += [band.label for band in rule_then.bands]
    elif isinstance(rule_then, (YesNoRule, FlagRule)):
        labels += [rule_then.label_yes, rule_then.label_no]
    elif isinstance(rule_then, CombinationRule):
        labels += [rule_then.label_met, rule_then.label_not_met]
    elif isinstance(rule_then, ReaderRule):
        labels += [value.label for value in rule_then.values]
    repeated = next((label for label in labels if labels.count(label) > 1), None)
    if repeated is not None:
        table.refuse(
            None,
            found=f"the label '{repeated}' twice in one field.",
            needed="a label of its own for every answer.",
            next_step="Rename one of them.",
        )
