"""What became of regions, in words: from states that are written down by hand."""

import numpy as np
import xarray as xr

from heatwake.report.lineage import gone_at_end, lineage, lineage_rows, lineage_sentences
from heatwake.schema.variables import REGION_STATE, VARIABLES

NOT, SEEN, MERGED, FADED, BACK, HIDDEN = range(6)


def told(**states):
    """Return results whose regions have these states, a look every ten seconds; partners are the first region."""
    rows = np.array(list(states.values()), dtype=np.int8)
    partner = np.where(rows == MERGED, 0, -1).astype(np.int16)
    data = {
        "region_state": (("region", "look"), rows),
        "region_partner": (("region", "look"), partner),
        "look_elapsed": ("look", 5.0 + 10.0 * np.arange(rows.shape[1])),
    }
    return xr.Dataset(data, coords={"region": list(states)})


def test_states_are_those_of_the_data_model():
    assert REGION_STATE == ("not yet seen", "seen", "merged", "faded", "back", "hidden")
    assert VARIABLES["region_state"].flags == REGION_STATE


def test_a_switching_load_appears_fades_and_is_back():
    results = told(Q1=[NOT, SEEN, SEEN, FADED, FADED, BACK, BACK])
    assert [(turn.elapsed, turn.event) for turn in lineage(results)] == [
        (15.0, "appears"),
        (35.0, "fades"),
        (55.0, "is back"),
    ]
    assert lineage_sentences(results) == ["Q1 appears at 0:15, fades at 0:35 and is back at 0:55."]
    assert gone_at_end(results) == []


def test_a_merge_names_the_neighbour_and_ends_with_a_split():
    results = told(Q1=[SEEN] * 9, Q2=[NOT, SEEN, MERGED, MERGED, MERGED, MERGED, SEEN, SEEN, SEEN])
    rows = [row for row in lineage_rows(results) if row["region"] == "Q2"]
    assert [(row["event"], row["neighbour"]) for row in rows] == [("appears", ""), ("merges", "Q1"), ("splits", "")]
    assert lineage_sentences(results) == [
        "Q2 appears at 0:15, runs together with Q1 at 0:25 and stands apart again at 1:05."
    ]


def test_what_is_hidden_or_flickers_is_no_event():
    results = told(Q1=[SEEN] * 8, Q2=[SEEN, SEEN, MERGED, SEEN, SEEN, HIDDEN, HIDDEN, SEEN])
    assert [turn.event for turn in lineage(results)] == ["appears", "appears"]


def test_a_load_that_is_off_at_the_end_is_not_a_cold_part():
    results = told(on=[NOT, SEEN, SEEN], off=[SEEN, SEEN, FADED], cold=[NOT, NOT, NOT])
    assert gone_at_end(results) == ["off"]
