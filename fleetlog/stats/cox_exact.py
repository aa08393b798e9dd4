"""The discrete partial likelihood, in which tied failures are a draw from all sets of so many at risk.

At an age with d failures the denominator is the sum over all sets of d units at risk of the product of
their risk scores: an elementary symmetric polynomial, built up unit by unit. Work grows as units times
ties at every failure age, so it is for small data.

Source: Cox 1972; Gail, Lubin & Rubinstein 1981.
"""

from __future__ import annotations

import numpy as np

from fleetlog.stats.arrays import Floats
from fleetlog.stats.cox_likelihood import PartialLikelihood
from fleetlog.stats.errors import BadArgument

#: Units times ties, over all failure ages, beyond which the recursion would take too long.
_LARGEST = 5_000_000


def exact_derivatives(likelihood: PartialLikelihood, beta: Floats) -> tuple[float, Floats, Floats]:
    """Log partial likelihood, score and information.

    Raises:
        BadArgument: with weights, or with more data than the recursion is for.
    """
    p = beta.size
    value, score, information = 0.0, np.zeros(p), np.zeros((p, p))
    for stratum in likelihood.strata:
        if stratum.at_risk is None:
            raise BadArgument("the exact treatment of ties is for small data; use efron")
        counts, deaths = np.rint(stratum.at_risk).astype(np.int64), np.rint(stratum.deaths).astype(np.int64)
        if not (np.array_equal(counts, stratum.at_risk) and np.array_equal(deaths, stratum.weight)):
            raise BadArgument("the exact treatment of ties needs whole counts, not weights; use efron")
        if float((counts.sum(axis=1) * deaths).sum()) > _LARGEST:
            raise BadArgument("the exact treatment of ties is for small data; use efron")
        x = likelihood.x[stratum.cells]
        failed = likelihood.failed_x(stratum)
        value += float((failed @ beta).sum())
        score += failed.sum(axis=0)
        for row, d in zip(counts, deaths.tolist(), strict=True):
            log_sum, first, second = _log_symmetric(np.repeat(x, row, axis=0), beta, d)
            value -= log_sum
            score -= first
            information += second
    return value, score, information


def _log_symmetric(x: Floats, beta: Floats, d: int) -> tuple[float, Floats, Floats]:
    """Log of the d-th elementary symmetric polynomial of exp(x'b), with gradient and Hessian by b."""
    p = beta.size
    eta = x @ beta
    top = float(eta.max())
    e, g, h = np.zeros(d + 1), np.zeros((d + 1, p)), np.zeros((d + 1, p, p))
    e[0] = 1.0
    for r, z in zip(np.exp(eta - top), x, strict=True):
        # choosing this unit multiplies a set of one less by r, whose log has gradient z
        outer = z[:, None] * g[:-1, None, :]
        h[1:] += r * (h[:-1] + outer + outer.transpose(0, 2, 1) + e[:-1, None, None] * np.outer(z, z))
        g[1:] += r * (g[:-1] + e[:-1, None] * z)
        e[1:] += r * e[:-1]
    first = g[d] / e[d]
    return float(np.log(e[d])) + d * top, first, h[d] / e[d] - np.outer(first, first)
