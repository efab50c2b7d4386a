# SPDX-License-Identifier: GPL-3.0-or-later
"""Pages: what -o FILE.html and report write, and how a unit's page comes out of the log."""
import html.parser
import os
import re
import shutil

from bench import Skip, expect
import board


class Page(html.parser.HTMLParser):
    """A page's text and tags; every tag that is opened is closed, and nothing is fetched."""

    VOID = {"meta", "br", "link", "img", "hr"}

    def __init__(self, path):
        super().__init__()
        self.open, self.tags, self.words = [], [], []
        with open(path, encoding="utf-8") as file:
            self.source = file.read()
        self.feed(self.source)
        self.close()
        expect(not self.open, f"never closed: {self.open}")
        expect("script" not in self.tags, "a page needs no script")
        for link in re.findall(r'(?:src|href)\s*=\s*["\']([^"\']*)', self.source):
            expect(re.fullmatch(r"#\w+|[\w.-]+\.html", link), f"the page fetches or leads to {link}")

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append(tag)

    def handle_endtag(self, tag):
        expect(self.open and self.open[-1] == tag, f"</{tag}> where {self.open[-3:]} are open")
        self.open.pop()

    def handle_data(self, data):
        self.words.append(data)

    @property
    def text(self):
        return re.sub(r"\s+", " ", "".join(self.words))


def written(bench, name, *arguments, status=0):
    done = bench.run([*arguments, "-o", name])
    expect(done.status == status, f"exit status {done.status}, not {status}: {done.err}")
    expect(done.out == b"", f"something on standard output: {done.out[:100]!r}")
    return Page(os.path.join(bench.folder, name))


def holds(page, *parts):
    for part in parts:
        expect(part in page.text, f"the page does not say '{part}'")


def curves(page):
    """Curves besides the drawing, which has no tick marks with numbers."""
    return page.source.count("<figure><svg viewBox") + page.source.count("</figcaption><svg viewBox")


def needs_gnuplot():
    if shutil.which("gnuplot") is None:
        raise Skip("gnuplot is not installed")


def of_a_capture(bench):
    needs_gnuplot()
    page = written(bench, "measure.html", "measure", bench.capture("vh12-hum.wav"))
    holds(page, "Measured, not judged", "50 Hz hum", "THD+N", "time, ms", "frequency, Hz")
    expect(curves(page) == 2, f"{curves(page)} curves, not 2")


def of_two(bench):
    page = written(bench, "compare.html", "compare", bench.capture("vh03-left-path.csv"),
                   bench.capture("vh07-right-path.csv"), status=1)
    holds(page, "The two paths differ", "Next check:", "Power off")


def of_a_unit(bench):
    needs_gnuplot()
    page = written(bench, "unit.html", "report", board.mixer(bench), board.unit(bench))
    holds(page, "This unit fails", "U1 pin 7 makes no contact", "R14 100k", "The steps it rests on", "right_sum")
    first, drawing, table = (page.source.index(mark) for mark in ('class="verdict"', 'class="stage"', "<table"))
    expect(first < drawing < table, "a sentence first, the drawing second, figures third")
    expect(curves(page) == 10, f"{curves(page)} curves, not two for each of five captures")
    expect(len(page.source) < 600_000, f"{len(page.source)} bytes")
    same = written(bench, "diagnose.html", "diagnose", board.mixer(bench), board.unit(bench), status=1)
    holds(same, "has a fault", "U1 pin 7 makes no contact")


def from_the_log(bench):
    needs_gnuplot()
    unit = os.path.join(bench.folder, "page-unit")
    shutil.copytree(board.unit(bench), unit)
    serial = "7<b>/../'\"&"
    for log, keep in (("pages.db", ["--keep"]), ("loose.db", [])):
        done = bench.run(["log", "add", board.mixer(bench), unit, "--unit", serial, "--log", log, *keep])
        expect(done.status == 1, f"log add: {done.status} {done.err}")
    # one file is changed, one is gone
    with open(os.path.join(unit, "in1-left.csv"), "a", encoding="utf-8") as file:
        file.write("\n")
    os.remove(os.path.join(unit, "in1-right.csv"))
    page = written(bench, "logged.html", "report", "--unit", serial, "--log", "pages.db")
    holds(page, f"Unit {serial} fails", "U1 pin 7 makes no contact", "a good unit")
    expect(curves(page) == 10 and "Remarks" not in page.text, f"{curves(page)} curves of captures that are kept")
    page = written(bench, "loose.html", "report", "--unit", serial, "--log", "loose.db")
    holds(page, "is no longer the file that was measured", "Step in1-right: no curves")
    expect(curves(page) == 6, f"{curves(page)} curves, not those of the three captures left")
    bench.run(["log", "repair", serial, "--fault", "open-pin:U1:7", "--log", "pages.db"])
    page = written(bench, "logged.html", "report", "--unit", serial, "--log", "pages.db")
    holds(page, "Repairs")


def a_folder(bench):
    """After from_the_log: the same log, with one unit more."""
    needs_gnuplot()
    done = bench.run(["log", "add", board.mixer(bench), "quiet:dc_v@left_out=0.001~0.001", "--unit", "8", "--log",
                      "pages.db"])
    expect(done.status in (0, 1, 2), done.err)
    for _ in range(2):  # the second time over the first
        done = bench.run(["report", "--all", "--log", "pages.db", "-o", "pages"])
        expect(done.status == 0 and done.out == b"" and done.err == "", f"{done.status} {done.err}")
    folder = os.path.join(bench.folder, "pages")
    names = sorted(os.listdir(folder))
    expect(len(names) == 3 and names[0] == "index.html", f"{names}")
    index = Page(os.path.join(folder, "index.html"))
    holds(index, "2 units", "7<b>/../'\"&")
    for name in names[1:]:
        expect(f'href="{name}"' in index.source, f"the index does not lead to {name}")
        Page(os.path.join(folder, name))
    bench.error(66, "coldjoint: *", "report", "--all", "--log", "none.db", "-o", "pages")
    bench.error(64, "coldjoint: *9*", "report", "--unit", "9", "--log", "pages.db", "-o", "x.html")


def tests(bench):
    """(name, function) of every test of pages."""
    yield "page of a capture", lambda: of_a_capture(bench)
    yield "page of two captures", lambda: of_two(bench)
    yield "page of a unit", lambda: of_a_unit(bench)
    yield "page from the log", lambda: from_the_log(bench)
    yield "pages of all", lambda: a_folder(bench)
