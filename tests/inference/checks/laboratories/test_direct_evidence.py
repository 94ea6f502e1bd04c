"""Node splitting against a published network of treatments and against least squares by hand."""

import numpy as np
import pytest
from published_rows import SCALE, VAGUE, smoking_network, summaries

from thermcmp.inference.checks.laboratories.direct_evidence import (
    _pairs_around,
    _solved,
    split_pairs,
)
from thermcmp.inference.fitting import fit
from thermcmp.model.priors import Known, Normal
from thermcmp.model.terms import LAB_PRODUCT, Role, Term

#: Direct and indirect log odds with standard deviations, by pair (second less first): means of
#: the node-splitting models of the package multinma, in its article "Example: Smoking cessation"
#: (D. M. Phillippo, repository dmphillippo/multinma), with the counts binomial.
PUBLISHED = {
    "AD": ((1.07, 0.75), (1.17, 0.56)),
    "AC": ((0.87, 0.24), (0.55, 0.63)),
    "AB": ((0.34, 0.55), (0.70, 0.61)),
    "DC": ((-0.10, 0.48), (-0.54, 0.61)),
    "DB": ((-0.62, 0.64), (-0.61, 0.67)),
    "CB": ((0.07, 0.66), (-0.63, 0.52)),
}
#: Standard deviation of a contrast between studies, as those models have it.
BETWEEN_STUDIES = 0.87
#: Order of the treatments there: the first of a pair is the baseline of a study with both.
ORDER = "ADCB"


@pytest.fixture(scope="module")
def network():
    """A fit of the network, the rows of each treatment, and the weights of its effect."""
    study, arm, y, variance = smoking_network()
    rows = summaries(y, variance, cooler_model=arm, lab=[f"study {name}" for name in study])
    free = Normal(0.0, 1000.0)
    terms = [
        Term("treatment", "cooler_model", scale=free),
        Term("lab", "lab", Role.NUISANCE, scale=free),
        Term(LAB_PRODUCT, ("lab", "cooler_model", "board_model"), Role.NUISANCE),
    ]
    priors = VAGUE | {f"{LAB_PRODUCT} sd": Known(SCALE * BETWEEN_STUDIES / np.sqrt(2.0))}
    model = fit(rows, terms=terms, priors=priors, draws=400, seed=1, expand="none")
    ran = [(model.design.rows["cooler_model"] == name).to_numpy(bool) for name in ORDER]
    weights = np.zeros((len(ORDER), model.design.effect_count))
    for place, name in enumerate(ORDER):
        weights[place, model.design.offsets[0] + "ABCD".index(name)] = 1.0
    return model, ran, weights, (study, arm, y, variance)


def test_published_direct_and_indirect_evidence(network):
    """With the first treatment as baseline, as published.

    The counts' normal approximation adds half a person where none stopped, which moves one small
    study of A and D by two thirds of an error.
    """
    model, _, weights, (study, arm, *_) = network
    for pair, (direct, indirect) in PUBLISHED.items():
        first, second = (ORDER.index(name) for name in pair)
        both = np.isin(study, study[arm == pair[0]]) & np.isin(study, study[arm == pair[1]])
        column = (both & (arm == pair[1])).astype(float)[:, None]
        contrast = (weights[second] - weights[first])[None]
        gap, error, share, widen, information = _solved(model, column, contrast)
        sd = information[0, 0] ** -0.5
        ours = (gap + (1.0 - share) * widen, np.hypot(error, (1.0 - share) * sd))
        theirs = (gap - share * widen, np.hypot(error, share * sd))
        for (mean, width), (value, spread) in ((ours, direct), (theirs, indirect)):
            assert mean[0] / SCALE == pytest.approx(value, abs=0.6 * spread)
            assert width[0] / SCALE == pytest.approx(spread, rel=0.06)


def test_symmetric_splits_are_least_squares(network):
    """A regression of all arms with w as one more column, by NumPy."""
    model, ran, weights, (study, arm, y, variance) = network
    splits = split_pairs(model, ran, weights)
    assert {frozenset(pair) for pair in splits.pairs.tolist()} == {
        frozenset(ORDER.index(name) for name in pair) for pair in PUBLISHED
    }
    design = [study == name for name in np.unique(study)] + [arm == name for name in "BCD"]
    root = 1.0 / np.sqrt(variance + BETWEEN_STUDIES**2 / 2.0)
    for place, (first, second) in enumerate(splits.pairs.tolist()):
        names = ORDER[first], ORDER[second]
        both = np.isin(study, study[arm == names[0]]) & np.isin(study, study[arm == names[1]])
        w = both * ((arm == names[1]) * 0.5 - (arm == names[0]) * 0.5)
        x = np.column_stack([*design, w]).astype(float) * root[:, None]
        solution = np.linalg.lstsq(x, y * root, rcond=None)[0]
        covariance = np.linalg.inv(x.T @ x)
        gap = np.zeros(len(solution))
        for name, sign in zip(names, (-1.0, 1.0), strict=True):
            if name != "A":
                gap[-4 + "BCD".index(name)] = sign
        direct = gap + np.eye(len(gap))[-1]
        for side, value, error in (
            (gap, splits.indirect_k, splits.indirect_error_k),
            (direct, splits.direct_k, splits.direct_error_k),
            (direct - gap, splits.differ_k, splits.differ_error_k),
        ):
            assert value[place] / SCALE == pytest.approx(side @ solution, abs=2e-4)
            assert error[place] / SCALE == pytest.approx(
                np.sqrt(side @ covariance @ side), abs=2e-4
            )
    assert (splits.p_any > 0.5).all()


def test_pairs_need_a_way_round_that_does_not_pass_their_places():
    # Kite and Heron run together at the first place; Swift links them at the others.
    at = np.array([[1, 1, 0], [1, 0, 1], [0, 1, 1]], bool)
    assert [pair[:2] for pair in _pairs_around(at)] == [(0, 1), (0, 2), (1, 2)]
    assert _pairs_around(at)[0][2] == [3, 1, 5, 2, 4]
    # Without the last place nothing leads round, although Kite was run at two.
    assert _pairs_around(at[:, :2]) == []
