"""Strays: Grubbs' test, closed forms, planted ones found, and clean campaigns left alone."""

import numpy as np
import pytest
from scipy.stats import t

from thermcmp.inference.checks.leave_out import LeaveOut
from thermcmp.inference.checks.omission_groups import units_of
from thermcmp.inference.checks.outliers import FALSE_ALARM, outlying
from thermcmp.inference.fitting import fit
from thermcmp.model.priors import HalfNormal, Normal

#: Grubbs' critical values, one outlier, 5 % (two-sided, so t at 0.05 / 2n): ISO 5725-2:1994,
#: table 5 (print from memory).
GRUBBS = {8: 2.126, 10: 2.290, 20: 2.709, 30: 2.908}


def reach(rest, freedom, chance):
    """How far from the others' mean a further value lies at a two-sided chance."""
    spread = np.sum((rest - rest.mean()) ** 2) / freedom
    return t.isf(chance / 2.0, freedom) * np.sqrt(spread * (1.0 + 1.0 / len(rest)))


def others(n):
    return np.random.default_rng(3).standard_normal(n - 1)


def strays_of(values, make_rows, draws=8000):
    rows = make_rows(
        temperature_c=70.0 + np.asarray(values), assembly=[f"m{i}" for i in range(len(values))]
    )
    wide = {"baseline": Normal(48.0, 1e4), "residual sd": HalfNormal(100.0)}
    model = fit(rows, terms=[], priors=wide, expand="none", draws=draws, seed=2)
    runs, assemblies = units_of(model, "run"), units_of(model, "assembly")
    (found,) = LeaveOut(model, [runs.codes], draws=4000).each()
    return outlying(model, runs, found, assemblies), found


@pytest.mark.parametrize("n", GRUBBS)
def test_bonferroni_on_the_left_out_value_is_grubbs_test(n):
    """The chance that the others leave, at 5 % / n, gives the standard's critical value."""
    rest = others(n)
    values = np.append(rest, rest.mean() + reach(rest, n - 2, FALSE_ALARM / n))
    g = (values[-1] - values.mean()) / values.std(ddof=1)
    # One in the last printed digit: the table's makers rounded on the way.
    assert g == pytest.approx(GRUBBS[n], abs=1e-3)


@pytest.mark.parametrize(("n", "above"), [(10, 1.3), (20, 1.15)])
def test_a_plain_sample_is_judged_as_by_grubbs(n, above, make_rows):
    rest = others(n)
    just_below = rest.mean() + 0.97 * reach(rest, n - 2, FALSE_ALARM / n)
    named, _ = strays_of(np.append(rest, just_below), make_rows)
    assert named == ()
    # A prior flat in the scatter leaves n - 3 freedoms where Grubbs has n - 2; weighted draws
    # know so small a chance to about a sixth at n = 10, seed by seed.
    just_above = rest.mean() + above * reach(rest, n - 3, FALSE_ALARM / n)
    named, _ = strays_of(np.append(rest, just_above), make_rows)
    assert [one.name for one in named] == [f"r{n - 1}"]
    assert "hotter than the other runs explain; look at its log." in named[0].sentence
    assert named[0].tested == n


def test_chance_of_a_stray_by_hand(make_rows):
    """Flat mean and scatter: the others predict by Student's t with n - 3 freedoms."""
    n = 12
    rest = others(n)
    off = reach(rest, n - 3, 0.05)
    _, found = strays_of(np.append(rest, rest.mean() + off), make_rows)
    assert found.tail()[-1] == pytest.approx(0.05, rel=0.15)
    assert found.off()[-1] == pytest.approx(off, abs=0.02)


@pytest.fixture(scope="module")
def planted(revision):
    """The demo's revision study with one run 3 K too hot and one assembly 8 K too cool."""
    rows = revision.copy()
    assembly = rows["assembly"].iloc[-1]
    rows.loc[rows["assembly"] == assembly, "temperature_c"] -= 8.0
    run = rows.index[rows["assembly"] != assembly][3]
    rows.loc[run, "temperature_c"] += 3.0
    # The run has scatter of its own beside what is planted.
    plain = fit(revision, expand="none", draws=2000, seed=4)
    units = units_of(plain, "run")
    (found,) = LeaveOut(plain, [units.codes]).each()
    own_off_k = found.off()[units.codes[run]]
    return fit(rows, expand="none", draws=2000, seed=4), rows.loc[run, "run"], assembly, own_off_k


def test_planted_strays_are_named_and_no_others(planted):
    model, run, assembly, own_off_k = planted
    runs, assemblies = units_of(model, "run"), units_of(model, "assembly")
    by_run, by_assembly = LeaveOut(model, [runs.codes, assemblies.codes]).each()
    named = outlying(model, runs, by_run, assemblies)
    assert [one.name for one in named] == [run]
    assert named[0].off_k - own_off_k == pytest.approx(3.0, abs=0.3)
    assert named[0].chance * named[0].tested < FALSE_ALARM
    assert f"Run {run} is" in named[0].sentence
    assert "K hotter than the other runs of its assembly explain" in named[0].sentence
    strayed = outlying(model, assemblies, by_assembly, assemblies)
    assert [one.name for one in strayed] == [assembly]
    assert strayed[0].off_k == pytest.approx(-8.0, abs=2.0)
    assert "K cooler" in strayed[0].sentence


def test_clean_samples_seldom_raise_an_alarm(make_rows):
    rng = np.random.default_rng(9)
    alarms = sum(
        bool(strays_of(rng.standard_normal(12), make_rows, draws=400)[0]) for _ in range(20)
    )
    # One in twenty is allowed; five or more of twenty have a chance of 0.3 %.
    assert alarms < 5
