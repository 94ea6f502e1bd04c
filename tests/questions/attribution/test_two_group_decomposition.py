"""The corner arithmetic of a fix against the two-group decomposition of econometrics.

E. M. Kitagawa, J. American Statistical Association 50 (1955) 1168; R. Oaxaca, International
Economic Review 14 (1973) 693; A. Blinder, J. Human Resources 8 (1973) 436. Two groups differ
in their characteristics (here: the hardware) and in what a characteristic is worth (here: the
fan speed). The data are statsmodels' example, credit card spending of owners and tenants
(Greene), and the printed numbers are those of its documentation of `OaxacaBlinder`.
"""

from types import SimpleNamespace

import numpy as np
import pytest
from statsmodels.datasets import ccard
from statsmodels.stats.oaxaca import OaxacaBlinder

from thermcmp.questions.attribution.parts import parts_from

#: Printed in statsmodels' documentation.
GAP = 158.75044
THREE_FOLD = {"endowments": 321.74824, "coefficients": 75.45371, "interaction": -238.45151}
#: Half of the last printed digit.
PRINTED = 0.5e-5


@pytest.fixture(scope="module")
def example():
    """Means and least-squares coefficients of both groups: high spenders, low spenders."""
    data = ccard.load_pandas()
    spent, known = data.endog.to_numpy(float), data.exog.to_numpy(float)
    owner = known[:, 3] == 1.0
    groups = {}
    for name, hit in (("first", owner), ("second", ~owner)):
        chosen = np.column_stack([np.ones(hit.sum()), np.delete(known[hit], 3, axis=1)])
        worth = np.linalg.lstsq(chosen, spent[hit], rcond=None)[0]
        groups[name] = (chosen.mean(axis=0), worth, float(spent[hit].mean()))
    whole = np.column_stack([np.ones(len(spent)), known])
    # Column 4 of the whole is the group.
    pooled = np.delete(np.linalg.lstsq(whole, spent, rcond=None)[0], 4)
    order = sorted(groups.values(), key=lambda group: group[2], reverse=True)
    model = OaxacaBlinder(spent, known, 3, hasconst=False)
    return SimpleNamespace(high=order[0], low=order[1], pooled=pooled, model=model)


@pytest.fixture(scope="module")
def corners(example):
    """Parts of the change from the high group to the low one: before less after."""
    ends = (example.high, example.low)

    def value(state):
        return float(ends[state.hardware][0] @ ends[state.rule][1])

    return parts_from(SimpleNamespace(loops=(None, None), has_direct=False), value)


def test_the_total_is_the_gap_of_the_means(example, corners):
    # A least-squares line goes through the means, so the corners are the groups' means.
    assert corners["total"] == pytest.approx(example.high[2] - example.low[2], abs=1e-9)
    assert corners["total"] == pytest.approx(GAP, abs=PRINTED)


def test_single_orders_are_the_three_fold_decomposition(example, corners):
    found = {
        # The low group's worth of a characteristic; the low group's characteristics.
        "endowments": corners["hardware, fan and power as after"],
        "coefficients": corners["firmware, on the new hardware"],
        "interaction": -corners["interaction"],
    }
    assert found == pytest.approx(THREE_FOLD, abs=PRINTED)
    endowments, coefficients, interaction, gap = example.model.three_fold().params
    assert list(found.values()) == pytest.approx([endowments, coefficients, interaction], abs=1e-8)
    assert sum(found.values()) == pytest.approx(gap, abs=1e-8)


def test_the_order_free_split_is_the_two_fold_decomposition_at_equal_weights(example, corners):
    # Reimers (1983): the average of both groups' coefficients. With two factors the average
    # over both orders is the same.
    unexplained, explained, _ = example.model.two_fold(two_fold_type="reimers").params
    assert corners["hardware"] == pytest.approx(explained, abs=1e-8)
    assert corners["firmware: fan speed"] == pytest.approx(unexplained, abs=1e-8)
    assert corners["firmware: power"] == 0.0


@pytest.mark.parametrize("weight", [0.0, 0.25, 1.0])
def test_other_weights_weigh_the_two_orders(example, corners, weight):
    result = example.model.two_fold(two_fold_type="self_submitted", submitted_weight=weight)
    unexplained, explained, _ = result.params
    early = corners["hardware, fan and power as before"]
    late = corners["hardware, fan and power as after"]
    assert weight * early + (1.0 - weight) * late == pytest.approx(explained, abs=1e-8)
    assert corners["total"] - explained == pytest.approx(unexplained, abs=1e-8)


def test_the_pooled_two_fold_decomposition(example):
    # statsmodels' default and its printed numbers: characteristics are worth what they are
    # in one regression over both groups, with the group as a further column.
    ends = (example.high[0], example.low[0])

    def value(state):
        return float(ends[state.hardware] @ example.pooled)

    parts = parts_from(SimpleNamespace(loops=(None, None), has_direct=False), value)
    assert parts["hardware"] == pytest.approx(130.80954, abs=PRINTED)
    assert GAP - parts["hardware"] == pytest.approx(27.94091, abs=2.0 * PRINTED)
    assert parts["firmware: fan speed"] == 0.0
