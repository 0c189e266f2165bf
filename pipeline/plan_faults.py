"""What is wrong with a plan's fields, in sentences that say what to write instead."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date
from difflib import get_close_matches
from typing import Any, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

Location = Sequence[int | str]

_LIMITS = {"gt": "above {:g}", "ge": "{:g} or more", "lt": "below {:g}", "le": "{:g} or less"}


def faults_in_words(model: type[BaseModel], errors: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """One line for each of pydantic's errors about `model`: where it is, and what to write. A plan's value is repeated nowhere."""
    for error in errors:
        place, kind = tuple(error["loc"]), str(error["type"])
        if kind == "value_error":
            # Our own checks across fields: each line is a sentence already.
            told = str(error["ctx"]["error"]).splitlines()
        elif kind == "extra_forbidden":
            told = [_no_such_field(model, place)]
        else:
            told = [_SENTENCES.get(kind, _otherwise)(_field(model, place), error.get("input"))]
        yield from (f"{_in_words(place)}: {sentence}" for sentence in told)


def limits_in_words(field: FieldInfo) -> str:
    """The limits of a number: "above 0.5 and below 1"; "" for none."""
    found = [
        sentence.format(getattr(limit, name))
        for limit in field.metadata
        for name, sentence in _LIMITS.items()
        if getattr(limit, name, None) is not None
    ]
    return " and ".join(found)


def _in_words(place: Location) -> str:
    """The field as the plan's reader finds it: an item of a list is counted from 1."""
    names = ".".join(part for part in place if isinstance(part, str))
    items = [f"item {part + 1}" for part in place if isinstance(part, int)]
    return ": ".join([names or "plan", *items])


def _model(model: type[BaseModel], place: Location) -> type[BaseModel]:
    """The part of the plan in which the last name of `place` stands."""
    for name in place[:-1]:
        field = model.model_fields.get(str(name))
        if field is not None and isinstance(field.annotation, type) and issubclass(field.annotation, BaseModel):
            model = field.annotation
    return model


def _field(model: type[BaseModel], place: Location) -> FieldInfo:
    """The field at `place`; for a line of a table of one's own names, the field that is the table."""
    names = [part for part in place if isinstance(part, str)]
    while names[-1] not in _model(model, names).model_fields:
        names.pop()
    return _model(model, names).model_fields[names[-1]]


def _no_such_field(model: type[BaseModel], place: Location) -> str:
    name, here = str(place[-1]), _model(model, place)
    for part, field in model.model_fields.items():
        inside = field.annotation
        if (
            isinstance(inside, type)
            and issubclass(inside, BaseModel)
            and inside is not here
            and name in inside.model_fields
        ):
            return f"no such field here; it stands under the line [{part}]"
    if here is not model and name in model.model_fields:
        return f"no such field here; it stands before the first line in brackets, not under [{place[0]}]"
    near = get_close_matches(name.casefold(), here.model_fields, n=1)
    return (
        f"no such field; did you mean {near[0]}?"
        if near
        else f"no such field; the fields are {', '.join(here.model_fields)}"
    )


def _a_date(_: FieldInfo, given: object) -> str:
    if isinstance(given, str):
        return "write the date without quotation marks, as in 2024-01-31"
    if isinstance(given, date):
        return "write the day alone, without a time, as in 2024-01-31"
    return "write a date, as in 2024-01-31"


def _within(field: FieldInfo, _: object) -> str:
    return f"must be {limits_in_words(field)}"


def _finite(field: FieldInfo, _: object) -> str:
    limits = limits_in_words(field)
    return f"must be a finite number{f', {limits}' if limits else ''}"


def _one_of(field: FieldInfo, _: object) -> str:
    choices = get_args(field.annotation)
    if get_origin(field.annotation) is tuple:  # a list of choices
        choices = get_args(choices[0])
    return "choose among " + ", ".join(f'"{choice}"' for choice in choices)


def _whole(_: FieldInfo, given: object) -> str:
    return f"write a whole number{_unquoted(given)}"


def _number(_: FieldInfo, given: object) -> str:
    return f"write a number{_unquoted(given)}, as in 0.5"


def _unquoted(given: object) -> str:
    return " without quotation marks" if isinstance(given, str) else ""


def _text(_: FieldInfo, given: object) -> str:
    return "write one text, not a list" if isinstance(given, tuple | dict) else "write a text in quotation marks"


def _list(_: FieldInfo, given: object) -> str:
    if isinstance(given, dict):
        return "write a list of names in square brackets; reasons for them stand under [adjust_because]"
    return "write a list in square brackets, also for one thing or none"


def _yes_or_no(_: FieldInfo, given: object) -> str:
    return "write true or false" + (", without quotation marks" if isinstance(given, str) else "")


def _table(_: FieldInfo, given: object) -> str:
    return "write its name alone on a line in square brackets, and under it a line for each name"


def _part(_: FieldInfo, given: object) -> str:
    return "write its name alone on a line in square brackets, and its fields on the lines below"


def _otherwise(_: FieldInfo, given: object) -> str:
    return "cannot be read; docs/plan_reference.md says how it is written"


_SENTENCES: Mapping[str, Callable[[FieldInfo, object], str]] = {
    "greater_than": _within,
    "greater_than_equal": _within,
    "less_than": _within,
    "less_than_equal": _within,
    "finite_number": _finite,
    "literal_error": _one_of,
    "int_type": _whole,
    "int_from_float": _whole,
    "float_type": _number,
    "string_type": _text,
    "date_type": _a_date,
    "date_from_datetime_inexact": _a_date,
    "tuple_type": _list,
    "bool_type": _yes_or_no,
    "dict_type": _table,
    "model_type": _part,
    "model_attributes_type": _part,
}
