# SPDX-License-Identifier: GPL-3.0-or-later
"""Pages in a browser: pages.py COLDJOINT FIXTURES

A batch of units goes from captures to a folder of pages (fixtures/batch/run.sh), then each page is opened in Chromium
without a window: it loads, says nothing on the console, its text is there, and its picture is not blank, on a light and on
a dark screen and printed. Skipped (status 77) where there is no Chromium or no gnuplot.
"""
import os
import pathlib
import re
import shutil
import struct
import subprocess
import sys
import tempfile
import zlib

import numpy as np

UNITS = 6  # the third has a fault
BROWSERS = ("chromium", "chromium-browser")
WIDTH, HEIGHT = 820, 1000


def fail(text):
    sys.exit(f"FAILED: {text}")


def browse(browser, page, *arguments):
    """Standard output of a run with a profile of its own; a message on the console is a failure."""
    with tempfile.TemporaryDirectory() as profile:
        done = subprocess.run(
            [browser, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
             "--disable-background-networking", "--disable-component-update", "--disable-sync", "--hide-scrollbars",
             "--enable-logging=stderr", f"--user-data-dir={profile}", f"--window-size={WIDTH},{HEIGHT}", *arguments,
             page.as_uri()], capture_output=True, timeout=120, check=False)
    told = [line for line in done.stderr.decode(errors="replace").splitlines() if "CONSOLE" in line]
    if done.returncode or told:
        fail(f"{page.name}: status {done.returncode}, console: {told}")
    return done.stdout.decode(errors="replace")


def read_png(path):
    """Rows, columns, channels (PNG, ISO/IEC 15948: eight bits, not interlaced)."""
    data, at, packed = path.read_bytes(), 8, b""
    while at < len(data):
        length, kind = struct.unpack(">I4s", data[at:at + 8])
        body = data[at + 8:at + 8 + length]
        if kind == b"IHDR":
            width, height, depth, colour, _, _, interlaced = struct.unpack(">IIBBBBB", body)
            channels = {2: 3, 6: 4}[colour]
            assert depth == 8 and not interlaced
        elif kind == b"IDAT":
            packed += body
        at += length + 12
    raw = np.frombuffer(zlib.decompress(packed), np.uint8).reshape(height, 1 + width * channels)
    image = np.zeros((height, width * channels), np.uint8)
    before = np.zeros(width * channels, np.uint8)
    for row in range(height):
        line = unfilter(raw[row, 0], raw[row, 1:].copy(), before, channels)
        image[row], before = line, line
    return image.reshape(height, width, channels)[:, :, :3]


def unfilter(kind, line, above, step):
    if kind == 0:
        return line
    if kind == 1:
        return np.cumsum(line.reshape(-1, step), axis=0, dtype=np.uint8).ravel()
    if kind == 2:
        return line + above
    for i in range(len(line)):
        left = int(line[i - step]) if i >= step else 0
        corner = int(above[i - step]) if i >= step else 0
        up = int(above[i])
        if kind == 3:
            guess = (left + up) // 2
        else:
            p = left + up - corner
            guess = min((left, up, corner), key=lambda v: abs(p - v))  # the first of equals, as Paeth has it
        line[i] = (int(line[i]) + guess) & 0xff
    return line


def check_picture(path, dark):
    image = read_png(path).astype(int)
    if image.shape[:2] != (HEIGHT, WIDTH):
        fail(f"{path.name}: {image.shape}")
    paper = image[HEIGHT // 2, 1].mean()
    if (paper < 60) != dark:
        fail(f"{path.name}: the paper is {paper:.0f} of 255, the screen {'dark' if dark else 'light'}")
    ink = np.abs(image - image[HEIGHT // 2, 1]).max(axis=2) > 60
    bands = ink.reshape(8, HEIGHT // 8, WIDTH).mean(axis=(1, 2))
    if ink.mean() < 0.01 or np.count_nonzero(bands > 0.002) < 6:
        fail(f"{path.name} is blank, or nearly: {bands}")
    coloured = (image.max(axis=2) - image.min(axis=2) > 80).mean()
    if coloured < 1e-4:
        fail(f"{path.name}: no coloured curve")


def check_text(browser, page, texts):
    dom = browse(browser, page, "--dump-dom")
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]*>", "", re.sub(r"<style>.*?</style>", "", dom, flags=re.S)))
    for wanted in texts:
        if wanted not in text:
            fail(f"{page.name} does not show '{wanted}'")
    print(f"{page.name}: loads, {len(text)} characters")


def check_pictures(browser, page, folder):
    for dark in (False, True):
        shot = folder / f"{page.stem}-{'dark' if dark else 'light'}.png"
        # Blink numbers the reader's wish: 0 dark, 1 light
        browse(browser, page, f"--blink-settings=preferredColorScheme={0 if dark else 1}", f"--screenshot={shot}")
        check_picture(shot, dark)
    print(f"{page.name}: a picture, light and dark")


def check_print(browser, page, folder):
    """Light whatever the screen, and not one endless sheet."""
    printed = folder / f"{page.stem}.pdf"
    browse(browser, page, "--no-pdf-header-footer", f"--print-to-pdf={printed}")
    data = printed.read_bytes()
    sheets = len(re.findall(rb"/Type\s*/Page\b", data))
    if not data.startswith(b"%PDF") or not 3 <= sheets <= 20:
        fail(f"{page.name} prints on {sheets} sheets")
    print(f"{page.name}: prints on {sheets} sheets")


def main():
    program, fixtures = os.path.abspath(sys.argv[1]), pathlib.Path(sys.argv[2])
    browser = next(filter(None, map(shutil.which, BROWSERS)), None)
    if browser is None or shutil.which("gnuplot") is None:
        print(f"skipped: {'no Chromium' if browser is None else 'no gnuplot'} on this machine")
        sys.exit(77)
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        done = subprocess.run(["sh", fixtures / "batch/run.sh", program, folder / "batch", str(UNITS)],
                              capture_output=True, text=True, check=False)
        if done.returncode:
            fail(f"run.sh: {done.returncode} {done.stderr}")
        pages = sorted((folder / "batch/pages").glob("unit-*.html"))
        if len(pages) != UNITS:
            fail(f"{len(pages)} pages of units")
        index = folder / "batch/pages/index.html"
        check_text(browser, index, [f"{UNITS} units: {UNITS - 1} pass, 1 fail", "Yield", "How the figures ran", "003"])
        check_pictures(browser, index, folder)
        check_text(browser, pages[2],
                   ["Unit 003 fails", "instead of 100k", "The stages", "left_sum", "time, ms", "frequency, Hz",
                    "a good unit"])
        check_pictures(browser, pages[2], folder)
        check_text(browser, pages[0], ["Unit 001 passes: all "])
        check_print(browser, pages[2], folder)


if __name__ == "__main__":
    main()
