"""What readers with a screen reader, a keyboard or weak eyes need of the page.

The rules are those of the Web Content Accessibility Guidelines 2.2 (W3C recommendation, 2023),
named beside each check by their number; the formula of contrast is from its definitions of
"relative luminance" and "contrast ratio".
"""

import re
from html.parser import HTMLParser
from importlib import resources

import pytest

from thermcmp.questions import plot_style
from thermcmp.reporting.document import report


class Words(HTMLParser):
    """Attributes of the tags, and the words inside links, headings and summaries."""

    def __init__(self):
        super().__init__()
        self.tags, self.inside, self.named = [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag in ("a", "summary", "h1", "h2", "h3", "th", "caption"):
            self.inside.append((tag, len(self.named)))
            self.named.append([tag, ""])

    def handle_endtag(self, tag):
        if self.inside and self.inside[-1][0] == tag:
            self.inside.pop()

    def handle_data(self, data):
        for _, place in self.inside:
            self.named[place][1] += data


@pytest.fixture(scope="module")
def read(answers, small_fit, tmp_path_factory):
    path = report(answers, tmp_path_factory.mktemp("audit") / "p.html", fit=small_fit)
    page = Words()
    page.feed(path.read_text(encoding="utf-8"))
    return page


def luminance(colour):
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_formula_of_contrast_gives_the_known_ends():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") < 4.5 < contrast("#767676", "#ffffff")


def test_every_colour_of_text_stands_out_from_the_paper():
    """1.4.3 Contrast (Minimum): 4.5 : 1."""
    css = (resources.files("thermcmp") / "reporting" / "templates" / "page.css").read_text("utf-8")
    colours = dict(re.findall(r"--(\w+): (#\w{6})", css))
    used = set(re.findall(r"[{; ]color: ?var\(--(\w+)\)", css))
    assert {"ink", "quiet", "main", "warm"} <= used
    fixed = re.findall(r"[{; ]color: ?(#\w{6})", css)
    for colour in (*(colours[name] for name in used), *fixed):
        assert contrast(colour, colours["paper"]) >= 4.5


def test_the_text_of_figures_stands_out_from_its_ground():
    """1.4.3 for images of text."""
    colours = {
        name: value
        for name, value in vars(plot_style).items()
        if isinstance(value, str) and re.fullmatch(r"#[0-9a-fA-F]{6}", value)
    }
    assert colours
    text = {name: colour for name, colour in colours.items() if name in ("INK", "QUIET", "TEXT")}
    assert text
    assert all(contrast(colour, "#ffffff") >= 4.5 for colour in text.values())


def test_landmarks_lead_through_the_page(read):
    """1.3.1 Info and Relationships, 2.4.1 Bypass Blocks."""
    tags = [tag for tag, _ in read.tags]
    assert [tags.count(name) for name in ("main", "header", "footer")] == [1, 1, 1]
    ids = {attrs["id"] for _, attrs in read.tags if "id" in attrs}
    for tag, attrs in read.tags:
        if tag in ("section", "nav") or attrs.get("role") == "region":
            label = attrs.get("aria-labelledby")
            assert attrs.get("aria-label") or label in ids
    first = next(attrs for tag, attrs in read.tags if tag == "a")
    assert first["class"] == "skip" and first["href"][1:] in ids


def test_everything_named_has_a_name(read):
    """1.1.1 Non-text Content, 2.4.4 Link Purpose, 2.4.6 Headings and Labels, 3.1.1, 2.4.2."""
    assert dict(read.tags)["html"]["lang"] == "en"
    assert all(words.strip() for tag, words in read.named if tag != "th")
    links = [words.strip().lower() for tag, words in read.named if tag == "a"]
    assert not {"here", "click here", "more", "link"} & set(links)
    alts = [attrs.get("alt", "") for tag, attrs in read.tags if tag == "img"]
    assert alts and all(len(alt) > 40 for alt in alts)
    heads = [words for tag, words in read.named if tag == "th"]
    assert all(words.strip() for words in heads)


def test_the_keyboard_reaches_what_scrolls_and_shows_where_it_is(read):
    """2.1.1 Keyboard, 2.4.7 Focus Visible."""
    css = (resources.files("thermcmp") / "reporting" / "templates" / "page.css").read_text("utf-8")
    assert not re.search(r"outline: ?(none|0)", css)
    assert ".wide:focus-visible" in css and ".skip:focus" in css
    wide = [attrs for tag, attrs in read.tags if attrs.get("class") == "wide"]
    assert wide and all(attrs["tabindex"] == "0" and attrs["aria-label"] for attrs in wide)
    assert all(int(attrs.get("tabindex", 0)) <= 0 for _, attrs in read.tags)


def test_the_page_may_be_enlarged(read):
    """1.4.4 Resize Text."""
    view = next(a for tag, a in read.tags if tag == "meta" and a.get("name") == "viewport")
    assert not re.search("maximum-scale|user-scalable", view["content"])
