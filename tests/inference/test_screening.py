"""Further terms that rows call for, and long-tailed spreads, covariates and pairings."""

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.stats import halfcauchy, norm

import thermcmp as tc
from thermcmp.inference.fitting import fit
from thermcmp.inference.storage import load_fit
from thermcmp.model.priors import HalfCauchy, Normal
from thermcmp.model.terms import Term
from thermcmp.questions.separation.question import separate


def campaign(make_rows, seed=1, odd_k=0.0, pairing_k=0.0, slope_k=0.0):
    """Two coolers on two boards, three assemblies of a pair, three runs each."""
    rng, rows = np.random.default_rng(seed), []
    for cooler in (0, 1):
        for board in (0, 1):
            for assembly in range(3):
                coverage = rng.uniform(0.5, 1.0)
                rise = 60.0 - 5.0 * cooler + 2.0 * board + pairing_k * cooler * board
                rise += rng.normal(0.0, 0.4) + slope_k * coverage
                for _ in range(3):
                    rows.append((cooler, board, assembly, coverage, rise + rng.normal(0.0, 0.2)))
    cooler, board, assembly, coverage, rise = map(np.array, zip(*rows, strict=True))
    rise[4] += odd_k
    names = pd.Series(cooler.astype(str)) + board.astype(str) + assembly.astype(str)
    made = make_rows(
        cooler_model=[f"Heron-C{c + 1}" for c in cooler],
        cooler_id=[f"Heron-C{c + 1}-1" for c in cooler],
        board_model=[f"Heron-B{b + 1}" for b in board],
        board_id=[f"Heron-B{b + 1}-1" for b in board],
        assembly=list("m" + names),
        session=[f"day {a}" for a in assembly],
        temperature_c=21.0 + rise,
        ambient_c=21.0,
    )
    return made.assign(pad_coverage=coverage)


def test_a_half_cauchy_is_that_of_scipy_below_its_limit():
    prior, z = HalfCauchy(1.5, 20.0), np.linspace(-4.0, 4.0, 41)
    whole = halfcauchy(scale=1.5)
    values = prior.from_standard(z)
    assert values == pytest.approx(whole.ppf(norm.cdf(z) * whole.cdf(20.0)), rel=1e-9)
    assert prior.to_standard(values) == pytest.approx(z, abs=1e-6)
    slope = (prior.from_standard(z + 1e-5) - prior.from_standard(z - 1e-5)) / 2e-5
    assert prior.derivative(z) == pytest.approx(slope, rel=1e-5)
    mean, square = (
        quad(lambda x, k=k: x**k * whole.pdf(x), 0.0, 20.0)[0] / whole.cdf(20.0) for k in (1, 2)
    )
    assert prior.standard_deviation == pytest.approx(np.sqrt(square - mean**2), rel=1e-6)


def test_nothing_is_called_for_in_a_plain_campaign(make_rows):
    model = fit(campaign(make_rows, seed=3), draws=2000, seed=2)
    assert model.expansions == ()
    assert model.findings == ()
    assert model.status == "ok, nothing stands out"


def test_an_outlying_run_gets_an_effect_of_its_own_and_is_kept_in_the_file(make_rows, tmp_path):
    rows = campaign(make_rows, odd_k=9.0)
    model = fit(rows, draws=2000, seed=2)
    # The most extreme one comes first; at 5 % a further unit may be named.
    expansion = model.expansions[0]
    assert expansion.outlier.name == rows["run"].iloc[4]
    assert len(model.expansions) <= 2
    assert model.draws(expansion.term.name).mean() == pytest.approx(9.0, abs=1.0)
    assert "to look at" in model.status
    plain = fit(rows, draws=2000, seed=2, expand="none")
    assert plain.expansions == ()
    assert plain.findings is None
    widths = [np.ptp(np.quantile(one.draws("residual sd"), [0.05, 0.95])) for one in (model, plain)]
    assert widths[0] < 0.5 * widths[1]
    again = load_fit(model.save(tmp_path / "fit.nc"))
    assert again.expansions[0].term == expansion.term
    assert again.findings == model.findings
    assert again.fingerprint == plain.fingerprint


def test_a_pairing_is_stated_on_each_board(make_rows):
    model = fit(campaign(make_rows, pairing_k=4.0), draws=2000, seed=2)
    table = separate(model, contrasts=["cooler_model"]).table.set_index("partner")
    for partner, truth in (("Heron-B1", -5.0), ("Heron-B2", -1.0), ("average", -3.0)):
        row = table.loc[partner]
        assert row["low_k"] - 0.3 < truth < row["high_k"] + 0.3
    answer = separate(model, contrasts=["cooler_model"])
    assert any("depends on its partner" in sentence for sentence in answer.sentences)


def test_a_covariate_has_a_slope_per_unit(make_rows):
    slope = Term("pad coverage", values="pad_coverage", slope=Normal(0.0, 10.0))
    rows = campaign(make_rows, slope_k=-10.0)
    model = fit(rows, terms=[..., slope], draws=2000, seed=2)
    draws = model.draws("pad coverage")
    assert draws.mean() == pytest.approx(-10.0, abs=3.0 * draws.std())
    assert draws.std() < 3.0
    with pytest.raises(tc.InputError, match="pad_coverage"):
        fit(rows.assign(pad_coverage=np.nan), terms=[..., slope], draws=400)


@pytest.mark.filterwarnings("ignore:repeats follow their order in time")
@pytest.mark.parametrize("steady", [True, False])
def test_a_slope_says_how_far_it_moves_the_coolers(make_rows, steady):
    rows = campaign(make_rows, seed=3)
    # The new cooler after the old one in every session, while the bench warms by 0.8 K an hour.
    hour = 0.5 * rows.groupby("session").cumcount()
    start = pd.Timestamp("2031-03-01T08:00Z") + pd.to_timedelta(rows["session"].str[-1] + " days")
    rows["started_at"] = start + pd.to_timedelta(hour, unit="h")
    rows["temperature_c"] += (0.8 if steady else 0.0) * hour
    model = fit(rows, draws=800, seed=2)
    caveats = separate(model).caveats
    moved = [c for c in caveats if "moves cooler Heron-C2 against Heron-C1 by" in c]
    assert len(moved) == steady
    (order,) = (c for c in caveats if "one cooler was run after the other" in c)
    assert "Heron-C2 after Heron-C1" in order
    # One session in the other order frees them.
    swapped = rows["session"].eq("day 1") & rows["cooler_model"].eq("Heron-C1")
    rows.loc[swapped, "started_at"] += pd.Timedelta(hours=12)
    free = separate(fit(rows, draws=800, seed=2)).caveats
    assert not any("one cooler was run after the other" in c for c in free)


def test_a_doubt_about_the_rows_stands_in_the_fit_and_in_its_answers(make_rows):
    rows = campaign(make_rows, seed=3)
    rows["power_w"] = (
        np.random.default_rng(1).normal(250.0, 3.0, len(rows)).round(1).clip(max=251.0)
    )
    with pytest.warns(tc.errors.ThermcmpWarning, match="the highest reading"):
        model = fit(rows, draws=800, seed=2)
    words = "Board power is exactly 251 W"
    assert model.findings[0].startswith(words)
    assert any(caveat.startswith(words) for caveat in separate(model).caveats)
