"""From a parsed file to checked tables, with every mistake in them told at once.

cattrs goes through a table and gathers what its fields' kinds refuse; here its groups of errors
become `Mistake`s with the path of the key.
"""

import difflib
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from typing import Annotated, Any, TypeVar, get_args, get_origin

import attrs
from cattrs import Converter
from cattrs.errors import (
    AttributeValidationNote,
    ClassValidationError,
    ForbiddenExtraKeysError,
)
from cattrs.gen import make_dict_structure_fn, override

from daemon.configuration_grammar import KEY_OF_FIELD, NAMED_MOST
from daemon.configuration_values import NAME_PATTERN, NAME_WORDS, WrongValue
from daemon.errors import Mistake, shown

T = TypeVar("T")
Sound = Mapping[str, Any]  # field -> value, of those that are right by themselves
_SECRET_WORDS = ("pass", "secret", "token", "key", "credential")  # values of such keys are never printed


class Findings:
    """The mistakes of one file, gathered while it is read."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.mistakes: list[Mistake] = []

    def add(self, path: Iterable[str | int], allowed: str, value: object = None) -> None:
        """Note one mistake; a value that may be a secret is left out."""
        key = key_path(path)
        hidden = value is None or any(word in key.rpartition(".")[2].lower() for word in _SECRET_WORDS)
        self.mistakes.append(Mistake(self.file, key, None if hidden else shown(value), allowed))

    def add_unknown(self, path: tuple[str | int, ...], key: str, known: Iterable[str], value: object) -> None:
        """Note a key nobody knows, with the nearest one that is known."""
        names = sorted(known)
        near = difflib.get_close_matches(key.lower().replace("_", "-"), [n.replace("_", "-") for n in names], n=1)
        if near:
            meant = next(name for name in names if name.replace("_", "-") == near[0])
            allowed = f'no such key; did you mean "{meant}"?'
        else:
            allowed = "no such key; known here: " + ", ".join(names)
        self.add((*path, key), allowed, None if isinstance(value, dict | list) else value)


def key_path(path: Iterable[str | int]) -> str:
    """Write the path of a key as TOML does: `bank.cells`, `way-out.mail.to[1]`, `line."a b".baud`."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
            continue
        plain = part != "" and all(c.isascii() and (c.isalnum() or c in "-_") for c in part)
        text += ("." if text else "") + (part if plain else shown(part))
    return text


def keys_of(table: type[Any]) -> tuple[str, ...]:
    """Give the keys of a table's class, as the file writes them."""
    return tuple(KEY_OF_FIELD.get(field.name, field.name) for field in attrs.fields(table))


def structure(findings: Findings, raw: object, table: type[T], path: tuple[str | int, ...]) -> T | None:
    """Make one table of the grammar from what the file has there.

    Args:
        findings: takes the mistakes.
        raw: what stands in the file.
        table: the table's class.
        path: the keys that lead to it.
    Returns: the table, or None when something in it is wrong.
    """
    if not isinstance(raw, dict):
        findings.add(path, f"a table: [{key_path(path)}] with keys below it", raw)
        return None
    try:
        return _CONVERTER.structure(raw, table)
    except ClassValidationError as group:
        for below, error in _leaves(group):
            _note(findings, raw, table, path, below, error)
        return None


def sound(raw: object, table: type[Any]) -> Sound:
    """Give what in a table is right by itself, by field: given values, and defaults of keys not given.

    A field that is not in it is wrong or missing; rules that need it have nothing to say then.
    """
    made: dict[str, Any] = {}
    if not isinstance(raw, dict):
        return made
    for field in attrs.fields(attrs.resolve_types(table, include_extras=True)):
        key = KEY_OF_FIELD.get(field.name, field.name)
        if key in raw:
            with suppress(WrongValue):  # told by `structure`
                made[field.name] = _kind_of(field.type)(raw[key])
        elif field.default is not attrs.NOTHING:
            made[field.name] = field.default
    return made


def sound_named(raw: object, table: type[Any]) -> dict[str, Sound]:
    """Give what is right by itself in each of the tables [section.NAME]."""
    return {name: sound(rows, table) for name, rows in raw.items()} if isinstance(raw, dict) else {}


def structure_named(findings: Findings, raw: object, table: type[T], section: str) -> dict[str, T]:
    """Make all tables [section.NAME]; those with mistakes are left out."""
    if not isinstance(raw, dict) or len(raw) > NAMED_MOST:
        findings.add((section,), f"up to {NAMED_MOST} tables [{section}.NAME]", None if isinstance(raw, dict) else raw)
        return {}
    made: dict[str, T] = {}
    for name, rows in raw.items():
        if not NAME_PATTERN.match(name):
            findings.add((section, name), f"not a name: [{section}.NAME] needs {NAME_WORDS}")
        one = structure(findings, rows, table, (section, name))
        if one is not None:
            made[name] = one
    return made


def _leaves(group: ClassValidationError) -> Iterator[tuple[tuple[str | int, ...], Exception]]:
    """Walk to the single errors, with the fields that lead to each."""
    with_notes, without = group.group_exceptions()
    for error, note in with_notes:
        field = note.name if isinstance(note, AttributeValidationNote) else str(note)
        yield (KEY_OF_FIELD.get(field, field),), error
    for error in without:
        yield (), error


def _note(
    findings: Findings,
    raw: Mapping[str, object],
    table: type[Any],
    path: tuple[str | int, ...],
    below: tuple[str | int, ...],
    error: Exception,
) -> None:
    if isinstance(error, ForbiddenExtraKeysError):
        for key in sorted(error.extra_fields):
            findings.add_unknown(path, key, keys_of(table), raw[key])
    elif isinstance(error, KeyError):
        findings.add((*path, *below), f"must be given: {_allowed_at(table, below)}")
    elif isinstance(error, WrongValue):
        for part, allowed in error.parts:
            place = (*below, *part)
            findings.add((*path, *place), allowed, _value_at(raw, place))
    else:
        raise error  # a slip of ours in the grammar, not of the file


def _allowed_at(table: type[Any], below: tuple[str | int, ...]) -> str:
    """Ask a field's kind what is allowed, by giving it nothing."""
    for field in attrs.fields(attrs.resolve_types(table, include_extras=True)):
        if KEY_OF_FIELD.get(field.name, field.name) == below[0]:
            try:
                _kind_of(field.type)(None)
            except WrongValue as wrong:
                return str(wrong)
    raise LookupError(f"{table.__name__} has no field for {below}")


def _value_at(raw: Any, place: tuple[str | int, ...]) -> object:
    for part in place:
        raw = raw[part]
    return raw


def _kind_of(annotation: Any) -> Callable[[object], Any]:
    kind: Callable[[object], Any] = get_args(annotation)[1]
    return kind


def _is_kind(annotation: Any) -> bool:
    return get_origin(annotation) is Annotated


def _make_converter() -> Converter:
    converter = Converter(detailed_validation=True, forbid_extra_keys=True)

    @converter.register_structure_hook_factory(_is_kind)
    def _check(annotation: Any) -> Callable[[object, Any], Any]:
        kind = _kind_of(annotation)
        return lambda value, _: kind(value)

    @converter.register_structure_hook_factory(attrs.has)
    def _table(table: type[Any], converter: Converter) -> Callable[[Mapping[str, Any], Any], Any]:
        renamed = {f.name: override(rename=KEY_OF_FIELD[f.name]) for f in attrs.fields(table) if f.name in KEY_OF_FIELD}
        return make_dict_structure_fn(table, converter, **renamed)  # type: ignore[arg-type]

    return converter


_CONVERTER = _make_converter()
