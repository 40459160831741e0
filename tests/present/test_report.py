"""The report: one file that needs nothing else, gives nothing away, and says what it shows."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from sweeplab.builds import Build
from sweeplab.log import Log
from sweeplab.workflows.report import write_report
from sweeplab.workflows.sweeps import add_files

DEMO = Path(__file__).parents[2] / "samples" / "demo"
SECRET = "QTH-of-somebody"
NOTE = "<script>alert('x')</script> & more"
VOID = {"meta", "br", "link", "img", "input", "hr"}


class Outline(HTMLParser):
    """Collects tags, ids and links, and checks that what opens closes."""

    def __init__(self):
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.tags: set[str] = set()

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        if tag not in VOID:
            self.open.append(tag)
        for name, value in attrs:
            if name == "id":
                self.ids.append(value)
            if name in ("src", "href", "xlink:href"):
                self.links.append(value)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


@pytest.fixture(scope="module")
def log_path(tmp_path_factory):
    """A log of two builds whose sweeps' files carry what must not get out."""
    folder = tmp_path_factory.mktemp(SECRET)
    path = folder / "log.db"
    text = (DEMO / "quay-1.toml").read_text(encoding="utf-8")
    with Log.open(path, create=True) as log:
        log.add_build(Build.from_toml(text))
        log.change("quay-1", "repaired", {"parts.joint": "", "note": NOTE}, "why <b>not</b>")
        for build, stem in (("quay-1", "quay-1"), ("repaired", "quay-2")):
            for repeat in "ab":
                raw = (DEMO / f"{stem}_20m_{repeat}.s1p").read_text(encoding="utf-8")
                file = folder / f"{SECRET}_{stem}_{repeat}.s1p"
                file.write_text(f"! {SECRET}\n{raw}", encoding="utf-8")
                assert list(add_files(log, [str(file)], log.build(build), None, pytest.fail))
    return path


@pytest.fixture(scope="module")
def page(log_path):
    out = log_path.with_suffix(".html")
    with Log.open(log_path) as log:
        write_report(log, out)
    return out.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def outline(page):
    parsed = Outline()
    parsed.feed(page)
    assert parsed.open == []
    return parsed


def test_it_needs_nothing_from_outside(page, outline):
    assert all(link.startswith("#") for link in outline.links)
    assert not outline.tags & {"script", "link", "iframe", "img"}
    assert "@import" not in page
    assert re.findall(r"url\((?!#)", page) == []


def test_ids_are_unique_and_links_lead_to_them(outline):
    assert len(outline.ids) == len(set(outline.ids))
    assert {link.removeprefix("#") for link in outline.links} <= set(outline.ids)


def test_files_names_paths_and_comments_stay_out(page):
    assert SECRET not in page


def test_a_persons_words_are_shown_as_text(page):
    assert "&lt;script&gt;" in page
    assert "why &lt;b&gt;not&lt;/b&gt;" in page


def test_it_tells_build_change_verdict_method_and_cautions(page):
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page))
    for words in ("repaired", "parts.joint.count", "efficiency rose from", "standard uncertainty",
                  "as in free space", "kilovolts", "exposure", "Local codes", "it is rated 3.0 kV",
                  "Where the ohms go", "Smith chart"):  # fmt: skip
        assert words in text, words


def test_every_efficiency_in_it_carries_an_uncertainty(page):
    row = re.search(r'<tr><th class="depth0">efficiency</th>(.*?)</tr>', page, re.S)
    cells = re.findall(r"<td[^>]*>(.*?)</td>", row[1])
    assert cells
    assert all("±" in cell for cell in cells)


def test_it_says_volts_amperes_and_distances_for_caution(page):
    start = page.index("Volts, amperes and distances at 100 W")
    section = page[start : page.index('id="sweeps"', start)]
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", section))
    for words in ("Estimates for caution", "ICNIRP 2020", "in free space", "local codes decide"):
        assert words in text, words
    rows = re.findall(r"<tr><th>.*?</tr>", section[section.index("<tbody>") :], re.S)
    assert rows
    for row in rows:
        volts, amperes, *distances = re.findall(r'<td class="figure">(.*?)</td>', row)
        assert "V" in volts
        assert "A" in amperes
        assert len(distances) == 4
        # At 100 W every level is reached, some metres or less away.
        assert all(0.3 < float(d.removesuffix(" m")) < 10 for d in distances)


def test_the_same_log_gives_the_same_bytes(log_path, page):
    again = log_path.with_name("again.html")
    with Log.open(log_path) as log:
        write_report(log, again)
    assert again.read_text(encoding="utf-8") == page


def test_a_build_without_sweeps_has_a_chapter(tmp_path):
    with Log.open(tmp_path / "log.db", create=True) as log:
        log.add_build(Build.from_toml((DEMO / "quay-1.toml").read_text(encoding="utf-8")))
        write_report(log, tmp_path / "out.html")
    assert "No readable sweeps" in (tmp_path / "out.html").read_text(encoding="utf-8")
