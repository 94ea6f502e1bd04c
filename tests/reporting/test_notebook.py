"""What a notebook and an interpreter show: short lines, figures, and hints in place of nothing."""

import pytest

import thermcmp as tc
from thermcmp.errors import InputError


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    lab = tc.Library(tmp_path_factory.mktemp("lab") / "bench")
    lab.add(tc.simulate("revision study", seed=3, remounts=1).results)
    return lab


def test_fits_and_answers_are_a_line_each(small_fit):
    answers = [tc.separate(small_fit), tc.rank(small_fit), tc.attribute(
        small_fit, "Alder r1 / fw 1", "Alder r2 / fw 2")]  # fmt: skip
    assert repr(small_fit).startswith("Fit(memory, ")
    assert repr(answers[0]).startswith("Separation('Separation of effects on memory, specimens', ")
    assert repr(answers[1]).startswith("Ranking(")
    for shown in (small_fit, *answers):
        assert "\n" not in repr(shown)
        assert len(repr(shown)) < 200
        assert len(str(shown)) > 500


def test_a_notebook_shows_figure_and_a_readers_headings(small_fit):
    shown = tc.separate(small_fit)._repr_html_()
    assert shown.count('<img src="data:image/svg+xml;base64,') == 1
    assert "<th>Mean (range) [K]</th>" in shown
    assert "mean_k" not in shown
    fit = small_fit._repr_html_()
    assert "Fit of the memory" in fit
    assert "<li>" in fit
    assert "xarray" not in fit


def test_a_library_shows_its_sensors(lab):
    shown = lab._repr_html_()
    rows = lab.results()
    assert f"{len(rows)} rows in 1 files" in shown
    for sensor in rows["sensor"].unique():
        assert f"<td>{sensor}</td>" in shown
    assert "<td>30</td>" in shown or str(rows["run"].nunique()) in shown


def test_a_near_name_is_asked_about_and_a_far_one_finds_nothing(lab):
    with pytest.raises(InputError, match="did you mean 'memory'"):
        lab.results(sensor="Memory")
    with pytest.raises(InputError, match="did you mean 'Alder-C1'"):
        lab.results(cooler_model="Alder-C 1")
    assert lab.results(sensor="vrm").empty
    assert not lab.results(sensor="memory").empty
    # One of several names that is held is an answer.
    assert not lab.results(sensor=["memory", "Junction"]).empty


@pytest.mark.parametrize("value", ["35", True, [35.0]])
def test_conditions_are_numbers(value):
    with pytest.raises(InputError, match="not a number"):
        tc.Conditions(ambient_c=value)


def test_the_face_lists_its_public_names_alone():
    assert {name for name in dir(tc) if not name.startswith("__")} == set(tc.__all__)
