"""From a parsed TOML table to a typed model, or one clear line."""

from collections.abc import Mapping
from difflib import get_close_matches
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from heatwake.errors import InputError, shorten
from heatwake.schema.settings import LONG, show

M = TypeVar("M", bound=BaseModel)


def validate(model: type[M], data: Mapping[str, Any], *, file: str) -> M:
    """Return the typed model of a parsed table.

    Raises
    ------
    InputError
        ``file: table.key is what it is, what it should be``, for the first thing that is wrong; unknown keys first,
        with the nearest right key.
    """
    try:
        return model.model_validate(data)
    except ValidationError as error:
        details = error.errors(include_url=False)
        first = next((row for row in details if row["type"] == "extra_forbidden"), details[0])
        raise _explain(first, model=model, file=file) from None
    except RecursionError:
        raise InputError(file, "nested too deeply", "must be plain tables") from None


def _explain(detail: ErrorDetails, *, model: type[BaseModel], file: str) -> InputError:
    place = [part for part in detail["loc"] if isinstance(part, str | int)]
    if detail["type"] == "extra_forbidden":
        known = _keys(model, place[:-1])
        near = get_close_matches(str(place[-1]), known, n=1, cutoff=0.5)
        wanted = f"did you mean {near[0]}?" if near else f"must be one of {', '.join(known)}"
        return InputError(f"{file}: {_dotted(place)}", "an unknown key", wanted)
    if detail["type"] == "missing":
        return InputError(f"{file}: {_dotted(place)}", "missing", "must be given")
    if detail["type"] == "value_error":
        message = str(detail["ctx"]["error"])
        if message.startswith("must "):
            return InputError(f"{file}: {_dotted(place)}", show(detail["input"]), message)
        key, rest = message.split(": ", 1)
        found, wanted = rest.rsplit(": ", 1)
        return InputError(f"{file}: {_dotted([*place, key])}", found, wanted)
    return InputError(f"{file}: {_dotted(_without_union_tags(place))}", show(detail["input"]), _wanted(detail))


def _wanted(detail: ErrorDetails) -> str:
    context = detail.get("ctx", {})
    kinds = {
        "greater_than": "must be more than {gt}",
        "greater_than_equal": "must be {ge} or more",
        "less_than": "must be less than {lt}",
        "less_than_equal": "must be {le} or less",
        "literal_error": "must be {expected}",
    }
    if detail["type"] in kinds:
        return kinds[detail["type"]].format(**context)
    return detail["msg"].replace("Input should be", "must be").replace("Input is not", "must be").split(" for <")[0]


def _dotted(place: list[str | int]) -> str:
    parts = (f"[{part + 1}]" if isinstance(part, int) else shorten(part, LONG) for part in place)
    return ".".join(parts).replace(".[", "[")


def _without_union_tags(place: list[str | int]) -> list[str | int]:
    return [part for part in place if part not in {"bool", "int", "float", "str"}]


def _keys(model: type[BaseModel], place: list[str | int]) -> list[str]:
    """Keys that the table at ``place`` may have."""
    for part in place:
        if isinstance(part, str) and part in model.model_fields:
            model = _model_in(model.model_fields[part].annotation) or model
    return list(model.model_fields)


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    arguments = getattr(annotation, "__args__", ())
    return next((found for found in map(_model_in, arguments) if found is not None), None)
