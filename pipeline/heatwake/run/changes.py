"""From what a result was made from, then and now, to reasons in words."""

import json
from collections.abc import Iterator, Mapping
from typing import Any, Final

from heatwake.run.fingerprints import plain_json
from heatwake.run.workflows import SET_BY

LONG: Final = 48  # characters of one value


def changes(stored: Mapping[str, Any], current: Mapping[str, Any]) -> list[str]:
    """Return what differs, each in a few words, inputs first; empty where nothing does.

    Parameters
    ----------
    stored, current : mapping
        As ``determinants`` gives them.
    """
    found = [*_inputs(_table(stored, "inputs"), _table(current, "inputs"))]
    found += _differences(_table(stored, "description"), _table(current, "description"), "")
    found += _stages(_table(stored, "stages"), _table(current, "stages"))
    return list(dict.fromkeys(found))  # a setting that several stages take over is one


def comparison_changes(stored: Mapping[str, Any], current: Mapping[str, Any]) -> list[str]:
    """Return what differs between two states of a comparison."""
    then, now = _table(stored, "sessions"), _table(current, "sessions")
    found = [f"{_name(name)}: new session" for name in now if name not in then]
    found += [f"{_name(name)}: session no longer there" for name in then if name not in now]
    found += [f"{_name(name)}: session changed" for name in now if name in then and then[name] != now[name]]
    found += _differences(stored.get("reference"), current.get("reference"), "reference", quoted=False)
    found += _of_record(_table(stored, "record"), _table(current, "record"))
    found += _stages(_table(stored, "stages"), _table(current, "stages"))
    return list(dict.fromkeys(found))


def _of_record(stored: Mapping[str, Any], current: Mapping[str, Any]) -> Iterator[str]:
    if plain_json(stored) == plain_json(current):
        return
    then, now = (table.get("takes", 0) for table in (stored, current))
    yield f"other takes in the record ({_text(then)} → {_text(now)})" if then != now else "takes in the record changed"


def page_changes(stored: Mapping[str, Any], current: Mapping[str, Any], *, shows: str) -> list[str]:
    """Return what differs between two states of a page or table that shows the file ``shows``."""
    found = [f"depends on {shows}"] if stored.get("parent") != current.get("parent") else []
    found += _differences(stored.get("report"), current.get("report"), "report version")
    found += _differences(stored.get("title"), current.get("title"), "title")
    return found + list(_differences(_table(stored, "stated"), _table(current, "stated"), ""))


def _table(content: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    """Return an inner table; an empty one where a damaged note holds something else."""
    inner = content.get(key)
    return inner if isinstance(inner, Mapping) else {}


def _inputs(stored: Mapping[str, Any], current: Mapping[str, Any]) -> Iterator[str]:
    for name in _keys(stored, current):
        if name not in stored:
            yield f"{name}: new"
        elif name not in current:
            yield f"{name}: no longer given"
        elif stored[name] != current[name]:
            yield f"{name}: other content"


def _stages(stored: Mapping[str, Any], current: Mapping[str, Any]) -> Iterator[str]:
    for name in _keys(stored, current):
        if name not in stored or name not in current:
            yield f"stage {name}: {'new' if name in current else 'no longer there'}"
            continue
        then, now = _table(stored, name), _table(current, name)
        yield from _differences(then.get("version"), now.get("version"), f"{name} version")
        yield from _differences(then.get("settings"), now.get("settings"), name)


def _keys(stored: Mapping[str, Any], current: Mapping[str, Any]) -> list[str]:
    return list(dict.fromkeys([*current, *stored]))


def _differences(stored: Any, current: Any, place: str, *, quoted: bool = True) -> Iterator[str]:
    if plain_json(stored) == plain_json(current):
        return
    place = SET_BY.get(place, place)
    rows = _rows(stored), _rows(current)
    if rows[0] is not None and rows[1] is not None:
        for key in _keys(rows[0], rows[1]):
            inner = _name(key) if isinstance(current, Mapping) else f"[{_name(key)}]"
            joint = "." if place and isinstance(current, Mapping) else ""
            yield from _differences(rows[0].get(key), rows[1].get(key), f"{place}{joint}{inner}")
    elif isinstance(current, Mapping) and stored is None:
        yield f"{place}: new"
    elif isinstance(stored, Mapping) and current is None:
        yield f"{place}: no longer given"
    else:
        yield f"{place} {_text(stored, quoted=quoted)} → {_text(current, quoted=quoted)}"


def _rows(value: Any) -> Mapping[str, Any] | None:
    """Return what is compared one by one: a table's values, rows of a list by name or by number from 1 on."""
    if isinstance(value, Mapping):
        return value
    if value == []:
        return {}
    if not isinstance(value, list) or not any(isinstance(row, Mapping | list) for row in value):
        return None
    names = [row.get("name") if isinstance(row, Mapping) else None for row in value]
    if all(isinstance(name, str) for name in names) and len(set(names)) == len(names):
        return dict(zip(map(str, names), value, strict=True))
    return {str(number): row for number, row in enumerate(value, start=1)}


def _text(value: Any, *, quoted: bool = True) -> str:
    """Return a value as a person writes it."""
    if value is None:
        return "not given"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:.10g}"
    if isinstance(value, str) and not quoted:
        return _name(value)
    if isinstance(value, list):
        return _short("[" + ", ".join(_text(inner) for inner in value) + "]")
    return _short(json.dumps(value, ensure_ascii=False, sort_keys=True, default=str))


def _name(text: str) -> str:
    return _short(text if text.isprintable() else json.dumps(text))


def _short(text: str) -> str:
    return text if len(text) <= LONG else f"{text[: LONG - 1]}…"
