"""The whole check of a fit: tables, words, figures, and fits without an assembly."""

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

import thermcmp as tc
from thermcmp.errors import InputError
from thermcmp.inference.checks.omission_groups import units_of
from thermcmp.inference.checks.refits import fit_without
from thermcmp.inference.diagnostics import pareto_limit
from thermcmp.inference.fitting import fit
from thermcmp.questions.fit_check.leave_one_out import _sentences
from thermcmp.questions.fit_check.question import check_fit
from thermcmp.questions.separation.contrasts import partner_words
from thermcmp.questions.separation.question import separate


@pytest.fixture(scope="module")
def check(aliased):
    return check_fit(aliased.fit)


def test_it_is_public():
    assert tc.check_fit is check_fit
    assert tc.FitCheck.__name__ == "FitCheck"


def test_every_assembly_is_left_out_once(check, aliased):
    units = check.left_out.units
    assert set(units["assembly"]) == set(aliased.fit.results["assembly"])
    assert units["rows"].sum() == len(aliased.fit.results)
    assert units["limit"].unique() == pytest.approx(pareto_limit(400))
    by_weights = units["pareto_k"] <= units["limit"]
    assert (units.loc[by_weights, "action"] == "weights").all()
    assert units.loc[~by_weights, "action"].str.startswith("refitted, health").all()
    assert units["largest_change_sds"].notna().all()


def named(table):
    """The names of effects with their partners, as the check has them."""
    return table["factor"] + ": " + table["contrast"] + table["partner"].map(partner_words)


def test_only_what_the_data_hold_is_left_out_of(check, aliased):
    held = set(check.left_out.table["effect"])
    answer = separate(aliased.fit)
    measured = answer.table[answer.table["aliased_with"].eq("")]
    spreads = measured["contrast"].eq("standard deviation")
    measured = measured[~spreads & measured["mean_k"].notna()]
    expected = named(measured)
    assert held == set(expected)
    assert any(" + " in name for name in held), "aliased factors have their joint effect"
    row = check.left_out.table.set_index("effect")
    means = answer.table.assign(effect=named(answer.table))
    means = means.set_index("effect")["mean_k"]
    for effect in held:
        assert row.loc[effect, "mean_k"] == pytest.approx(means[effect], abs=1e-9)


def test_a_joint_effect_is_named_in_sentences_by_its_levels(aliased):
    names = [f"Heron-C{i} with Heron-B{i} − Alder-C1 with Alder-B1" for i in range(7)]
    table = pd.DataFrame(
        {
            "effect": [f"cooler_model + board_model: {name}" for name in names],
            "mean_k": -1.0, "without_mean_k": 0.2, "change_k": 1.2, "change_sds": 2.34,
            "without": "m1", "health": "ok",
        }
    )  # fmt: skip
    units = units_of(aliased.fit, "assembly")
    names = [name.replace("−", "minus") for name in names]
    moved = "One assembly moves {} most for its error: from −1.0 to 0.2 K (2.3 standard deviations)"
    said = _sentences(table, units)
    assert said == (
        f"{moved.format(names[0])} without 'm1'.",
        "No sure sign rests on one assembly.",
    )
    table.loc[0, "health"] = "its sign rests on one"
    assert _sentences(table, units) == (
        f"{moved.format(names[0])} without 'm1', so its sign rests on that one.",
        "No other sign rests on one assembly.",
    )
    table.loc[1, "health"] = "its sign rests on one"
    assert _sentences(table, units)[1] == f"1 more sign rests on one assembly: {names[1]}."
    table["health"] = "its sign rests on one"
    last = _sentences(table, units)[1]
    assert (
        last
        == f"6 more signs rest on one assembly: {'; '.join(names[1:5])} and 2 more in the table."
    )
    table["effect"] = "lab: South − North"
    assert "moves lab: South minus North most" in _sentences(table, units)[0]


def test_the_table_agrees_with_a_fit_without_the_assembly(check, aliased):
    row = check.left_out.table.iloc[0]
    model = aliased.fit
    fewer = fit_without(model, model.results["assembly"].eq(row["without"]).to_numpy(), seed=8)
    draws = check.left_out.draws
    kept = float(draws["mean_k"].sel(effect=row["effect"], assembly=row["without"]))
    assert row["without_mean_k"] == pytest.approx(kept)
    table = separate(fewer).table
    hit = named(table).eq(row["effect"])
    sd = float(draws["sd_k"].sel(effect=row["effect"], assembly=row["without"]))
    # Weights under long-tailed spreads know the mean without an assembly less well.
    assert kept == pytest.approx(float(table.loc[hit, "mean_k"].iloc[0]), abs=0.4 * sd)
    assert row["change_k"] == pytest.approx(row["without_mean_k"] - row["mean_k"])


def test_weights_that_fail_are_not_used(aliased, monkeypatch):
    # With a limit that nothing passes, every assembly needs a fit of its own.
    monkeypatch.setattr("thermcmp.inference.checks.leave_out.pareto_limit", lambda draws: -np.inf)
    found = check_fit(aliased.fit, refits=1).left_out
    actions = found.units["action"]
    assert actions.str.startswith("refitted").sum() == 1
    unknown = actions.eq("not known: allow more refits")
    assert unknown.sum() == len(actions) - 1
    assert found.units.loc[unknown, "largest_change_sds"].isna().all()
    assert "check_fit(fit, refits=…)" in found.caveats[0]
    none = check_fit(aliased.fit, refits=0).left_out
    assert none.table["change_k"].isna().all()
    assert none.sentences == ("No effect was left to compare.",)
    none.plot().figure.canvas.draw()


@pytest.mark.parametrize("unit", ["session", "cooler", "board", "run"])
def test_other_units_can_be_left_out(aliased, unit):
    found = check_fit(aliased.fit, unit=unit, refits=0).left_out
    assert found.unit == unit
    assert found.title == f"Without one {unit}: how far each effect moves"
    assert unit in found.units


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"unit": "screw"}, "use one of: run, assembly"),
        ({"small_k": 0.0}, "not above zero"),
        ({"prob": 1.5}, "out of range"),
        ({"contrasts": ["colour"]}, "no such factor"),
    ],
)
def test_what_cannot_be_is_refused(aliased, more, message):
    with pytest.raises(InputError, match=message):
        check_fit(aliased.fit, **more)


def test_words_and_tables(check):
    text = str(check)
    assert text.startswith("Can this fit of memory be trusted? Health ok.")
    for part in (check.predictive.title, check.left_out.title, "shrinkage", "largest change"):
        assert part in text or part == "largest change"
    assert all(text.count(sentence) == 1 for sentence in check.sentences)
    assert all(check._repr_html_().count(sentence) <= 1 for sentence in check.sentences)
    assert check._repr_html_().count("<table") == 2
    assert list(check.outliers.columns) == ["kind", "name", "off_k", "off_sds", "chance", "limit"]


def test_spreads_are_told_by_their_chance_below_a_size(aliased):
    small, large = check_fit(aliased.fit, refits=0), check_fit(aliased.fit, small_k=1.0, refits=0)
    below = [c.parameters.set_index("parameter")["p_below"] for c in (small, large)]
    assert (below[0].dropna() <= below[1].dropna()).all()
    draws = aliased.fit.draws("session sd")
    assert below[1]["session sd"] == pytest.approx(np.mean(draws < 1.0))
    words = " ".join(large.sentences)
    # One sentence names all of them.
    (one,) = [sentence for sentence in large.sentences if "the data allow zero" in sentence]
    noted = large.parameters["note"].str.contains("boundary")
    assert noted.sum() > 1
    assert all(name in one for name in large.parameters.loc[noted, "parameter"])
    low, high = np.quantile(draws, [0.05, 0.95])
    assert f"session sd {np.mean(draws < 1.0):.0%} ({low:.2f} to {high:.2f} K)" in one
    assert "below 1 K, and 90% equal-tailed interval" in one
    half = " ".join(check_fit(aliased.fit, refits=0, prob=0.5).sentences)
    assert "50% equal-tailed interval" in half
    assert "90%" not in half
    assert "singular" not in words


def test_a_fit_with_readings_at_the_limit(bench):
    runs = [
        {
            "cooler_model": f"Heron-C{1 + hot}", "cooler_id": f"Heron-C{1 + hot}-1",
            "assembly": f"m{i}", "temperature_c": min(80.0 + 14.5 * hot + 0.4 * j, 95.0),
            "at_limit": 80.0 + 14.5 * hot + 0.4 * j >= 95.0,
        }
        for i, hot in enumerate([0, 1, 0, 1]) for j in (0, 3, 2, 1)
    ]  # fmt: skip
    model = fit(bench(runs), terms=["cooler_model", "assembly"], draws=400, seed=1)
    assert model.engine == "conditional"
    units = check_fit(model, refits=0).left_out.units.set_index("assembly")
    assert units.loc[["m1", "m3"], "pareto_k"].isna().all()
    assert units.loc[["m1", "m3"], "action"].eq("not known: allow more refits").all()
    assert units.loc[["m0", "m2"], "pareto_k"].notna().all()


def test_figures_show_the_tables(check):
    ax = Figure().subplots()
    check.predictive.plot(ax)
    labels = [label.get_text() for label in ax.get_yticklabels()]
    assert labels == list(check.predictive.table["feature"])
    diamonds = [line for line in ax.lines if line.get_marker() == "D"]
    drawn = [float(line.get_xdata()[0]) for line in diamonds]
    assert drawn == pytest.approx(list(check.predictive.table["measured_k"]))
    ax = Figure().subplots()
    check.left_out.plot(ax)
    ticks = [line for line in ax.lines if line.get_marker() == "|" and len(line.get_xdata()) > 1]
    first = check.left_out.table["effect"].iloc[0]
    each = check.left_out.draws["mean_k"].sel(effect=first).to_numpy()
    assert np.sort(ticks[0].get_xdata()) == pytest.approx(np.sort(each))
    assert any(
        f"without {check.left_out.table['without'].iloc[0]}" in t.get_text() for t in ax.texts
    )
