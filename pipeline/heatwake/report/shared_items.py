"""What a test report carries, of several sessions together: once what they have in common, the rest by session."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import xarray as xr

from heatwake.report.checklist import report_items
from heatwake.report.words import listed
from heatwake.schema.report import Report
from heatwake.stages.pair import ComparisonSettings

Item = tuple[str, str | None]


@dataclass(frozen=True)
class SharedItem:
    """One item of a test report.

    Attributes
    ----------
    name : str
    values : list of (str or None, list of str)
        What is said, None where nothing is, and for which sessions; no names where it is said for all.
    """

    name: str
    values: list[tuple[str | None, list[str]]]


def comparison_items(
    sessions: Mapping[str, xr.Dataset],
    *,
    stated: Mapping[str, Report],
    criterion: str,
    settings: ComparisonSettings,
) -> list[SharedItem]:
    """Return the items of a test report on a comparison.

    Parameters
    ----------
    sessions : mapping of str to Dataset
        Results by name, the reference's first.
    stated : mapping of str to Report
        What session files state for the record; may lack some.
    criterion : str
        By which a part counts as settled, in words.
    settings : ComparisonSettings
    """
    each = {name: report_items(one, criterion=criterion, stated=stated.get(name)) for name, one in sessions.items()}
    names = list(sessions)
    own = [
        SharedItem("Sessions compared", [(f"{listed(names[1:])} with {names[0]}, the reference", [])]),
        SharedItem("Decision rule: differences", [(difference_rule(settings), [])]),
    ]
    return [*own[:1], *shared_items(each), *own[1:]]


def shared_items(each: Mapping[str, Sequence[Item]]) -> list[SharedItem]:
    """Return items of several sessions together, in the order in which they come.

    Examples
    --------
    >>> two = shared_items({"a": [("Power", "5 W"), ("Film", None)], "b": [("Power", "9 W"), ("Film", None)]})
    >>> [item.values for item in two]
    [[('5 W', ['a']), ('9 W', ['b'])], [(None, [])]]
    """
    told = {session: dict(items) for session, items in each.items()}
    names = dict.fromkeys(name for items in each.values() for name, _ in items)
    return [SharedItem(name, _values({session: items.get(name) for session, items in told.items()})) for name in names]


def _values(by_session: Mapping[str, str | None]) -> list[tuple[str | None, list[str]]]:
    of: dict[str | None, list[str]] = {}
    for session, value in by_session.items():
        of.setdefault(value, []).append(session)
    return [(value, []) for value in of] if len(of) == 1 else list(of.items())


def difference_rule(settings: ComparisonSettings) -> str:
    """Return the rule by which a difference counts as more than noise."""
    return (
        "more than noise: not zero at a false discovery rate of "
        f"{100 * settings.region_false_discovery_rate:g} % over the parts of a session, "
        f"{100 * settings.false_discovery_rate:g} % over the pixels of a map (Benjamini and Hochberg), there in "
        f"patches of {settings.least_cluster_px} pixels and more. Intervals of 95 % hold for one part by itself. "
        "Nothing is said of differences too small to be shown: no more than noise does not mean none."
    )
