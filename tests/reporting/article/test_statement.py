"""A statement never says more than the answers behind it: properties over answers of many kinds."""

import re
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import thermcmp as tc
from thermcmp.errors import InputError
from thermcmp.model.conditions import Build, Conditions
from thermcmp.questions.attribution.answer import Attribution
from thermcmp.questions.build_chain.answer import Chain
from thermcmp.questions.interval_plot import interval_figure
from thermcmp.questions.limit_margin.answer import Margin
from thermcmp.questions.model_comparison.answer import ModelComparison
from thermcmp.questions.ranking.question import Ranking
from thermcmp.questions.separation.question import Separation
from thermcmp.reporting.article.estimates import ON_ASSUMPTIONS
from thermcmp.reporting.article.paragraph import statement
from thermcmp.reporting.article.strength import WORDINGS, Strength, strength_of

NAN = float("nan")
LENGTHS = ("short", "medium", "long")
KINDS = ("separation", "attribution", "chain", "ranking", "margin")
WITHHELD = "withheld: the runs do not hold it, range only"
#: Caveats of the questions that turn an answer's meaning, and of one that nobody has seen yet.
SEVERE = (
    "It rests on one assembly: without 'A-1 on B-1, bench 2' total would be −1.0 K and not 2.0 K.",
    "Mounted once only: Alder. A good or bad assembly is attributed to it, within the spread of "
    "assemblies elsewhere; test a second assembly of each.",
    "Fan speed of 900 rpm was never measured: the runs were at 1400 to 2400 rpm. That is too far "
    "for a prediction to be trusted: measure there.",
    "A plug-in found the moon in the wrong quarter.",
)
MILD = (
    "Readings rise from session to session, by 0.12 to 1.67 K over the bench's time (trend); the "
    "answers are freed of it.",
    "Steady states only: whether the fan swings about them is not modelled.",
)


def stand_in_fit(health="ok", specimens=2):
    """What a statement reads of a fit, with so many specimens of each part."""
    rows = pd.DataFrame(
        [
            {
                "run": f"r{number}", "product": f"Alder r{1 + number % 2}", "lab": "North",
                "bench": "A", "session": "s1", "assembly": f"m{number}",
                "cooler_model": f"Alder-C{1 + number % 2}",
                "board_model": f"Alder-B{1 + number % 2}", "memory_vendor": "Sable",
                "cooler_id": f"c{number % (2 * specimens)}",
                "board_id": f"b{number % (2 * specimens)}", "assembly_kind": "bench",
                "firmware": "fw 1",
            }
            for number in range(4 * specimens)
        ]
    )  # fmt: skip
    design = SimpleNamespace(rows=rows, law=SimpleNamespace(unit="rpm"))
    reference = SimpleNamespace(power_w=200.0, flow_speed=1800.0)
    return SimpleNamespace(health=health, sensor="memory", design=design, reference=reference)


def table_of(estimates, prob=0.9):
    """Mean and interval of draws; a range alone of what is withheld; nothing of what is None."""
    rows = []
    for draws, health, share in estimates:
        if draws is None:
            rows.append((NAN, NAN, NAN, NAN, health or "no run holds it"))
        elif health == WITHHELD:
            rows.append((NAN, *np.quantile(draws, [0.005, 0.995]), share, health))
        else:
            ends = np.quantile(draws, [(1 - prob) / 2, (1 + prob) / 2])
            rows.append((draws.mean(), *ends, share, health))
    return pd.DataFrame(rows, columns=["mean_k", "low_k", "high_k", "data_share", "health"])


def usual(kind, table, draws, caveats, fit):
    return {
        "kind": kind, "title": f"A {kind}", "table": table, "draws": draws, "sentences": ("So.",),
        "caveats": tuple(caveats), "prob": 0.9, "fits": (fit,),
        "draw_figure": partial(interval_figure, label="part"),
    }  # fmt: skip


def values_of(estimates):
    return np.array([np.full(400, NAN) if d is None else d for d, _, _ in estimates])


def separation(estimates, caveats, fit):
    pairs = [f"New-{i} − Old-{i}" for i in range(len(estimates))]
    table = table_of(estimates).assign(contrast=pairs, factor="cooler_model", partner="")
    draws = xr.Dataset({"effect_k": (("contrast", "draw"), values_of(estimates))})
    return Separation(
        **usual("separation", table, draws, caveats, fit), scope="specimens", matters_k=1.0
    )


def attribution(estimates, caveats, fit):
    names = ["total", "hardware", "firmware: fan speed", "firmware: power"]
    extra = ["hardware, at equal noise", *(f"further {i}" for i in range(9))]
    names = [*names, *extra][: len(estimates)]
    table = table_of(estimates).assign(part=names)
    draws = xr.Dataset({"improvement_k": (("part", "draw"), values_of(estimates))}, {"part": names})
    builds = tuple(
        Build(cooler_model=f"Alder-C{i}", board_model=f"Alder-B{i}", label=f"Alder r{i}")
        for i in (1, 2)
    )
    setting = SimpleNamespace(flow_speed=1800.0, power_w=200.0)
    return Attribution(
        **usual("attribution", table, draws, caveats, fit), builds=builds,
        conditions=Conditions(), before_c=80.0, after_c=70.0,
        settings={build.name: setting for build in builds}, corners=pd.DataFrame(),
        changes=pd.DataFrame(
            [("sound level", 1.0, -0.5, 2.5)], columns=["quantity", "change", "low", "high"]
        ),
        kelvin_per_db=pd.DataFrame(), main_parts=tuple(names[1:4]), scope="specimens",
    )  # fmt: skip


def chain(estimates, caveats, fit):
    steps = [f"B{i} → B{i + 1}" for i in range(len(estimates) - 1)]
    table = table_of(estimates).assign(
        part=[*steps, "total"], kind=[*["step"] * len(steps), "total"], basis="measured"
    )
    draws = xr.Dataset({"improvement_k": (("part", "draw"), values_of(estimates))})
    return Chain(
        **usual("chain of builds", table, draws, caveats, fit), before_c=80.0, after_c=70.0,
        builds=tuple(f"B{i}" for i in range(len(estimates))), assemblies={}, missing=(),
        conditions=Conditions(), scope="specimens",
    )  # fmt: skip


def ranking(estimates, caveats, fit):
    table = table_of(estimates).rename(columns=lambda name: name.replace("_k", "_c"))
    table["product"] = [f"Card {i}" for i in range(len(table))]
    table[["mean_c", "low_c", "high_c"]] += 70.0
    table.loc[table["health"] == WITHHELD, ["low_c", "high_c"]] = NAN
    values = values_of(estimates)
    reached = table["mean_c"].notna().to_numpy()
    best = np.full(len(table), NAN)
    if reached.any():
        coolest = values[reached].argmin(axis=0)
        best[reached] = [np.mean(coolest == i) for i in range(reached.sum())]
    table["p_best"] = best
    table = table.sort_values("mean_c", ignore_index=True)
    table["group"] = pd.array(np.arange(1, len(table) + 1), "Int64")
    return Ranking(
        **usual("ranking", table, xr.Dataset(), caveats, fit), conditions=Conditions(),
        matters_k=1.0, scope="product line",
    )  # fmt: skip


def margin(estimates, caveats, fit):
    draws, health, _ = estimates[0]
    known = draws is not None and health != WITHHELD
    over = float(np.mean(draws > 0.0)) if known else NAN
    table = pd.DataFrame({"ambient_c": [35.0], "mean_c": [100.0], "health": [health]})
    return Margin(
        **usual("margin", table, xr.Dataset(coords={"draw": range(400)}), caveats, fit),
        build="Alder r1", conditions=Conditions(ambient_c=35.0), limit_c=100.0, risk=0.05,
        p_exceed=over, margin_k=-float(draws.mean()) if known else NAN, turn_down=None,
        ambient_at_limit_c=NAN, ambient_at_limit_interval_c=(NAN, NAN), ambient_at_most_c=NAN,
        ambient_at_most_interval_c=None, firmware=None, case_rise_k=0.0, altitude_m=None,
        sensor="memory", scope="product line",
    )  # fmt: skip


MAKERS = dict(zip(KINDS, (separation, attribution, chain, ranking, margin), strict=True))


@st.composite
def estimates(draw):
    """Draws about a mean of any size, or withheld, or missing; from the data or not."""
    if draw(st.integers(0, 9)) == 0:
        return None, "", NAN
    seed, mean, sd = draw(st.integers(0, 99)), draw(st.floats(-6, 6)), draw(st.floats(0.1, 8))
    values = np.random.default_rng(seed).normal(mean, sd, 400)
    health = draw(st.sampled_from(["ok", "ok", WITHHELD, "ok; rests on the assumed spread of x"]))
    return values, health, draw(st.sampled_from([0.95, 0.3, NAN]))


@st.composite
def answers(draw):
    fit = stand_in_fit(draw(st.sampled_from(["ok", "caution", "bad"])), draw(st.integers(1, 3)))
    caveats = draw(st.lists(st.sampled_from([*SEVERE, *MILD]), unique=True))
    kind = draw(st.sampled_from(KINDS))
    return MAKERS[kind](draw(st.lists(estimates(), min_size=5, max_size=7)), caveats, fit)


ANY = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@ANY
@given(answers())
def test_what_turns_the_meaning_stands_in_every_length(answer):
    for length in LENGTHS:
        text = statement(answer, length).text
        if answer.health == "bad":
            assert "failed its own checks" in text
        if answer.health == "caution":
            assert "with reservations only" in text
        for caveat in answer.caveats:
            if caveat in SEVERE:
                assert caveat.split(". Fix:")[0].split("; test")[0].split(": measure")[0] in text
        rows = answer.fits[0].design.rows
        if rows["cooler_id"].nunique() == 2:
            assert "Only one specimen each was tested of" in text


@ANY
@given(answers())
def test_a_longer_text_leaves_nothing_out(answer):
    short, medium, long = (set(sentences(statement(answer, length))) for length in LENGTHS)
    assert short <= medium <= long
    assert set(map(tidy, answer.caveats)) & set(map(tidy, MILD)) <= set(long)


def sentences(said):
    return [tidy(part) for part in re.split(r"(?<=[.])\s+(?=[A-Z0-9])", said.text)]


def tidy(text):
    return text.strip().rstrip(".")


@ANY
@given(answers())
def test_a_withheld_number_is_a_range_and_nothing_more(answer):
    for finding in statement(answer, "long").findings:
        if finding.strength is Strength.NOT_KNOWN:
            numbers = re.findall(r"−?\d+\.\d", finding.sentence.split("cannot be said")[-1])
            assert len(numbers) in (0, 2)
            assert not re.search(r"probably|\bruns \d|made (?:it|the \w+) \d", finding.sentence)
    withheld = (answer.table["health"] == WITHHELD).sum()
    if answer.kind in ("separation", "chain of builds"):
        assert statement(answer, "short").text.count("cannot be said from these runs") >= withheld


@ANY
@given(answers())
def test_words_are_no_stronger_than_the_draws(answer):
    """Held against the draws themselves, and not against what the statement made of them."""
    name = {"separation": "effect_k", "attribution": "improvement_k"}.get(
        answer.kind, "improvement_k"
    )
    if name not in answer.draws:
        return
    label = "contrast" if answer.kind == "separation" else "part"
    said = statement(answer, "long")
    for row, draws in zip(answer.table.to_dict("records"), answer.draws[name].data, strict=True):
        size = f" {abs(row['mean_k']):.1f} K ("
        alike = np.abs(np.abs(answer.table["mean_k"]) - abs(row["mean_k"])) < 0.2
        if not np.isfinite(row["mean_k"]) or np.sum(alike) > 1:
            continue
        chance = np.mean(np.sign(draws) == np.sign(draws.mean()))
        assumed = row["data_share"] < 0.5 or "assumed" in row["health"]
        for sentence in (f.sentence for f in said.findings if size in f.sentence):
            if "cannot be said" in sentence:
                continue
            claimed = next(
                (s for s, w in WORDINGS.items() if w.adverb and w.adverb in sentence),
                Strength.CLEAR,
            )
            assert chance >= WORDINGS[claimed].chance, (row[label], sentence)
            assert answer.health != "bad", "a side was stated of a bad fit"
            if assumed or answer.health == "caution":
                assert claimed <= Strength.PROBABLE
            if assumed:
                assert ON_ASSUMPTIONS in sentence


@ANY
@given(answers())
def test_a_statement_passes_its_own_check(answer):
    for length in LENGTHS:
        said = statement(answer, length)
        assert said.check(said.text) == said.text


@ANY
@given(answers(), st.sampled_from(["proves", "guarantees", "certainly shows", "always"]))
def test_words_that_no_test_supports_are_refused_of_every_answer(answer, word):
    with pytest.raises(InputError, match="Words stronger than the evidence"):
        statement(answer).check(f"This {word} that the new card is cooler.")


def sure(mean=5.0):
    return np.random.default_rng(1).normal(mean, 0.5, 400), "ok", 0.95


def unsure():
    return np.random.default_rng(1).normal(0.2, 3.0, 400), "ok", 0.95


def withheld():
    return np.random.default_rng(1).normal(3.0, 3.0, 400), WITHHELD, 0.02


@pytest.mark.parametrize(
    ("parts", "text", "refused"),
    [
        ([sure(), sure()], "With cooler New-0 it clearly runs cooler than with Old-0.", None),
        ([unsure(), sure()], "New-0 runs cooler than Old-0.", "without a hedge"),
        ([unsure(), sure()], "New-0 is clearly better than Old-0.", "'open'"),
        ([unsure(), sure()], "New-0 probably beats Old-0.", "'open'"),
        ([unsure(), sure()], "Whether New-0 beats Old-0 is not clear.", None),
        ([unsure(), sure()], "New-0 is not clearly better than Old-0.", None),
        ([unsure(), sure()], "New-0 makes no difference against Old-0.", "does not show that two"),
        ([withheld(), sure()], "Cooler New-0 brings 3.0 K over Old-0.", "'not known'"),
        ([withheld(), sure()], "The gain is due to cooler New-0 against Old-0.", "'not known'"),
        ([sure(), sure()], "Every Alder card runs cooler with New-0.", "only the tested specimens"),
        ([sure(), sure()], "It is definitely a better cooler.", "no test of this kind"),
        ([unsure(), unsure()], "The new one runs cooler.", "without a hedge"),
    ],
)  # fmt: skip
def test_an_edited_text_is_weighed_clause_by_clause(parts, text, refused):
    said = statement(separation(parts, [], stand_in_fit(specimens=1)))
    if refused is None:
        assert said.check(text) == text
    else:
        with pytest.raises(InputError, match=refused):
            said.check(text)


def test_all_overclaims_are_listed_at_once_with_their_clauses():
    said = statement(separation([unsure(), withheld()], [], stand_in_fit()))
    with pytest.raises(InputError) as caught:
        said.check("New-0 clearly beats Old-0. Cooler New-1 brings 4 K over Old-1.")
    faults = caught.value.faults
    assert {fault.column for fault in faults} == {"clause 1", "clause 2"}


def test_an_answer_that_hangs_on_the_model_is_open_and_named():
    answer = separation([sure(), sure()], [], stand_in_fit())
    table = pd.DataFrame({"answer": ["cooler: New-0 minus Old-0"], "verdict": ["model-dependent"]})
    beside = ModelComparison(
        **usual("model comparison", pd.DataFrame(), xr.Dataset(), (), answer.fits[0]),
        answers=table, models={}, best="plain",
    )  # fmt: skip
    alone, both = (statement(items, "medium") for items in (answer, [answer, beside]))
    assert "With cooler New-0 the memory runs" in alone.text
    assert "Whether the memory runs cooler or warmer with cooler New-0" in both.text
    assert "These hang on the model" in both.text
    assert "New-1" not in both.text.split("These hang on the model")[1]


@pytest.mark.parametrize(
    ("given", "length", "message"),
    [
        ([], "short", "nothing to state"),
        (["x"], "short", "item 0"),
        (None, "tiny", "no such length"),
    ],
)
def test_what_cannot_be_stated_is_named(given, length, message):
    items = separation([sure()], [], stand_in_fit()) if given is None else given
    with pytest.raises(InputError, match=message):
        statement(items, length)


@pytest.mark.parametrize(
    ("word", "least"), [("probably", 0.66), ("very probably", 0.90), ("", 0.99)]
)
def test_words_are_used_later_than_the_climate_panel_uses_them(word, least):
    """Mastrandrea et al. 2010, guidance note on uncertainties for AR5 authors, table 1.

    "likely" 66-100 %, "very likely" 90-100 %, "virtually certain" 99-100 % (from memory).
    """
    chance = min(w.chance for s, w in WORDINGS.items() if w.adverb == word and s > Strength.OPEN)
    assert chance >= least


def test_strengths_follow_the_chance_and_stay_below_their_cap():
    assert strength_of(0.995) is Strength.CLEAR
    assert strength_of(0.96) is Strength.VERY_PROBABLE
    assert strength_of(0.92) is Strength.PROBABLE
    assert strength_of(0.89) is Strength.OPEN
    assert strength_of(0.995, Strength.PROBABLE) is Strength.PROBABLE


def test_answers_of_a_real_fit_and_of_several_sensors(small_fit):
    fix = tc.attribute(small_fit, "Alder r1 / fw 1", "Alder r2 / fw 2")
    beside = tc.attribute_sensors([small_fit], "Alder r1 / fw 1", "Alder r2 / fw 2")
    alone = tc.separate(small_fit)
    said = tc.statement([fix, alone], "short")
    assert "At equal noise the hardware of Alder r2 / fw 2" in said.text
    assert "What board Alder-B2 does against Alder-B1 cannot be said" in said.text
    assert "Only one specimen each was tested of Alder-B1, Alder-B2" in said.text
    assert f"{small_fit.results['run'].nunique()} runs on" in said.text
    assert str(said) == said.text
    assert tc.statement(beside, "short").text == tc.statement(fix, "short").text


def test_the_page_of_words_is_that_of_the_code():
    page = (Path(__file__).parents[3] / "docs" / "statement.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| (\w[\w ]*) \| ([^|]*) \|", page, re.MULTILINE)
    stated = dict(rows)
    for strength, wording in WORDINGS.items():
        if strength > Strength.OPEN:
            assert f"{wording.chance:.0%}".rstrip("%") in stated[wording.name]
        assert wording.name in stated
        assert wording.adverb in page


def test_a_caveat_about_a_part_of_the_hardware_is_none_about_the_hardware():
    other = (
        "Slightly different priors would change these more than the rows do: of the hardware: "
        "board (by the prior of 'board_model sd'). Fix: see fit.priors.table."
    )
    own = other.replace("of the hardware: board", "hardware")
    plain, doubted = (
        statement(attribution([sure()] * 5, [caveat], stand_in_fit()), "medium").text
        for caveat in (other, own)
    )
    assert "The hardware made the memory 5.0 K" in plain
    assert ON_ASSUMPTIONS not in plain
    assert "The hardware probably made the memory 5.0 K" in doubted
    assert doubted.count(ON_ASSUMPTIONS) == 2, "at equal noise too"


def test_a_margin_on_assumptions_is_probable_at_most():
    far = np.random.default_rng(2).normal(-9.0, 1.0, 400), "ok", NAN
    caveat = "the rise of Alder r1: It rests on the assumed spread of cooler specimens."
    plain, doubted = (
        statement(margin([far], caveats, stand_in_fit()), "short").text
        for caveats in ([], [caveat])
    )
    assert "Alder r1 stays below 100 °C" in plain
    assert "Alder r1 probably stays below 100 °C" in doubted
    assert ON_ASSUMPTIONS in doubted
