"""Many changes at once, against Benjamini and Hochberg's own example."""

from __future__ import annotations

import numpy as np

from trimkeep.detectors.history.multiplicity import benjamini_hochberg, e_benjamini_hochberg

# Benjamini and Hochberg, JRSS-B 57 (1995) 289-300, section 3.2
P = np.array(
    [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459,
     0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.000]
)  # fmt: skip


def test_four_of_fifteen_are_rejected() -> None:
    assert benjamini_hochberg(P, 0.05).tolist() == [True] * 4 + [False] * 11


def test_the_order_does_not_matter() -> None:
    order = np.random.default_rng(0).permutation(15)
    assert benjamini_hochberg(P[order], 0.05).tolist() == (P[order] < 0.01).tolist()


def test_it_steps_up() -> None:
    """The paper's example does not exercise the step up: both of these must be rejected."""
    assert benjamini_hochberg(np.array([0.04, 0.049]), 0.05).all()
    assert not benjamini_hochberg(np.array([0.04, 0.051]), 0.05).any()


def test_e_values_are_as_good_as_their_inverse_p() -> None:
    """Wang and Ramdas, JRSS-B 84 (2022) 822-852, section 2: e-BH is BH on 1/e."""
    assert e_benjamini_hochberg(1.0 / P, 0.05).tolist() == benjamini_hochberg(P, 0.05).tolist()
    assert not e_benjamini_hochberg(np.array([0.0, 1.0, 5.0]), 0.05).any()
