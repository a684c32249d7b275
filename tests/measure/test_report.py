import base64
from html.parser import HTMLParser

import jinja2
import numpy as np
import pytest

from calib.refusal import Notice
from measure.annotate import annotate
from measure.page import fill_page
from measure.report import trace_report
from measure.result import LeftOut
from measure.units import INCHES
from tests.measure.exact_shapes import cone, gapped_result, result_of, stepped

VOID = {"meta", "img", "br", "link", "input", "hr"}
PICTURE = b"\xff\xd8 a picture \xff\xd9"


class Page(HTMLParser):
    """What a page holds; an unbalanced tag raises."""

    def __init__(self, html):
        super().__init__()
        self.open, self.tags, self.links, self.words = [], [], [], []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.links += [v for k, v in attrs if k in ("src", "href", "data", "action", "srcset")]
        assert not [k for k, _ in attrs if k.startswith("on")]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())


def page_of(result, **options):
    return Page(trace_report(result, PICTURE, **options))


def test_the_page_needs_nothing_beside_it():
    html = trace_report(gapped_result(), PICTURE)
    page = Page(html)
    assert [link[:23] for link in page.links] == ["data:image/jpeg;base64,"]
    assert base64.b64decode(page.links[0][23:]) == PICTURE
    assert not {"script", "iframe", "link", "object", "embed"} & set(page.tags)
    assert "@import" not in html
    assert "url(" not in html
    assert html.replace("http://www.w3.org/2000/svg", "").count("http") == 0


def test_warnings_stand_above_the_numbers():
    text = page_of(gapped_result()).text
    assert "The lens is not known well. Calibrate it with calib lens." in text
    assert text.index("The lens is not known well") < text.index("Largest")


def test_headline_numbers():
    text = page_of(result_of(cone())).text
    assert "Length 100.0 ±0.25 mm" in text
    assert "Largest seen 60.0 ±0.12 mm at 100 mm" in text
    assert "Smallest seen 20.0 ±0.12 mm at 0 mm" in text


def test_every_station_is_tabled_and_no_gap_is_filled():
    text = page_of(gapped_result(), every_mm=4.0).text
    for z in (0, 36, 40, 52, 96, 100):
        assert f" {z} {20 + 0.4 * z:.1f} 0.12 0.08 " in text
    assert " 44 37.6 " not in text
    assert "40 to 52 mm: hidden behind a bead" in text


def test_it_says_what_the_spread_means_and_gives_the_cautions():
    text = page_of(result_of(cone())).text
    for words in ("What the ± means", "Stop the lathe", "chuck key out", "bank card"):
        assert words in text


def test_shoulders_are_named():
    assert "shoulder 50.1 25.0 / 52.0 0.12" in page_of(result_of(stepped())).text


def test_inches_change_every_number_on_the_page():
    text = page_of(result_of(cone()), units=INCHES).text
    assert "Length 3 15/16 in (3.937 ±0.010)" in text
    assert "Every 1/4 in" in text
    assert " mm" not in text.replace("pixels a mm", "")
    assert " 1 1 3/16 1.187 0.005 0.004 " in text


@pytest.mark.parametrize(
    "word", ["<script>alert(1)</script>", '"><img src=x onerror=y>', "{{7*7}}"]
)
def test_names_and_words_cannot_break_the_page(word):
    result = result_of(
        cone(),
        photo_name=word + ".jpg",
        scale_from=word,
        lens_from=word,
        left_out=(LeftOut(1.0, 2.0, word),),
        notices=(Notice("n", word, word),),
    )
    page = page_of(result)
    assert page.tags.count("img") == 1
    assert "script" not in page.tags
    assert word in page.text
    assert "49" not in page.text.split("What was measured")[0]


def test_a_cut_piece_says_so():
    cut = result_of(cone(), z_zero="cut", length_mm=None, length_u95_mm=None)
    assert "Length not known, z = 0 is a cut" in page_of(cut).text


def test_a_page_with_a_value_missing_is_misuse():
    with pytest.raises(jinja2.UndefinedError):
        fill_page("trace.html", title="x")


def test_the_true_picture_fits_into_the_page():
    jpeg = annotate(np.full((1512, 2016, 3), 120, np.uint8), result_of(cone()))
    page = Page(trace_report(result_of(cone()), jpeg))
    assert base64.b64decode(page.links[0][23:]) == jpeg
