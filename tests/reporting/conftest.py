"""Answers with chosen numbers, and one small real fit, for the reporting tests."""

from functools import partial

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from thermcmp.model.conditions import Build, Conditions
from thermcmp.questions.attribution.answer import Attribution
from thermcmp.questions.attribution.figure import attribution_figure
from thermcmp.questions.interval_plot import interval_figure
from thermcmp.questions.limit_margin.answer import Margin
from thermcmp.questions.limit_margin.figure import margin_figure
from thermcmp.questions.ranking.figure import ranking_figure
from thermcmp.questions.ranking.question import Ranking
from thermcmp.questions.separation.question import Separation

NAN = float("nan")


def make_answer(
    kind, title, table, draw, sentences=("It is so.",), caveats=(), *, answer_class, **values
):
    return answer_class(
        kind=kind,
        title=title,
        table=pd.DataFrame(table),
        draws=xr.Dataset(),
        sentences=tuple(sentences),
        caveats=tuple(caveats),
        prob=0.9,
        draw_figure=draw,
        **values,
    )


@pytest.fixture(scope="session")
def separation():
    table = {
        "factor": ["cooler_model", "board_model", "lab"],
        "contrast": ["Alder-C2 − Alder-C1", "Alder-B2 − Alder-B1", "South − North"],
        "mean_k": [-6.31, -0.8, NAN],
        "sd_k": [0.6, 1.1, NAN],
        "low_k": [-7.2, -2.6, NAN],
        "high_k": [-5.3, 0.9, NAN],
        "data_share": [0.98, 0.31, NAN],
        "aliased_with": ["", "memory_vendor", ""],
        "health": ["ok", "aliased", "one lab only"],
    }
    return make_answer(
        "separation",
        "Separation of <memory> & more",
        table,
        partial(interval_figure, label=("factor", "contrast")),
        ["Alder-C2 runs the memory 6.3 K cooler.", "The rest is small."],
        ["Board and vendor are aliased: a swap would separate them."],
        answer_class=Separation,
        scope="specimens",
        matters_k=1.0,
    )


@pytest.fixture(scope="session")
def attribution():
    table = {
        "part": ["hardware", "fan speed", "power", "total"],
        "mean_k": [6.5, 3.8, -0.6, 9.7],
        "sd_k": [0.6, 0.3, 0.2, 0.7],
        "low_k": [5.5, 3.3, -0.9, 8.3],
        "high_k": [7.5, 4.3, -0.3, 10.5],
        "noise_db": [NAN, 4.6, NAN, 4.6],
        "health": ["ok"] * 4,
    }
    return make_answer(
        "attribution",
        "From r1 to r2",
        table,
        attribution_figure,
        ["Hardware gives 6.5 K."],
        answer_class=Attribution,
        builds=tuple(
            Build(cooler_model=f"Alder-C{n}", board_model=f"Alder-B{n}", label=f"Alder r{n}")
            for n in (1, 2)
        ),
        conditions=Conditions(),
        before_c=87.0,
        after_c=77.3,
        settings={},
        corners=pd.DataFrame(),
        changes=pd.DataFrame(),
        kelvin_per_db=pd.DataFrame(),
        main_parts=("hardware", "fan speed", "power"),
        scope="specimens",
    )


@pytest.fixture(scope="session")
def ranking():
    table = {
        "product": ["Birch", "Alder", "Cedar", "Oak"],
        "mean_c": [79.0, 77.0, 82.0, NAN],
        "low_c": [78.0, 76.0, 81.0, NAN],
        "high_c": [80.0, 78.0, 83.0, NAN],
        "p_best": [0.1, 0.9, 0.0, NAN],
        "group": ["AB", "A", "B", None],
        "health": ["ok", "ok", "ok", "no noise reading"],
    }
    return make_answer(
        "ranking",
        "Ranking",
        table,
        ranking_figure,
        ["Alder is coolest."],
        answer_class=Ranking,
        conditions=Conditions(),
        matters_k=1.0,
        scope="product line",
    )


@pytest.fixture(scope="session")
def margin():
    ambient = np.arange(20.0, 46.0, 1.0)
    mean = 66.0 + ambient
    table = {
        "ambient_c": ambient,
        "mean_c": mean,
        "low_c": mean - 2.0,
        "high_c": mean + 2.0,
        "p_exceed": np.clip((mean - 100.0) / 8.0, 0.0, 1.0),
        "health": "ok",
    }
    return make_answer(
        "margin",
        "Margin",
        table,
        margin_figure,
        ["Enough margin at 35 °C."],
        answer_class=Margin,
        build="Alder r1",
        conditions=Conditions(ambient_c=35.0),
        limit_c=105.0,
        risk=0.05,
        p_exceed=0.2,
        margin_k=4.0,
        turn_down=None,
        ambient_at_limit_c=39.0,
        ambient_at_limit_interval_c=(37.0, 41.0),
        ambient_at_most_c=NAN,
        ambient_at_most_interval_c=None,
        firmware=None,
        case_rise_k=0.0,
        altitude_m=None,
        sensor="memory",
        scope="specimens",
    )


@pytest.fixture(scope="session")
def answers(separation, attribution, ranking, margin):
    return [separation, attribution, ranking, margin]


@pytest.fixture(scope="session")
def small_fit():
    from thermcmp.inference.fitting import fit
    from thermcmp.simulation import simulate

    results = simulate("revision study", seed=3, remounts=1).results
    return fit(results, sensor="memory", seed=1)
