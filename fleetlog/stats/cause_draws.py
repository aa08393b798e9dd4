"""What is not known of many causes at once: which cause each case had, and how common each cause is.

A case has each cause with a probability. In a draw it has one of them, so that the count of a cause strays as it would
if the cases could be opened. The probabilities rest on how common each cause is, which was learnt from the same cases
and is as uncertain as they leave it: with p the probabilities and m their means, the cases carry the information

    sum over cases of (p_i - m) (p_i - m)'

on the logarithms of the rates (that of a mixture's weights: cases of which all is known say most, cases that look alike
by every cause say nothing). To it comes what was known beforehand. A draw shifts the logarithms of all rates together
and then draws each case.

Sources: Titterington, Smith & Makov 1985, Statistical Analysis of Finite Mixture Distributions, section 4.3
(information on the weights); Tanner & Wong 1987 (drawing what is not observed).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fleetlog.stats.arrays import Floats, Ints
from fleetlog.stats.errors import BadArgument

#: Standard deviation of the logarithm of a cause's rate where no case speaks of it. Ours, from memory: as likely as not
#: within a factor of two.
KNOWN_BEFORE = 1.0


@dataclass(frozen=True, eq=False)
class CauseDraws:
    """Cases with the probability of each cause, to be drawn from.

    Attributes:
        probability: of each case and cause, shape (cases, causes); rows sum to one.
        root: a matrix whose product with standard normal numbers is a shift of the logarithms of the rates, (causes,
            causes).
    """

    probability: Floats
    root: Floats

    @staticmethod
    def of(probability: Floats) -> CauseDraws:
        """The cases with what they leave uncertain.

        Raises:
            BadArgument: for rows that do not sum to one.

        Args:
            probability: of each case and cause, shape (cases, causes).

        Source: Titterington, Smith & Makov 1985, section 4.3.

        Examples:
            Two cases of which all is known say how common each cause is; two that look alike say nothing, so that the
            spread of each logarithm is what it was beforehand, 1.

            >>> CauseDraws.of(np.array([[0.5, 0.5], [0.5, 0.5]])).root.round(6).tolist()
            [[1.0, 0.0], [0.0, 1.0]]
            >>> bool((np.diag(CauseDraws.of(np.eye(2)).root) < 1.0).any())
            True
        """
        if probability.ndim != 2 or not np.allclose(probability.sum(axis=1), 1.0, atol=1e-6):
            raise BadArgument("every case needs one probability a cause, and they sum to one")
        centred = probability - probability.mean(axis=0) if probability.size else probability
        information = centred.T @ centred + np.eye(probability.shape[1]) / KNOWN_BEFORE**2
        # of a matrix A with A = L L', the inverse of L' turns independent numbers into numbers of covariance 1 / A
        root: Floats = np.linalg.inv(np.linalg.cholesky(information)).T
        return CauseDraws(probability, root)

    def draw(self, seed: int, draw: int) -> Ints:
        """The cause of each case in one draw, by number, shape (cases,).

        Args:
            seed: of all draws.
            draw: number of the draw; draws do not depend on their order.

        Source: Tanner & Wong 1987.

        Examples:
            Cases of which the cause is known have it in every draw.

            >>> known = CauseDraws.of(np.array([[1.0, 0.0], [0.0, 1.0]]))
            >>> [known.draw(1, number).tolist() for number in range(3)]
            [[0, 1], [0, 1], [0, 1]]
        """
        rng = np.random.default_rng([seed, draw, 7])
        shift = self.root @ rng.standard_normal(self.probability.shape[1])
        weight = np.cumsum(self.probability * np.exp(shift), axis=1)
        at = rng.random(self.probability.shape[0]) * weight[:, -1]
        number: Ints = (weight <= at[:, None]).sum(axis=1)
        return number.clip(max=self.probability.shape[1] - 1)
