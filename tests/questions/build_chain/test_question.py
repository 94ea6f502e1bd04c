"""A chain of builds: steps that add up, shares over all orders, and what was not measured."""

import math
from dataclasses import replace

import numpy as np
import pytest
from chain_campaigns import ALL, BASE, BOTH, CHAIN, FEATURES, PADS, RISE_K, SPRINGS, chain_fit
from scipy.stats import norm

from thermcmp.errors import InputError, NotEstimableError
from thermcmp.inference.fitting import fit
from thermcmp.model.conditions import Build, Conditions
from thermcmp.model.terms import BUILT_IN, Role
from thermcmp.prediction.builds import Scope
from thermcmp.questions.build_chain.builds import measured_at, smallest_difference_k
from thermcmp.questions.build_chain.question import chain

#: Differences of the same draws: rounding error only.
EXACT = 1e-9


def parts_of(answer):
    return answer.draws["improvement_k"].to_pandas().T


def names(answer, kind):
    table = answer.table
    return table.loc[table["kind"].eq(kind), "part"].tolist()


def rows(answer):
    return answer.table.set_index("part")


@pytest.fixture(scope="module")
def model():
    return chain_fit(RISE_K)


@pytest.fixture(scope="module")
def quiet(quiet_world):
    """All eight combinations, assemblies and readings all but without error."""
    every = {
        BASE: 0.0, PADS: -2.5, SPRINGS: -1.8, BOTH: -3.5, ALL: -4.4, "Alder, plate": -0.9,
        "Alder, pads and plate": -3.4, "Alder, springs and plate": -2.7,
    }  # fmt: skip
    return chain_fit(every, scenario=quiet_world(), draws=1000)


@pytest.fixture(scope="module")
def answer(model):
    return chain(model, CHAIN, features=FEATURES)


@pytest.mark.parametrize("scope", ["specimens", "product line"])
def test_steps_and_shares_add_up_to_the_total_in_every_draw(model, scope):
    found = chain(model, CHAIN, features=FEATURES, scope=scope)
    draws = parts_of(found)
    assert len(draws) == 2000
    assert len(names(found, "step")) == len(names(found, "order-free")) == 3
    for kind in ("step", "order-free"):
        gap = draws[names(found, kind)].sum(axis=1) - draws["total"]
        assert np.abs(gap).max() < EXACT


def test_stated_steps_are_found(answer):
    # Three posterior standard deviations: a step misses by chance one time in 370.
    levels = [RISE_K[name] for name in CHAIN]
    for name, step in zip(names(answer, "step"), -np.diff(levels), strict=True):
        row = rows(answer).loc[name]
        assert row["mean_k"] == pytest.approx(step, abs=3.0 * row["sd_k"]), name
        assert row["basis"] == "measured"
        assert row["data_share"] > 0.5


def test_steps_measured_at_equal_power_are_the_datas(model, answer):
    # Builds whose mean powers differ by chance (0.3 % and less here) differ by what stays of
    # the rise too, which the data do not hold.
    design = replace(model.design, power_ratio=np.ones_like(model.design.power_ratio))
    alike = rows(chain(replace(model, design=design), CHAIN))
    for name in names(answer, "step"):
        assert alike.loc[name, "data_share"] > 0.9
        assert alike.loc[name, "data_share"] >= rows(answer).loc[name, "data_share"]


def test_with_every_combination_measured_the_shares_are_the_games(quiet):
    # Shapley values of the stated game by hand: pads and springs lose half of the 0.8 K
    # that they bring less together, the back plate adds up.
    known = FEATURES | {
        "Alder, plate": {"back plate": "fitted"},
        "Alder, pads and plate": {"pads": "thick", "back plate": "fitted"},
        "Alder, springs and plate": {"springs": "stiff", "back plate": "fitted"},
    }
    found = chain(quiet, CHAIN, features=known)
    table = rows(found)
    for change, share in (("pads", 2.1), ("springs", 1.4), ("back plate", 0.9)):
        row = table.loc[f"in any order: {change}"]
        assert row["mean_k"] == pytest.approx(share, abs=0.1), change
        assert row["basis"] == "measured"
    assert found.missing == ()
    assert table.loc["beyond adding up: pads with springs", "mean_k"] == pytest.approx(
        -0.8, abs=0.1
    )
    (said,) = [s for s in found.sentences if s.startswith("The changes do not add up")]
    assert "pads with springs" in said
    assert "less together" in said


def test_combinations_not_measured_are_named_and_make_shares_less_sure(model, answer):
    missing = ("back plate alone", "springs with back plate", "pads with back plate")
    assert answer.missing == missing
    (caveat,) = [c for c in answer.caveats if c.startswith("Not measured")]
    assert all(name in caveat for name in missing)
    assert "Fix: build and run them" in caveat
    strict = rows(chain(model, CHAIN, features=FEATURES, interaction_k=0.0))
    loose = rows(chain(model, CHAIN, features=FEATURES, interaction_k=4.0))
    for name in names(answer, "order-free"):
        row = rows(answer).loc[name]
        assert row["basis"] == "predicted in part: 3 of 8 missing"
        assert strict.loc[name, "sd_k"] < row["sd_k"] < loose.loc[name, "sd_k"]
        assert strict.loc[name, "data_share"] > row["data_share"] > loose.loc[name, "data_share"]
    assert "mostly the prior's" in loose.loc["in any order: pads", "health"]


def test_features_that_always_changed_together_have_one_share(model):
    known = {name: FEATURES[name] for name in (BASE, BOTH, ALL)}
    found = chain(model, [BASE, BOTH, ALL], features=known)
    assert names(found, "order-free") == [
        "in any order: pads + springs",
        "in any order: back plate",
    ]
    assert any("pads + springs always changed together" in c for c in found.caveats)


def test_features_stand_in_the_order_of_the_builds(model):
    """Whatever order a set of names happens to have: by build, and within one by name."""
    stated = {
        BASE: set(),
        PADS: {"pads"},
        BOTH: {"springs", "pads"},
        ALL: {"springs", "plate", "pads"},
    }
    found = chain(model, CHAIN, features=stated)
    assert names(found, "order-free") == [
        f"in any order: {n}" for n in ("pads", "springs", "plate")
    ]


def test_a_kind_that_neither_end_has_is_set_aside(model):
    known = FEATURES | {SPRINGS: {"springs": "medium"}}
    found = chain(model, CHAIN, features=known)
    assert any("not in the shares over every order: Alder, springs" in c for c in found.caveats)


def test_cooler_and_board_add_up_by_the_making_of_the_model(aliased):
    old, between, other, new = (
        Build(cooler_model=f"Alder-C{c}", board_model=f"Alder-B{b}")
        for c, b in ((1, 1), (2, 1), (1, 2), (2, 2))
    )
    known = {old: {}, between: ["cooler"], other: ["board"], new: ["cooler", "board"]}
    # What depends on the pairing would be a departure.
    terms = [t for t in BUILT_IN if t.by_default and t.role is not Role.PAIRING]
    model = fit(aliased.fit.results, "memory", terms=terms, draws=800, seed=5)
    found = chain(model, [old, between, new], features=known)
    assert found.missing == ()
    assert names(found, "departure") == []
    assert any("no departure can show" in c for c in found.caveats)
    # Without interaction the shares are the steps, whatever the order.
    draws = parts_of(found)
    for step, share in zip(names(found, "step"), names(found, "order-free"), strict=True):
        assert np.abs(draws[step] - draws[share]).max() < EXACT
    by_three = chain(
        model,
        [old, between, new],
        features={build: own for build, own in known.items() if build is not other},
    )
    assert by_three.missing == ("board alone",)


def test_assemblies_are_counted_and_bound_what_can_be_seen(model, answer):
    assert answer.assemblies == dict.fromkeys([BASE, PADS, BOTH, ALL, SPRINGS], 3)
    # Half width of the interval that the assemblies alone leave.
    spread = float(model.draws("assembly sd").mean())
    wanted = norm.ppf(0.95) * math.sqrt(2.0) * spread / math.sqrt(3.0)
    for name in names(answer, "step"):
        assert rows(answer).loc[name, "smallest_step_k"] == pytest.approx(wanted, rel=1e-9)
    (said,) = [s for s in answer.sentences if "one assembly of each build" in s]
    assert f"below {wanted * math.sqrt(3.0):.1f} K" in said


@pytest.mark.parametrize(("first", "second"), [(1, 1), (2, 2), (3, 2), (1, 6)])
def test_what_assemblies_can_show_is_the_standards_critical_difference(first, second):
    # ISO 5725-6:1994, 4.2 (from memory): CD = 2.8 s sqrt(1/(2 n1) + 1/(2 n2)) at 95 %, where
    # 2.8 is 1.96 sqrt(2) = 2.77 rounded: 1.1 %.
    standard = 2.8 * 0.7 * math.sqrt(1 / (2 * first) + 1 / (2 * second))
    found = smallest_difference_k(np.full(5, 0.7), (first, second), 0.95)
    assert found == pytest.approx(standard, rel=0.011)


def test_a_step_with_one_assembly_is_less_sure_and_says_so():
    few = chain(chain_fit({BASE: 0.0, PADS: -2.5}, remounts=1), [BASE, PADS])
    many = chain(chain_fit({BASE: 0.0, PADS: -2.5}, remounts=6), [BASE, PADS])
    assert few.table["sd_k"][0] > 1.5 * many.table["sd_k"][0]
    assert any("One assembly only" in c or "no term for assemblies" in c for c in few.caveats)
    assert not any("One assembly only" in c for c in many.caveats)


def test_equal_noise_holds_the_level_of_every_build(model):
    found = chain(model, CHAIN, Conditions(noise_dba=38.0))
    steps = rows(found).loc[names(found, "step")]
    assert np.abs(steps["noise_db"]).max() < 1e-9
    assert "38 dB(A)" in found.sentences[0]
    far = chain(model, CHAIN, Conditions(noise_dba=70.0))
    assert far.table["mean_k"].isna().all()
    assert far.table["health"].str.contains("not reached").all()
    assert "cannot both be brought" in far.sentences[0]


def test_power_scales_the_steps(model):
    light, full = (
        parts_of(chain(model, CHAIN, Conditions(power_w=watts))) for watts in (100.0, 200.0)
    )
    assert np.abs(2.0 * light - full).max().max() < EXACT


def test_a_board_that_changed_with_the_cooler_is_not_told_apart():
    boards = {BASE: "Alder-B1", PADS: "Alder-B2"}
    model = chain_fit({BASE: 0.0, PADS: -2.5}, boards=boards)
    split = chain(
        model,
        [
            Build(cooler_model=BASE, board_model="Alder-B1"),
            Build(cooler_model=PADS, board_model="Alder-B1"),
        ],
    )
    assert split.table["health"].str.contains("not separable").all()
    assert "never mounted" in split.table["basis"][0]
    joint = chain(
        model,
        [
            Build(cooler_model=BASE, board_model="Alder-B1"),
            Build(cooler_model=PADS, board_model="Alder-B2"),
        ],
    )
    assert joint.table["health"].str.startswith("ok").all()
    assert joint.table["sd_k"][0] < split.table["sd_k"][0]


def test_the_answer_draws_prints_and_says_who_it_speaks_of(answer, model):
    ax = answer.plot()
    labels = [label.get_text() for label in ax.get_yticklabels()]
    assert labels[0] == BASE
    assert len(labels) == 1 + 3 + 1 + 3
    assert {bar.get_hatch() for bar in ax.patches} >= {"..."}
    assert "in any order: pads" in str(answer)
    assert "<table" in answer._repr_html_()
    line = chain(model, CHAIN, scope="product line")
    assert any("fresh specimen" in c for c in line.caveats)
    assert not any("fresh specimen" in c for c in answer.caveats)


@pytest.mark.parametrize(
    ("builds", "options", "words"),
    [
        (["Alder"], {}, "fewer than two builds"),
        ("Alder", {}, "fewer than two builds"),
        (["Alder", "Birch"], {}, "no such product or cooler model"),
        (["Alder", "Alder"], {}, "is listed twice"),
        (CHAIN, {"features": {BASE: {}}}, "no features stated"),
        (CHAIN, {"features": {BASE: {}, ALL: {}}}, "have the same features"),
        (CHAIN, {"features": FEATURES | {PADS: FEATURES[BOTH]}}, "have the same features"),
        (CHAIN, {"features": FEATURES | {"Birch": {}}}, "no such product"),
        (CHAIN, {"interaction_k": -1.0}, "interaction_k"),
        (CHAIN, {"interaction_k": float("nan")}, "interaction_k"),
        (CHAIN, {"scope": "everyone"}, "scope"),
    ],
)
def test_what_is_not_clear_is_refused_with_its_mend(model, builds, options, words):
    with pytest.raises(InputError, match=words):
        chain(model, builds, **options)


def test_many_features_that_changed_at_once_are_one_change(model):
    found = chain(model, CHAIN, features={BASE: [], ALL: list("abcdefgh")})
    assert names(found, "order-free") == ["in any order: a + b + c + d + e + f + g + h"]
    draws = parts_of(found)
    assert np.abs(draws[names(found, "order-free")[0]] - draws["total"]).max() < EXACT


def test_a_part_never_seen_is_refused(model):
    strange = Build(cooler_model="Birch", board_model="Alder-B1")
    with pytest.raises(NotEstimableError, match="Birch"):
        chain(model, [Build(cooler_model=BASE, board_model="Alder-B1"), strange])


def test_a_chain_in_other_air_says_so_and_weighs_for_it(model):
    bench = chain(model, CHAIN)
    high = chain(model, CHAIN, altitude_m=2500.0, case_rise_k=12.0)
    where = "in a room of 21 °C (33 °C at the intake) at 2500 m"
    assert where in high.sentences[0]
    assert "21 °C ambient" not in high.sentences[0]
    assert "21 °C ambient" in bench.sentences[0]
    assert Conditions(altitude_m=2500.0).altitude_words in high.caveats
    # Thin air makes the convective part weigh more: its weights are what the rise is made of.
    air = Conditions(altitude_m=2500.0, case_rise_k=12.0)
    build = Build(cooler_model=CHAIN[0], board_model=model.results["board_model"].iloc[0])
    measured = measured_at(model, build, air, Scope.SPECIMENS, None)
    exponents = model.draws("airflow exponent")
    expected = np.mean(measured.entry.temperature) - 33.0
    by_draw = [measured.weights(m) @ e for m, e in zip(exponents, model.effects, strict=True)]
    assert np.mean(by_draw) == pytest.approx(expected, abs=1e-9)


def test_conditions_are_spelled_out_or_bundled(model):
    words = chain(model, CHAIN, ambient_c=35.0, power_w=180.0)
    whole = chain(model, CHAIN, Conditions(ambient_c=35.0, power_w=180.0))
    assert words.table.equals(whole.table)
    assert words.conditions == whole.conditions
    mixed = chain(model, CHAIN, Conditions(ambient_c=35.0, power_w=300.0), power_w=180.0)
    assert mixed.conditions == whole.conditions
