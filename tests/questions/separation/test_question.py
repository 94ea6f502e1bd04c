"""The separation: sizes, signs, aliases, and what the data hold of each."""

import re

import numpy as np
import pandas as pd
import pytest

from thermcmp.errors import InputError, NotEstimableError
from thermcmp.inference.fitting import fit
from thermcmp.model.conditions import Build, Conditions
from thermcmp.questions.phrases import part_words
from thermcmp.questions.separation.question import separate
from thermcmp.reporting.document import report
from thermcmp.simulation import RevisionStudy, Scenario, simulate

REFERENCE = Conditions(power_w=200.0, fan_rpm=1800.0)


def row(answer, factor):
    """The factor's row: of several partners their average, or the only one that was measured."""
    rows = answer.table[answer.table["factor"].eq(factor)]
    if len(rows) > 1:
        averaged = rows["partner"].eq("average")
        rows = rows[averaged if averaged.any() else rows["mean_k"].notna()]
    (found,) = rows.to_dict("records")
    return found


def swapped_rows(campaign, *, added=None):
    """The aliased study's rows; `added` puts the second vendor on one old board as well."""
    rows = campaign.results[campaign.results["sensor"].eq("memory")].reset_index(drop=True)
    if added is None:
        return rows
    first = rows[rows["board_model"].eq("Alder-B1") & rows["assembly_kind"].eq("bench")]
    one = first[first["assembly"].eq(first["assembly"].iloc[0])].copy()
    one["run"] = "swap " + one["run"]
    one["assembly"], one["board_id"] = "swap-m1", "Alder-B1-9"
    one["memory_vendor"], one["temperature_c"] = added, one["temperature_c"] - 1.5
    return pd.concat([rows, one], ignore_index=True)


def test_factors_that_changed_together_name_each_other(aliased):
    answer = separate(aliased.fit)
    board, vendor = row(answer, "board_model"), row(answer, "memory_vendor")
    assert board["aliased_with"] == "memory_vendor"
    assert vendor["aliased_with"] == "board_model"
    for one in (board, vendor):
        assert one["data_share"] < 0.05
        assert one["health"].startswith("withheld")
        assert np.isnan(one["mean_k"])
        # Whoever is guilty, the range holds none of it and all of it.
        assert one["low_k"] < 0.0 < one["high_k"]
    assert sum("cannot be separated" in sentence for sentence in answer.sentences) == 2
    assert any("and no estimate" in caveat for caveat in answer.caveats)


def test_the_joint_effect_of_aliased_factors_is_held_by_the_data(aliased):
    joint = row(separate(aliased.fit), "board_model + memory_vendor")
    assert joint["contrast"] == "Alder-B2 with Sable − Alder-B1 with Quill"
    assert joint["data_share"] > 0.95
    assert joint["health"] == "ok"
    truth = sum(
        aliased.truth.contrast_k("memory", factor, a, b)
        for factor, a, b in (
            ("board_model", "Alder-B1", "Alder-B2"),
            ("memory_vendor", "Quill", "Sable"),
        )
    )
    assert joint["mean_k"] == pytest.approx(truth, abs=3.0 * joint["sd_k"])


def test_a_split_is_wide_where_the_joint_effect_is_narrow(aliased):
    answer = separate(aliased.fit)
    joint, board = row(answer, "board_model + memory_vendor"), row(answer, "board_model")
    assert board["high_k"] - board["low_k"] > 3.0 * (joint["high_k"] - joint["low_k"])


def test_the_swap_that_would_tell_is_suggested_with_its_cautions(aliased):
    answer = separate(aliased.fit, contrasts=["memory_vendor"])
    assert "To separate them: test" in answer.sentences[0]
    assert any("unplug" in caveat and "service" in caveat for caveat in answer.caveats)


def test_the_cooler_is_separated_from_the_board_by_the_swap(aliased):
    cooler = row(separate(aliased.fit), "cooler_model")
    assert cooler["aliased_with"] == ""
    assert cooler["data_share"] > 0.95


def test_a_contrast_is_the_second_less_the_first(aliased):
    cooler = row(separate(aliased.fit), "cooler_model")
    truth = aliased.truth.contrast_k("memory", "cooler_model", "Alder-C1", "Alder-C2")
    assert cooler["contrast"] == "Alder-C2 − Alder-C1"
    assert truth < -3.0
    assert cooler["mean_k"] == pytest.approx(truth, abs=3.0 * cooler["sd_k"])
    assert cooler["high_k"] < 0.0


def test_crossed_vendors_are_estimable(crossed):
    answer = separate(crossed.fit)
    assert set(answer.table["aliased_with"]) == {""}
    assert not answer.table["factor"].str.contains("+", regex=False).any()
    vendor, cooler = row(answer, "memory_vendor"), row(answer, "cooler_model")
    assert vendor["health"] == "ok"
    # Known as far as one board specimen of each vendor lets it.
    assert vendor["data_share"] > 0.25
    truth = crossed.truth.contrast_k("memory", "memory_vendor", "Quill", "Sable")
    assert vendor["low_k"] - 2.0 * vendor["sd_k"] < truth < vendor["high_k"] + 2.0 * vendor["sd_k"]
    truth = crossed.truth.contrast_k("memory", "cooler_model", "Alder-C1", "Alder-C2")
    assert cooler["mean_k"] == pytest.approx(truth, abs=3.0 * cooler["sd_k"])


def test_one_added_swap_tells_board_and_vendor_apart(aliased):
    rows = swapped_rows(aliased.campaign, added="Sable")
    answer = separate(fit(rows, "memory", reference=REFERENCE, draws=800, seed=5))
    board, vendor = row(answer, "board_model"), row(answer, "memory_vendor")
    assert board["aliased_with"] == ""
    # One board specimen stands for the vendor there.
    assert vendor["aliased_with"] == "board"
    before = row(separate(aliased.fit), "memory_vendor")
    assert vendor["data_share"] > before["data_share"] + 0.2
    assert "test a second board specimen of each vendor" in " ".join(answer.sentences)


def test_a_product_line_is_less_sure_than_its_specimens(specimens):
    tested, line = (
        row(separate(specimens.fit, scope), "cooler_model")
        for scope in ("specimens", "product line")
    )
    assert line["sd_k"] > 1.1 * tested["sd_k"]
    truth = specimens.truth.contrast_k("memory", "cooler_model", "Alder-C1", "Alder-C2")
    assert tested["mean_k"] == pytest.approx(truth, abs=3.0 * tested["sd_k"])
    whole = specimens.truth.contrast_k(
        "memory", "cooler_model", "Alder-C1", "Alder-C2", scope="product line"
    )
    assert line["mean_k"] == pytest.approx(whole, abs=3.0 * line["sd_k"])


def test_lone_specimens_are_named_as_such(aliased, specimens):
    assert not any("one specimen" in caveat for caveat in separate(specimens.fit).caveats)
    rows = specimens.fit.results
    lone = rows[rows["cooler_id"].ne("Alder-C2-2")].reset_index(drop=True)
    answer = separate(fit(lone, "memory", reference=REFERENCE, draws=400, seed=5))
    (caveat,) = [c for c in answer.caveats if "Only one specimen" in c]
    assert "Alder-C2" in caveat
    assert "Alder-C1" not in caveat


def test_only_the_contrasts_between_two_builds_are_shown(aliased):
    whole = separate(aliased.fit)
    forward = separate(aliased.fit, before="Alder r1", after="Alder r2")
    back = separate(aliased.fit, before="Alder r2", after="Alder r1")
    assert set(row(whole, "assembly_kind")["contrast"].split(" − ")) == {"factory", "bench"}
    assert "assembly_kind" not in set(forward.table["factor"])
    for factor in ("cooler_model", "board_model", "memory_vendor", "board_model + memory_vendor"):
        mean = -row(back, factor)["mean_k"]
        assert row(forward, factor)["mean_k"] == pytest.approx(mean, nan_ok=True)
        assert row(forward, factor)["low_k"] == pytest.approx(-row(back, factor)["high_k"])
    assert row(back, "cooler_model")["contrast"] == "Alder-C1 − Alder-C2"
    assert row(back, "board_model + memory_vendor")["contrast"] == (
        "Alder-B1 with Quill − Alder-B2 with Sable"
    )


def test_builds_with_one_part_in_common_differ_in_the_other_alone(aliased):
    answer = separate(
        aliased.fit,
        before=Build(cooler_model="Alder-C1", board_model="Alder-B1"),
        after=Build(cooler_model="Alder-C2", board_model="Alder-B1"),
    )
    effects = answer.table[answer.table["contrast"].ne("standard deviation")]
    assert list(effects["factor"]) == ["cooler_model"]
    assert list(effects["partner"]) == ["Alder-B1"]


def test_spreads_close_the_table(aliased):
    answer = separate(aliased.fit)
    spreads = answer.table[answer.table["contrast"].eq("standard deviation")]
    assert list(spreads["factor"]) == ["assembly", "session", "bench"]
    assert list(answer.table.index[-3:]) == list(spreads.index)
    assert (spreads["low_k"] >= 0.0).all()
    for name in ("assembly", "session", "bench"):
        mean = float(np.mean(aliased.fit.draws(f"{name} sd")))
        assert row(answer, name)["mean_k"] == pytest.approx(mean)


def test_the_table_is_the_summary_of_the_draws(aliased):
    answer = separate(aliased.fit, prob=0.8)
    draws = answer.draws["effect_k"].to_numpy()
    assert draws.shape == (len(answer.table), 2000)
    withheld = answer.table["mean_k"].isna().to_numpy()
    assert 0 < withheld.sum() < len(withheld)
    for hit, ends in ((~withheld, [0.1, 0.9]), (withheld, [0.005, 0.995])):
        table, of_rows = answer.table[hit], draws[hit]
        low, high = np.quantile(of_rows, ends, axis=1)
        assert table["low_k"].to_numpy() == pytest.approx(low)
        assert table["high_k"].to_numpy() == pytest.approx(high)
    means = draws[~withheld].mean(axis=1)
    assert answer.table.loc[~withheld, "mean_k"].to_numpy() == pytest.approx(means)


def test_a_sign_that_is_not_clear_is_said_beside_its_number(crossed):
    answer = separate(crossed.fit, prob=0.5)
    draws = answer.draws["effect_k"].to_numpy()
    of_effects = ~answer.table["contrast"].eq("standard deviation") & answer.table["mean_k"].notna()
    other = np.minimum((draws > 0.0).mean(axis=1), (draws < 0.0).mean(axis=1))
    unclear = of_effects & (other >= 0.01) & (other < 0.25)
    assert 0 < unclear.sum() < of_effects.sum()
    said = answer.table["health"].str.extract(r"; (\d+)% chance of the other sign")[0]
    assert said[unclear].astype(float).to_numpy() == pytest.approx(100 * other[unclear], abs=0.51)
    assert said[~unclear].isna().all()


def test_the_order_of_rows_does_not_matter(aliased):
    rows = aliased.fit.results
    mixed = rows.sample(frac=1.0, random_state=3).reset_index(drop=True)
    other = fit(mixed, "memory", reference=REFERENCE, draws=2000, seed=5)
    first, second = separate(aliased.fit).table, separate(other).table
    assert list(first["factor"] + first["contrast"]) == list(second["factor"] + second["contrast"])
    # Both are draws of one posterior: means agree within a tenth of its width (2000 draws
    # leave 0.02 of it, the two engines' own weights a little more).
    assert list(first["mean_k"].isna()) == list(second["mean_k"].isna())
    gap = (first["mean_k"] - second["mean_k"]).abs().dropna()
    assert (gap < 0.1 * first["sd_k"].dropna() + 0.01).all()


def test_new_names_in_the_same_order_change_no_number(aliased):
    names = {"Alder-C1": "Wren-C1", "Alder-C2": "Wren-C2", "Alder-B1": "Wren-B1"}
    names |= {"Alder-B2": "Wren-B2", "Quill": "Rook", "Sable": "Tern"}
    rows = aliased.fit.results
    columns = ["cooler_model", "board_model", "memory_vendor"]
    renamed = rows.assign(**{column: rows[column].replace(names) for column in columns})
    other = fit(renamed, "memory", reference=REFERENCE, draws=2000, seed=5)
    first, second = separate(aliased.fit).table, separate(other).table
    numbers = ["mean_k", "sd_k", "low_k", "high_k", "data_share"]
    assert second[numbers].to_numpy() == pytest.approx(
        first[numbers].to_numpy(), abs=1e-6, nan_ok=True
    )
    assert "Wren-C2 − Wren-C1" in set(second["contrast"])


def test_an_unknown_scope_factor_or_probability_is_refused_by_name(aliased):
    with pytest.raises(InputError, match="specimens, product line"):
        separate(aliased.fit, "all cards")
    with pytest.raises(InputError, match="cooler_model") as caught:
        separate(aliased.fit, contrasts=["backplate", "cooler_model", "screws"])
    assert [fault.value for fault in caught.value.faults] == ["backplate", "screws"]
    for prob in (0.0, 0.4, 1.0, 90.0, float("nan")):
        with pytest.raises(InputError, match="prob"):
            separate(aliased.fit, prob=prob)


def test_chosen_contrasts_have_the_direction_asked_for(aliased):
    whole = separate(aliased.fit)
    turned = separate(aliased.fit, contrasts=[("Alder-C2", "Alder-C1"), "memory_vendor"])
    assert row(turned, "cooler_model")["contrast"] == "Alder-C1 − Alder-C2"
    assert row(turned, "cooler_model")["mean_k"] == pytest.approx(
        -row(whole, "cooler_model")["mean_k"]
    )
    assert set(turned.table["factor"]) == {
        "cooler_model", "memory_vendor", "board_model + memory_vendor", "assembly", "session",
        "bench",
    }  # fmt: skip
    assert set(separate(aliased.fit, contrasts="cooler_model").table["factor"]) == {
        "cooler_model", "assembly", "session", "bench",
    }  # fmt: skip


def test_sentences_name_parts_and_no_columns(aliased):
    answer = separate(aliased.fit)
    text = " ".join((*answer.sentences, *answer.caveats))
    assert "Cooler: Alder-C2 minus Alder-C1 on Alder-B1 is −" in text
    assert "Board: Alder-B2 against Alder-B1 cannot be separated from memory vendor" in text
    assert "To separate them: test cooler Alder-C1 on board Alder-B2 with memory from Quill" in text
    # A prior is named as the table of priors has it.
    rest = re.sub(r"by the prior of '[^']+ sd'", "", text)
    assert not any(name in rest for name in ("_model", "memory_vendor", "assembly_kind"))


def test_a_firmware_that_changed_with_the_board_is_an_alias_and_no_factor():
    """The board's own row allows for the firmware and is not there twice."""
    study = RevisionStudy(remounts=2, vendors="crossed", stock="shipped")
    campaign = simulate(study, seed=11, scenario=Scenario(bad_mount_probability=0.0))
    model = fit(campaign.results, "memory", reference=REFERENCE, draws=800, seed=5)
    answer = separate(model)
    assert not answer.table[["factor", "contrast", "partner"]].duplicated().any()
    firmware, board = row(answer, "firmware"), row(answer, "board_model")
    assert firmware["aliased_with"] == "board_model"
    assert firmware["data_share"] < 0.05
    assert board["aliased_with"] == ""
    # The firmware's prior is in it: half-normal(2) K of spread between two.
    assert board["sd_k"] > 1.0
    chosen = separate(model, contrasts=["firmware"]).table
    assert set(chosen["factor"]) == {"firmware", "assembly", "session", "bench"}
    with pytest.raises(InputError, match="assembly_kind, firmware"):
        separate(model, contrasts=["backplate"])


def test_peers_with_a_firmware_of_their_own_leave_the_crossed_ones_to_the_data(aliased):
    rows = swapped_rows(aliased.campaign)
    shipped = rows[rows["cooler_model"].eq("Alder-C1") & rows["board_model"].eq("Alder-B1")]
    both = [rows]
    for name, warmer_k in (("Birch", 3.0), ("Cedar", 1.0)):
        peer = shipped.assign(
            product=name, cooler_model=f"{name}-C", cooler_id=f"{name}-C-1",
            board_model=f"{name}-B", board_id=f"{name}-B-1", firmware=f"{name} fw",
            run=f"{name} " + shipped["run"], assembly=f"{name} " + shipped["assembly"],
            temperature_c=shipped["temperature_c"] + warmer_k,
        )  # fmt: skip
        both.append(peer)
    both = pd.concat(both, ignore_index=True)
    answer = separate(fit(both, "memory", reference=REFERENCE, draws=800, seed=5))
    table = answer.table.set_index("contrast")
    alone = row(separate(aliased.fit), "firmware")["data_share"]
    assert table.loc["fw 2 − fw 1", "data_share"] > 0.6 * alone > 0.3
    assert table.loc["fw 2 − fw 1", "aliased_with"] == ""
    fresh = table[table["factor"].eq("firmware") & table.index.str.contains("Birch")]
    assert len(fresh) == 3
    assert (fresh["data_share"] < 0.05).all()
    # What was crossed with nothing still allows for it, and does not count as unknown.
    joint = table[table["factor"].str.contains(" + ", regex=False)]
    assert joint.index.str.contains("Birch").any()
    assert (joint["data_share"] > 0.5).all()


@pytest.fixture(scope="module")
def library(bench):
    """Eight products, two of them a kelvin and more apart from the rest."""
    names = [f"Wren-C{number}" for number in range(1, 9)]
    rise = dict(zip(names, (60.0, 60.2, 60.1, 66.0, 60.0, 60.3, 52.0, 60.1), strict=True))
    rows = bench(
        [
            {
                "product": name, "cooler_model": name, "cooler_id": name, "assembly": f"{name} {m}",
                "temperature_c": 21.0 + rise[name] + 0.2 * m + 0.05 * again,
            }
            for name in names for m in range(2) for again in range(2)
        ]
    )  # fmt: skip
    return separate(fit(rows, terms=["cooler_model", "assembly"], draws=400, seed=2))


def test_a_library_answers_in_a_screen(library):
    assert len(library.table) == 8 * 7 // 2 + 1
    shown = library.shown_table
    assert len(shown) == 12
    assert shown["contrast"].iloc[0] == "Wren-C7 − Wren-C4"
    assert shown["mean_k"].iloc[:11].abs().min() > 5.0
    assert shown["factor"].iloc[-1] == "assembly"
    text = str(library)
    assert "17 more rows in the answer's table." in text
    assert len(text.splitlines()) < 40
    assert len(library.plot().get_yticklabels()) == 12


def test_one_build_of_two_is_refused(aliased):
    with pytest.raises(InputError, match="after"):
        separate(aliased.fit, before="Alder r1")


def test_a_build_that_was_never_run_is_not_estimable(aliased):
    with pytest.raises(InputError, match="Alder r1, Alder r2"):
        separate(aliased.fit, before="Alder r1", after="Alder r3")


def test_spread_rows_call_small_spreads_small(aliased):
    (sentence,) = [s for s in separate(aliased.fit).sentences if "reassembly" in s]
    assert "below 0.4 K" in sentence


def test_a_part_that_the_fit_has_not_seen_is_not_estimable(aliased):
    build = Build(cooler_model="Alder-C7", board_model="Alder-B1")
    with pytest.raises(NotEstimableError, match=r"Alder-C7.*Alder-C1, Alder-C2"):
        separate(aliased.fit, before="Alder r1", after=build)


@pytest.mark.parametrize(
    ("share", "said"),
    [
        (1.0, "over 99%"),
        (0.9951, "over 99%"),
        (0.73, "73%"),
        (0.004, "under 1%"),
        (0.0, "under 1%"),
    ],
)
def test_no_share_is_all_or_nothing(share, said):
    """A prior always says a little, and the table beside says ">99" too."""
    assert part_words(share) == said


def test_the_sentences_state_no_whole_share(aliased):
    words = " ".join(separate(aliased.fit).sentences)
    assert "% of it comes from the data" in words
    assert "100%" not in words
    assert " 0%" not in words


def test_a_table_of_one_assembly_is_answered_in_words(aliased, tmp_path):
    rows = swapped_rows(aliased.campaign)
    one = rows[rows["assembly"].eq(rows["assembly"].iloc[0])].assign(firmware="fw 1")
    fitted = fit(one.head(6), "memory", draws=400, seed=5)
    answer = separate(fitted)
    assert answer.table.empty
    assert answer.sentences[0].startswith("Nothing can be separated: every run has the same parts")
    assert report(answer, tmp_path / "page.html").is_file()


def test_a_reference_speed_that_a_cooler_was_not_run_at_is_named(specimens):
    rows = specimens.fit.results.copy()
    words = "Effects are stated at 1650 rpm, where cooler Alder-C1 had no run"
    rows = rows[
        rows["cooler_model"].eq("Alder-C2") | (rows["fan_rpm"] / 1650.0 - 1.0).abs().gt(0.06)
    ]
    near = rows["cooler_model"].eq("Alder-C2") & rows["fan_rpm"].between(1700.0, 1900.0)
    rows.loc[near, "fan_rpm"] = 1650.0
    between = Conditions(power_w=200.0, fan_rpm=1650.0)
    answer = separate(fit(rows, "memory", reference=between, draws=400, seed=5, expand="none"))
    (caveat,) = [caveat for caveat in answer.caveats if caveat.startswith("Effects are stated")]
    assert caveat.startswith(words)
    assert "run these at 1650 rpm" in caveat
    assert not [c for c in separate(specimens.fit).caveats if c.startswith("Effects are stated")]
