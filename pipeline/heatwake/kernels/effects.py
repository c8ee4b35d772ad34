"""Effects of a designed experiment by least squares, with their uncertainties."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from heatwake.kernels.design import Contrast, Design

Array = npt.NDArray[Any]


@dataclass(frozen=True)
class Effects:
    """What the runs tell of one quantity.

    Attributes
    ----------
    values, uncertainty : (effects,) arrays
    predicted, predicted_uncertainty : (combinations,) arrays
        Mean of each combination of levels.
    spread, freedom : float
        Standard deviation of one run, and its degrees of freedom.
    cover : (combinations, combinations) array
        Covariance of the predictions.
    """

    values: Array
    uncertainty: Array
    predicted: Array
    predicted_uncertainty: Array
    spread: float
    freedom: float
    cover: Array


def fit_effects(
    values: Array, design: Design, contrasts: Sequence[Contrast], *, spread: float = np.nan, freedom: float = np.inf
) -> Effects | None:
    """Return effects of one quantity; None where the runs that have it do not tell them.

    Parameters
    ----------
    values : (runs,) array
        NaN is left out.
    design : Design
    contrasts : sequence of Contrast
    spread : float
        Standard deviation of one run where it is known; by default that of what the model leaves.
    freedom : float
        Its degrees of freedom.
    """
    from statsmodels.regression.linear_model import OLS  # slow to import

    seen = np.isfinite(values)
    matrix = design.matrix[seen]
    left = len(matrix) - matrix.shape[1]
    if left < 0 or np.linalg.matrix_rank(matrix) < matrix.shape[1]:
        return None
    model = OLS(values[seen], matrix)
    if not np.isfinite(spread):
        if left < 1:
            return None
        spread, freedom = float(np.sqrt(model.fit().mse_resid)), float(left)
    result = model.fit(cov_type="fixed scale", cov_kwds={"scale": spread**2}, use_t=False)
    told = result.t_test(np.stack([one.weights for one in contrasts]))
    rows = design.rows(design.combinations())
    cover = rows @ result.cov_params() @ rows.T
    return Effects(
        np.atleast_1d(told.effect),
        np.atleast_1d(np.squeeze(told.sd)),
        np.asarray(result.predict(rows)),
        np.sqrt(np.maximum(np.diag(cover), 0)),
        spread,
        freedom,
        cover,
    )


def map_weights(design: Design, contrasts: Sequence[Contrast]) -> Array:
    """Return what each run's map is multiplied by in the sum that is an effect (effects, runs), by least squares.

    The effect's standard deviation is that of a run times the root of the sum of their squares.
    """
    return np.asarray(np.stack([one.weights for one in contrasts]) @ np.linalg.pinv(design.matrix))
