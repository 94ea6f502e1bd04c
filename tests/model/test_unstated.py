"""Conditions that published results do not state, against the algebra of what is unknown."""

import numpy as np
import pandas as pd
import pytest
from bare_fits import BARE
from plain_rows import plain_rows

from thermcmp.errors import InputError
from thermcmp.inference.fitting import fit
from thermcmp.inference.storage import load_fit
from thermcmp.model.priors import Normal
from thermcmp.model.unstated import with_conditions
from thermcmp.results.validation import check_results
from thermcmp.simulation import simulate


def two_cards(**published):
    """Card A measured here, and A and B published by South without some condition."""
    own = plain_rows(
        temperature_c=[71.8, 72.2, 72.0, 72.0], lab="North", cooler_model="A", power_w=200.0
    )
    theirs = plain_rows(
        temperature_c=[72.0, 76.0], lab="South", cooler_model=["A", "B"], n=5,
        standard_error_k=0.1, **published,
    )  # fmt: skip
    theirs["run"] = ["t0", "t1"]
    return check_results(pd.concat([own, theirs], ignore_index=True))


def gap(model):
    """Draws of B less A."""
    effects = model.draws("cooler_model")
    return effects[:, 1] - effects[:, 0]


def test_an_unknown_power_widens_by_what_it_may_do():
    stated = fit(two_cards(power_w=200.0), reference=None, **BARE)
    unstated = {"power_w": Normal(200.0, 10.0)}
    blank = fit(two_cards(power_w=[200.0, np.nan]), unstated=unstated, **BARE)
    assert gap(blank).mean() == pytest.approx(gap(stated).mean(), abs=0.2)
    # Five per cent of power is five per cent of a rise of 54 K.
    extra = np.sqrt(gap(blank).var() - gap(stated).var())
    assert extra == pytest.approx(0.05 * 54.0, rel=0.05)
    assert any("power: not stated in 1 published" in note for note in blank.design.notes)


def test_an_unknown_ambient_is_that_of_all_the_rows_of_a_bench():
    # It cancels between two cards that were published together, and not against one's own.
    blank = fit(two_cards(ambient_c=np.nan), unstated={"ambient_c": Normal(22.0, 2.0)}, **BARE)
    stated = fit(two_cards(ambient_c=22.0), **BARE)
    names = list(blank.design.shared.names)
    assert names == ["ambient not stated, South · unstated"]
    assert gap(stated).std() < 0.35
    # South's card A says what its air was: A is known from the four runs here.
    assert gap(blank).std() == pytest.approx(gap(stated).std(), abs=0.1)
    only = two_cards(ambient_c=np.nan).drop(index=4)
    alone = fit(only, unstated={"ambient_c": Normal(22.0, 2.0)}, **BARE)
    assert gap(alone).std() == pytest.approx(2.0, rel=0.1)


@pytest.mark.parametrize(
    "published", [{"rise_k": [50.0, 54.0], "temperature_c": np.nan}, {"temperature_c": 72.0}]
)
def test_a_room_that_nobody_read_is_no_slope_along_ambient(published):
    """A rise is set down in air of 25 °C, an unstated ambient in a heated room: neither is data."""
    own = plain_rows(
        temperature_c=[71.8, 72.2, 75.9, 76.1], lab="North", cooler_model=list("AACC"),
        ambient_c=19.0 if "rise_k" in published else 27.0, power_w=200.0,
    )  # fmt: skip
    theirs = plain_rows(
        lab="South", cooler_model=["A", "B"], n=5, standard_error_k=0.1, ambient_c=np.nan,
        **published,
    )  # fmt: skip
    theirs["run"] = ["t0", "t1"]
    rows = check_results(pd.concat([own, theirs], ignore_index=True))
    model = fit(rows, draws=400, seed=1, expand="none", engine="conditional")
    assert not any("ambient" in term.name for term in model.design.terms)
    stated = rows.assign(ambient_c=rows["ambient_c"].where(rows["lab"].eq("North"), 31.0))
    model = fit(stated, draws=400, seed=1, expand="none", engine="conditional")
    assert any("ambient" in term.name for term in model.design.terms)


def test_an_unknown_fan_speed_counts_through_the_law():
    rows = two_cards()
    rows.loc[rows["cooler_model"].eq("B"), "fan_rpm"] = np.nan
    blank = fit(rows, unstated={"fan_rpm": Normal(1800.0, 180.0)}, **BARE)
    stated = fit(two_cards(), **BARE)
    extra = np.sqrt(gap(blank).var() - gap(stated).var())
    # d/dN of 20 K (N / 1800)^-0.65: 13 K per unit of relative speed.
    assert extra == pytest.approx(0.1 * 13.0, rel=0.1)


def test_what_is_suggested():
    rows = two_cards(power_w=[np.nan, np.nan], ambient_c=np.nan, fan_rpm=np.nan)
    filled = with_conditions(rows, None)
    assert list(filled.loc[4:, "power_w"]) == [200.0, 200.0]
    # Of card A other rows state it, of card B none does.
    assert list(filled.loc[4:, "~ power_w not stated"]) == [10.0, 20.0]
    assert list(filled.loc[4:, "~ fan_rpm not stated"]) == [180.0, 360.0]
    assert list(filled.loc[4:, "ambient_c"]) == [22.0, 22.0]
    assert list(filled.loc[4:, "~ ambient_c not stated"]) == [2.0, 2.0]
    assert (filled.loc[:3, "~ power_w not stated"] == 0.0).all()


def test_rows_that_state_everything_stay_as_they_are():
    rows = two_cards()
    assert with_conditions(rows, None).equals(rows)


def test_a_saved_fit_keeps_what_was_not_stated(tmp_path):
    model = fit(two_cards(power_w=[200.0, np.nan]), **BARE)
    model.save(tmp_path / "fit.nc")
    again = load_fit(tmp_path / "fit.nc")
    assert again.design.shared.names == model.design.shared.names
    assert again.draws("shared error") == pytest.approx(model.draws("shared error"))


@pytest.mark.study
def test_both_engines_integrate_it_out():
    """In every run: the fast engine against algebra here, NUTS' density in its own tests."""
    rows = two_cards(power_w=[200.0, np.nan])
    settings = BARE | {"draws": 2000}
    exact = fit(rows, unstated={"power_w": Normal(200.0, 10.0)}, **settings)
    sampled = fit(rows, engine="nuts", unstated={"power_w": Normal(200.0, 10.0)}, **settings)
    assert gap(sampled).mean() == pytest.approx(gap(exact).mean(), abs=0.3)
    assert gap(sampled).std() == pytest.approx(gap(exact).std(), rel=0.1)


@pytest.mark.parametrize(
    ("unstated", "message"),
    [
        ({"noise_dba": Normal(40.0, 1.0)}, "noise_dba"),
        ({"power_w": 200.0}, "not a normal prior"),
        ({"power_w": Normal(20.0, 15.0)}, "above zero"),
    ],
)
def test_what_cannot_be_taken(unstated, message):
    with pytest.raises(InputError, match=message):
        with_conditions(two_cards(power_w=[200.0, np.nan]), unstated)


def test_what_is_stated_nowhere_is_asked_for():
    rows = two_cards(power_w=[np.nan, np.nan]).iloc[4:].reset_index(drop=True)
    with pytest.raises(InputError, match="no row states its power"):
        fit(rows, **BARE)


def test_a_run_of_ones_own_states_its_conditions():
    rows = simulate(seed=3).results
    rows.loc[2, "power_w"] = np.nan
    with pytest.raises(InputError, match="the value is missing") as error:
        check_results(rows)
    assert "states n" in str(error.value)
