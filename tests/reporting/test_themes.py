"""Figures on dark pages and in grey print."""

import colorsys
import re

import pytest

import thermcmp as tc
from tests.reporting.test_accessibility import contrast
from thermcmp.questions.plot_style import INK, MAIN, QUIET, WARM
from thermcmp.questions.themes import THEMES


@pytest.mark.parametrize("theme", ["dark", "print"])
def test_text_and_lines_stand_out_in_every_theme(theme):
    colours = THEMES[theme]
    for colour in (INK, QUIET, MAIN, WARM):
        assert contrast(colours[colour], colours["#ffffff"]) >= 4.5


def test_print_has_greys_only():
    for colour in THEMES["print"].values():
        parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
        assert colorsys.rgb_to_hsv(*parts)[1] == 0.0


@pytest.mark.parametrize("theme", ["dark", "print"])
def test_no_colour_of_the_light_theme_is_left(answers, tmp_path, theme):
    for place, answer in enumerate(answers):
        path = answer.save_plot(tmp_path / f"{place}.svg", theme=theme)
        used = set(re.findall(r"#[0-9a-f]{6}", path.read_text(encoding="utf-8")))
        gone = set(THEMES[theme]) - set(THEMES[theme].values())
        assert used and not used & gone
        assert THEMES[theme][QUIET] in used


def test_unknown_themes_and_themes_of_foreign_axes_are_refused(separation):
    with pytest.raises(tc.InputError, match="use one of: light, dark, print"):
        separation.plot(theme="sepia")
    ax = separation.plot()
    with pytest.raises(tc.InputError, match="keep their colours"):
        separation.plot(ax, theme="dark")
