"""The report as text: what stands in it, in which order, and that nothing typed breaks out."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from acquire.errors import ConfigError
from acquire.report.gather import Bench, gather
from acquire.report.html import policy, report_html, round_meant
from acquire.report.markup import Markup, join, safe, tag
from acquire.report.redact import redaction_of
from acquire.report.svg import decimals, duration, ticks
from acquire.report.view import figures

EMPTY = {"meta", "link", "br", "hr", "img"}


class Page(HTMLParser):
    """Every element of a page, in order; fails on one that is closed out of turn."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[tuple[str, str]] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, name, attrs):
        self.elements.append((name, dict(attrs)))
        if name not in EMPTY:
            self.open.append(name)

    def handle_startendtag(self, name, attrs):
        self.elements.append((name, dict(attrs)))

    def handle_endtag(self, name):
        assert self.open.pop() == name

    def handle_data(self, data):
        self.texts.append((self.open[-1] if self.open else "", data))

    @property
    def text(self):
        return " ".join(" ".join(t for where, t in self.texts if where != "style").split())

    def all(self, name):
        return [attrs for found, attrs in self.elements if found == name]


@pytest.fixture(scope="session")
def pages(filled):
    """Two reports of the last round: as it is, and for sharing."""
    from acquire import config
    from acquire.store.records import Records

    settings = config.load(None)
    bench = Bench(settings.quantities, settings.settler, settings.tolerance)
    with Records.open(filled.path) as records:
        hidden = redaction_of(records, hide_places=True, number_waters=True)
        return [
            "".join(report_html(records, "last", bench, now_ms=1_795_200_000_000, **more))
            for more in ({}, {"redaction": hidden})
        ]


@pytest.fixture
def bench(settings):
    return Bench(settings.quantities, settings.settler, settings.tolerance)


def test_the_answer_comes_first_and_every_part_in_its_order(pages):
    page = Page(pages[0])
    heads = re.findall(r"<h2[^>]*>(.*?)</h2>", pages[0])
    assert heads == [
        "What differs",
        "How the numbers came to rest",
        "Over the months",
        "Was the meter right?",
        "Particles",
        "Where each ± comes from",
        "What was done",
        "What these numbers cannot show",
    ]
    text = page.text
    assert text.index("Differs beyond what this probe can tell") < text.index("Quantity by")
    after_verdict = text[text.index("Differs beyond") :]
    assert after_verdict.index("never show that a water is safe") < 700
    assert "cannot prove plastic" in text


def test_numbers_of_the_page_are_those_of_the_store(pages, records, bench):
    found = gather(records, round_meant(records, "last"), bench)
    text = Page(pages[0]).text
    (comparison, *_) = found.comparisons
    ph = next(row for row in comparison.rows if row.quantity == "ph")
    assert ph.verdict == "yes"
    assert f"pH higher by {ph.difference:.3f} ± {ph.expanded_u:.3f}" in text
    finals = [t for t in found.taken if t.capture.role in {"reference", "subject"}]
    for taken in finals:
        for name in ("ph", "temperature"):
            value = taken.capture.values[name]
            if value.phase == "settled":
                digits = 3 if name == "ph" else 2
                assert f"{value.value:.{digits}f} ± {value.expanded_u:.{digits}f}" in text
    assert {t.capture.id for t in finals} <= set(re.findall(r"c\d{7}", text))


def test_every_capture_that_is_no_rinse_has_its_curves_each_with_band_and_moment(pages, records):
    round_ = records.rounds()[-1]
    captures = [records.capture(v.capture_id) for v in round_.visits if v.capture_id]
    drawn = [c for c in captures if c.role != "rinse"]
    names = re.findall(r"<title id=\"figure-\d+-t\">(.*?)</title>", pages[0])
    assert sum(name.startswith("ORP: ") for name in names) == len(drawn)
    assert pages[0].count('class="trace"') == 4 * len(drawn)
    taken = [c for c in drawn if c.state == "final"]
    assert pages[0].count(">captured at ") == 4 * len(taken)


def test_what_was_typed_is_text_wherever_it_stands(pages):
    page = Page(pages[0])
    assert not page.all("script")
    assert not page.all("tap")
    assert "<script>alert('secret')</script>" in page.text
    assert "kitchen <tap> & jug" in page.text
    assert "Sunday <b>kitchen</b>" in page.text
    assert "=cmd|' /C secret'!A0" in page.text


def test_the_page_asks_nothing_of_anybody(pages):
    page = Page(pages[0])
    for name, attrs in page.elements:
        assert not any(key.startswith("on") for key in attrs), (name, attrs)
        assert "style" not in attrs
        for key in ("src", "href", "xlink:href", "action", "data"):
            assert not attrs.get(key) or attrs[key] == "data:,", (name, attrs)
        if attrs.get("clip-path"):
            assert re.fullmatch(r"url\(#figure-\d+-c\)", attrs["clip-path"])
    style = "".join(text for where, text in page.texts if where == "style")
    assert "url(" not in style
    assert "@import" not in style
    assert "default-src 'none'" in policy()
    (csp,) = [a["content"] for a in page.all("meta") if a.get("http-equiv")]
    assert csp == policy()


def test_figures_and_tables_can_be_listened_to(pages):
    page = Page(pages[0])
    assert page.all("html")[0]["lang"] == "en"
    ids = [attrs["id"] for _, attrs in page.elements if "id" in attrs]
    assert len(ids) == len(set(ids))
    for svg in page.all("svg"):
        assert svg["role"] == "img"
        assert all(name in ids for name in svg["aria-labelledby"].split())
    assert len(page.all("svg")) == len(page.all("title")) - 1 == len(page.all("desc"))
    assert len(page.all("table")) == len(page.all("caption"))
    assert all(attrs.get("scope") in {"row", "col"} for attrs in page.all("th"))
    assert {"role": "cell"}.items() <= page.all("td")[0].items()
    levels = [int(name[1]) for name, _ in page.elements if re.fullmatch(r"h[1-6]", name)]
    assert levels[0] == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))


def _luminance(colour):
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_every_colour_of_text_has_the_contrast_of_wcag_aa_on_every_ground(pages):
    # WCAG 2.2, 1.4.3: 4.5 to 1 for text; relative luminance as defined there.
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{3,6});", pages[0]))
    colours = {
        n: c if len(c) == 7 else "#" + "".join(2 * d for d in c[1:]) for n, c in colours.items()
    }
    for text in ("ink", "quiet", "water", "alarm"):
        for ground in ("paper", "band", "wash"):
            light, dark = sorted((_luminance(colours[c]) for c in (text, ground)), reverse=True)
            assert (light + 0.05) / (dark + 0.05) >= 4.5, (text, ground)


def test_what_is_shared_holds_no_place_no_note_and_no_name(pages):
    for secret in (
        "secret",
        "kitchen",
        "SN-4711",
        "Sunday",
        "jug",
        "carbon filter",
        "reverse osmosis",
    ):
        assert secret not in pages[1]
    text = Page(pages[1]).text
    assert "water 4 against water 3" in text
    assert "places and notes left out" in text
    # The numbers are the same.
    numbers = [re.findall(r"\d+\.\d+ ± \d+\.\d+", page) for page in pages]
    assert numbers[0] == numbers[1]


def test_without_readings_the_values_stand_in_a_table(records, bench, monkeypatch):
    monkeypatch.setattr(type(records), "readings", lambda _self, **_more: iter(()))
    text = "".join(report_html(records, "r2", bench, now_ms=0))
    assert 'class="trace"' not in text
    assert "no longer kept (raw_days" in text
    assert "At rest after" in text
    Page(text)


def test_a_round_without_a_reference_still_tells_what_was_captured(records, bench):
    whole = round_meant(records, "r1")
    stops = tuple(replace(stop, role=None) for stop in whole.stops)
    from acquire.report.html import _pieces
    from acquire.report.view import View

    found = gather(records, whole, bench)
    bare = replace(found, round=replace(whole, stops=stops), comparisons=())
    text = "".join(_pieces(View(bare, bench.quantities), 0))
    assert "A round without a comparison" in text
    assert "nothing can be compared" in text
    assert "never show that a water is safe" in text


def test_an_unknown_round_names_those_there_are(records, bench):
    with pytest.raises(ConfigError, match="r3, r2, r1"):
        report_html(records, "nonsense", bench, now_ms=0)
    assert round_meant(records, "last").id == "r3"


def test_it_tells_how_far_it_is(records, bench):
    heard = []
    gather(records, round_meant(records, "r1"), bench, heard=heard.append)
    assert heard[0].startswith("capture 1 of")
    assert heard[-1] == "comparing"


def test_markup_escapes_all_but_markup():
    assert join("<a>", Markup("<b>")) == "&lt;a&gt;<b>"
    assert tag("p", 'x"<', title="\"'<&") == '<p title="&quot;&#x27;&lt;&amp;">x&quot;&lt;</p>'
    assert tag("path", d="M0 0", hidden=False, class_="x") == '<path d="M0 0" class="x"/>'
    assert safe("a\x00b\u202ec\nd") == "abc d"
    assert len(safe("x" * 5000)) == 2000


def test_numbers_are_written_without_exponents():
    assert [figures(v) for v in (0.0000651, 2290.4, 0.57, 11.2, -140.2, 0)] == [
        "0.000065", "2300", "0.57", "11", "-140", "0",
    ]  # fmt: skip
    assert figures(99.96, 3) == "100"
    assert [duration(s) for s in (45, 385, 7500)] == ["45 s", "6 min 25 s", "2 h 5 min"]
    assert [decimals(s) for s in (0.02, 1.0, 4.86, 0.001, 50.0)] == [2, 1, 0, 4, 0]
    assert ticks(0.0, 7.0, 5) == [0.0, 2.0, 4.0, 6.0]
    assert ticks(1.0, 1.0) == []
