"""The page in a real browser: nothing overflows, figures are legible, folded parts are printed."""

import html
import json
import re
import shutil
import subprocess

import pytest

import thermcmp as tc

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "microsoft-edge")
#: Writes what the browser measured into the page's title, where a dump of the page shows it.
MEASURE = """
<script>
const wide = [...document.querySelectorAll('main *')].filter(e => !e.closest('.wide table') &&
  !e.closest('details:not([open])') && e.getBoundingClientRect().right > innerWidth + 1);
const figures = [...document.querySelectorAll('section:not(:has(details:not([open]) img)) img')]
  .filter(e => e.clientWidth);
document.title = JSON.stringify({
  width: innerWidth, over: document.documentElement.scrollWidth - innerWidth,
  wide: wide.map(e => e.tagName + ' ' + (e.className || '')).slice(0, 5),
  cut: [...document.querySelectorAll('.wide')].filter(e => e.scrollWidth > e.clientWidth + 1)
    .map(e => e.getAttribute('aria-label')),
  shrunk: figures.map(e => e.clientWidth / e.naturalWidth),
  sizes: [...document.querySelectorAll('main p, main li, main td')]
    .map(e => parseFloat(getComputedStyle(e).fontSize))
    .reduce((least, size) => Math.min(least, size), 99),
  top: document.querySelector('.count').getBoundingClientRect().bottom,
});
</script>
"""


@pytest.fixture(scope="module")
def browser():
    found = next(filter(None, map(shutil.which, BROWSERS)), None)
    if found is None:
        pytest.skip("no browser is installed")
    return found


@pytest.fixture(scope="module")
def page(small_fit, tmp_path_factory):
    old, new = "Alder r1 / fw 1", "Alder r2 / fw 2"
    answers = [
        tc.attribute(small_fit, old, new),
        tc.separate(small_fit),
        tc.rank(small_fit),
        tc.margin(small_fit, old, ambient_c=35.0, limit_c=100.0),
    ]
    return tc.report(answers, tmp_path_factory.mktemp("page") / "page.html", fit=small_fit)


def run(browser, folder, *options):
    command = [browser, "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"]
    profile = f"--user-data-dir={folder / 'profile'}"
    done = subprocess.run(
        [*command, profile, *options], capture_output=True, text=True, timeout=180, check=False
    )
    return done.stdout


def measured(browser, page, folder, width):
    """What a browser window of a width makes of the page."""
    text = page.read_text(encoding="utf-8")
    # The page itself runs no script; the copy that is measured does.
    text = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", text)
    # A window is at least 500 pixels wide: a narrower one is a frame in it.
    (folder / "copy.html").write_text(text.replace("</body>", MEASURE + "</body>"), "utf-8")
    frame = (
        f"<iframe id=f src=copy.html style='width:{width}px;height:900px;border:0'></iframe>"
        "<script>onload = () => { document.title = document.getElementById('f')"
        ".contentDocument.title }</script>"
    )
    (folder / "frame.html").write_text(f"<!DOCTYPE html>{frame}", "utf-8")
    shown = run(
        browser, folder, "--allow-file-access-from-files", "--window-size=1600,1000",
        "--virtual-time-budget=8000", "--dump-dom", (folder / "frame.html").as_uri(),
    )  # fmt: skip
    return json.loads(html.unescape(re.search("<title>(.*?)</title>", shown, re.S).group(1)))


@pytest.mark.parametrize("width", [360, 768, 1100, 1440])
def test_nothing_is_wider_than_the_window_and_text_is_legible(browser, page, tmp_path, width):
    seen = measured(browser, page, tmp_path, width)
    assert seen["width"] == width
    assert seen["over"] <= 0
    assert seen["wide"] == []
    assert seen["sizes"] >= 12.0
    # The least letters of a figure have 7.5 points, 10 pixels; 7 on a screen is legible.
    assert min(seen["shrunk"]) >= 0.7


def test_a_margins_table_fits_at_1100_pixels(browser, page, tmp_path):
    seen = measured(browser, page, tmp_path, 1100)
    assert not [name for name in seen["cut"] if "against 100 °C" in name]


def test_result_figure_and_count_are_on_the_first_screen(browser, page, tmp_path):
    assert measured(browser, page, tmp_path, 1440)["top"] <= 900
    assert measured(browser, page, tmp_path, 360)["top"] <= 900


def printed(browser, page, folder, width=1280):
    """The bytes of the page printed from a window of a width."""
    target = folder / f"{page.stem}.pdf"
    options = (f"--window-size={width},900", "--no-pdf-header-footer", f"--print-to-pdf={target}")
    run(browser, folder, *options, page.as_uri())
    return target.read_bytes()


def sheets(browser, page, folder):
    return len(re.findall(rb"/Type\s*/Page\b", printed(browser, page, folder)))


def test_a_narrow_window_prints_the_figures_of_a_sheet(browser, page, tmp_path):
    sizes = {len(printed(browser, page, tmp_path, width)) for width in (600, 1280)}
    # Dates and identifiers in the file differ by a few bytes; the other figures by thousands.
    assert max(sizes) - min(sizes) < 500


def test_folded_parts_are_printed(browser, page, tmp_path):
    text = page.read_text(encoding="utf-8")
    assert "<details>" in text
    stuffed, unfolded = tmp_path / "stuffed.html", tmp_path / "unfolded.html"
    text = text.replace("</summary>", "</summary>" + "<p>One more line.</p>" * 200, 1)
    stuffed.write_text(text, "utf-8")
    unfolded.write_text(text.replace("<details>", "<details open>"), "utf-8")
    whole = sheets(browser, stuffed, tmp_path)
    assert whole == sheets(browser, unfolded, tmp_path)
    assert whole >= sheets(browser, page, tmp_path) + 3


def test_the_summary_is_two_printed_sheets(browser, page, tmp_path):
    text = page.read_text(encoding="utf-8")
    summary = tmp_path / "summary.html"
    summary.write_text(text.partition('<section class="appendix"')[0] + "</main></body></html>")
    assert sheets(browser, summary, tmp_path) <= 2
