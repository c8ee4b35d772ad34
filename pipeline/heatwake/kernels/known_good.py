"""Where a new unit's value lies among those of known good ones: intervals and how often they err."""

import math

from scipy.special import chdtri, ndtri, stdtrit


def prediction_factor(shares: float, *, freedom: float, rate: float) -> float:
    """Return half of the interval that holds a new mean, in standard deviations of one value.

    ``t(1 - rate/2; freedom) sqrt(shares)``, two-sided: prediction interval for the mean of m further values of a normal
    distribution with ``shares = 1/m + 1/n`` (Hahn and Meeker, Statistical Intervals, Wiley 1991, section 4.7; from
    memory). For several means at once ``rate`` is shared out among them (Bonferroni, there 4.8), whatever they have in
    common.

    Parameters
    ----------
    shares : float
        Variance of the new mean less the old one, in variances of one value.
    freedom : float
        Degrees of freedom of the standard deviation; infinite where it is known.
    rate : float
        How often a value of the same kind lies outside.

    Examples
    --------
    >>> round(prediction_factor(1 + 1 / 5, freedom=4, rate=0.05), 3)
    3.041
    """
    quantile = stdtrit(freedom, 1 - rate / 2) if math.isfinite(freedom) else ndtri(1 - rate / 2)
    return float(quantile) * math.sqrt(shares)


def tolerance_factor(shares: float, *, freedom: float, content: float, confidence: float) -> float:
    """Return half of the interval that holds a share of new means, in standard deviations of one value.

    Two-sided, by Howe's approximation (J. Am. Stat. Assoc. 64:610, 1969; NIST/SEMATECH e-Handbook of Statistical
    Methods, section 7.2.6.3; from memory): ``z((1 + content)/2) sqrt(shares freedom / chi2(1 - confidence; freedom))``.

    Parameters
    ----------
    shares, freedom : float
        As in :func:`prediction_factor`.
    content : float
        Share of values of the same kind that lie inside.
    confidence : float
        That at least so many do.

    Examples
    --------
    The handbook's own: 43 values, 90 % content, 99 % confidence.

    >>> round(tolerance_factor(1 + 1 / 43, freedom=42, content=0.90, confidence=0.99), 3)
    2.217
    """
    reach = float(ndtri((1 + content) / 2)) * math.sqrt(shares)
    if not math.isfinite(freedom):
        return reach
    least = float(chdtri(freedom, confidence))  # chdtri takes the upper tail
    return reach * math.sqrt(freedom / least)
