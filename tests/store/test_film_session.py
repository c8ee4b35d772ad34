"""The film's table of a session file."""

import numpy as np
import pytest

from heatwake.errors import InputError
from heatwake.schema.variables import FILM_MODEL
from heatwake.store.session import open_session

TWO = (
    "[[film.references]]\nbare_degC = 40\ncovered_degC = 39.0392\n"
    "[[film.references]]\nbare_degC = 80\ncovered_degC = 75.7531\nuncertainty_K = 0.1\n"
)


@pytest.mark.parametrize(
    ("text", "model", "given"),
    [
        ("", "ambient", np.nan),
        ('temperature_degC = "ambient"\n', "ambient", np.nan),
        ('temperature_degC = "midway"\n', "midway", np.nan),
        ("temperature_degC = 31\n", "given", 31.0),
    ],
)
def test_the_films_temperature_has_three_sources(write_session, text, model, given):
    session = open_session(write_session("[film]\ntransmittance = 0.89\n" + text)).dataset
    assert FILM_MODEL[int(session["film_temperature_model"])] == model
    assert float(session["film_temperature_given"]) == pytest.approx(given, nan_ok=True)


def test_references_come_with_their_uncertainty(write_session):
    session = open_session(write_session("[film]\ninterval_s = 0.2\n" + TWO)).dataset
    assert session["reference_bare"].to_numpy().tolist() == [40, 80]
    assert session["reference_covered"].to_numpy().tolist() == [39.0392, 75.7531]
    assert session["reference_uncertainty"].to_numpy().tolist() == [0.2, 0.1]
    assert float(session["pair_interval"]) == 0.2


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (
            "[film]\n",
            r"film\.transmittance is missing, must be a number in \(0, 1\], or give a bare/covered pair or ref",
        ),
        ("[film]\n" + TWO[: TWO.rindex("[[")], "film.references is only one, must be two or more"),
        ('[film]\nbare = "a.tif"\ncovered = "b.tif"\n' + TWO, "film.references is given beside a bare/covered pair"),
        ('[film]\ntransmittance = 0.9\ntemperature_degC = "warm"\n', "temperature_degC is 'warm', must be a number of"),
        ("[film]\ntransmittance = 0.9\ntemperature_degC = -300\n", 'must be a number of degC, "ambient" or "midway"'),
        (
            "[film]\n[[film.references]]\nbare_degC = 40\ncovered_degC = 39\nuncertainty_K = 0\n",
            r"film\.references\[1\]\.uncertainty_K is 0, must be more than 0",
        ),
        (
            "[film]\n[[film.references]]\nbare_degC = 40\n",
            r"film\.references\[1\]\.covered_degC is missing, must be given",
        ),
        (
            "[film]\n[[film.references]]\nbare = 40\n",
            r"references\[1\]\.bare is an unknown key, did you mean bare_degC",
        ),
    ],
)
def test_what_is_wrong_gets_one_line(write_session, text, line):
    with pytest.raises(InputError, match=line) as caught:
        open_session(write_session(text))
    assert "\n" not in str(caught.value)
