"""Figures whose values show under the pointer."""

import builtins
import json
import re

import pytest

import thermcmp as tc
from thermcmp.errors import InputError


def figure_of(path):
    """The traces and the layout in a page of plotly."""
    text = path.read_text(encoding="utf-8")
    start = text.index("Plotly.newPlot(")
    read, place, parts = json.JSONDecoder(), text.index("[", start), []
    for _ in range(2):
        part, place = read.raw_decode(text, place)
        parts.append(part)
        place = re.compile(r"[\s,]*").match(text, place).end()
    return text, *parts


def test_a_figure_has_the_means_and_all_cells_under_the_pointer(small_fit, tmp_path):
    answer = tc.attribute(small_fit, "Alder r1 / fw 1", "Alder r2 / fw 2")
    path = answer.save_plot(tmp_path / "fix.html")
    text, traces, layout = figure_of(path)
    assert "src=" not in re.sub(r"<script[^>]*>.*?</script>", "", text, flags=re.DOTALL)
    shown = [label for trace in traces for label in trace["text"]]
    assert len(shown) == len(answer.table)
    total = f"{answer.table.loc[0, 'mean_k']:.1f}"
    assert any("Part: <b>total</b>" in label and f"<b>{total} (" in label for label in shown)
    assert layout["yaxis"]["ticktext"][0] == "total"
    assert path.read_bytes() == answer.save_plot(tmp_path / "again.html").read_bytes()


def test_a_withheld_row_has_a_range_and_no_mean(small_fit, tmp_path):
    answer = tc.separate(small_fit)
    withheld = answer.shown_table["mean_k"].isna()
    assert withheld.any()
    _, traces, _ = figure_of(answer.save_plot(tmp_path / "parts.html"))
    (ranges,) = [trace for trace in traces if trace["name"] == "range only"]
    assert len(ranges["text"]) == withheld.sum()
    assert all("range only" in label for label in ranges["text"])


def test_names_are_text_and_not_markup(separation, tmp_path):
    text, _, layout = figure_of(separation.save_plot(tmp_path / "p.html"))
    assert "&lt;memory&gt;" in layout["title"]["text"]
    assert "<memory>" not in text


def test_without_the_library_the_cure_is_named(separation, tmp_path, monkeypatch):
    real = builtins.__import__

    def without(name, *rest, **more):
        if name.startswith("plotly"):
            raise ImportError(name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(InputError, match=r"pip install 'thermcmp\[interactive\]'"):
        separation.save_plot(tmp_path / "p.html")
    assert not list(tmp_path.iterdir())
