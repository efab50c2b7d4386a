# SPDX-License-Identifier: GPL-3.0-or-later
"""`stimulus` and `plan`: levels, files, order and content of the bench sheet, and what is refused."""
import html.parser
import math
import os
import random
import re
import resource
import shutil
import signal
import struct
import subprocess
import time

from bench import Skip, expect

DBU = math.sqrt(0.6)


def samples(path):
    """The samples of a mono float WAV, its rate, and its bits; read chunk by chunk, without any library."""
    with open(path, "rb") as file:
        data = file.read()
    expect(data[:4] == b"RIFF" and data[8:12] == b"WAVE", f"{path} is no WAV")
    at, rate, bits, values = 12, 0, 0, ()
    while at + 8 <= len(data):
        name, size = data[at:at + 4], struct.unpack("<I", data[at + 4:at + 8])[0]
        if name == b"fmt ":
            _, channels, rate, _, _, bits = struct.unpack("<HHIIHH", data[at + 8:at + 24])
            expect(channels == 1, f"{channels} channels")
        if name == b"data":
            values = struct.unpack(f"<{size // 4}f", data[at + 8:at + 8 + size]) if bits == 32 else ()
        at += 8 + size + size % 2
    return values, rate, bits


def make(bench, *arguments):
    found = bench.answer("stimulus", *arguments, "-o", "s.wav", status=0)
    values, rate, bits = samples(os.path.join(bench.folder, "s.wav"))
    expect(rate == found["rate_hz"], f"the file's rate is {rate}")
    if bits == 32:
        expect(len(values) == found["samples"], f"{len(values)} samples, not {found['samples']}")
    return found, values[found["start"]:found["start"] + found["length"]]


def rms(values):
    return math.sqrt(sum(x * x for x in values) / len(values))


def near(text, value, wanted, relative):
    expect(abs(value - wanted) <= relative * abs(wanted), f"{text} is {value}, not {wanted}")


def levels(bench):
    """(options, full scale, RMS in volts of the signal, relative tolerance)"""
    short = ["--bits", "float", "--seconds", "0.5"]
    for options, volts, wanted, most in (
            (["tone", "--peak", "1"], 5, 1 / math.sqrt(2), 1e-6), (["tone", "--rms", "1"], 5, 1, 1e-6),
            (["tone", "--dbu", "4"], 5, DBU * 10 ** 0.2, 1e-6), (["tone", "--dbv", "-10"], 5, 10 ** -0.5, 1e-6),
            (["tone", "--dbfs", "-20"], 5, 0.5 / math.sqrt(2), 1e-6), (["square", "--rms", "1"], 5, 1, 0.09),
            (["square", "--peak", "1", "--hz", "50"], 5, 1, 0.005), (["mls", "--dbv", "0"], 5, 1, 1e-6),
            (["two-tone", "--rms", "1"], 5, 1, 1e-6), (["two-tone", "--peak", "0.8,0.2"], 5, math.hypot(0.8, 0.2) / math.sqrt(2), 1e-6),
            (["noise", "--rms", "0.5"], 5, 0.5, 0.03), (["noise", "--peak", "4"], 5, 1, 0.03),
            (["tone", "--peak", "500m", "--hz", "1k"], 1, 0.5 / math.sqrt(2), 1e-6)):
        found, values = make(bench, *options, *short, "--full-scale", volts)
        near(f"{options}: RMS", volts * rms(values), wanted, most)
        expect(found["signal"]["unit"] == "V" and found["signal"]["full_scale_v"] == volts, f"{options}: {found}")
    # two tones 4 to 1, and alike where they are close
    found, _ = make(bench, "two-tone", "--dbfs", "-6", *short)
    near("ratio", found["signal"]["peak"][0] / found["signal"]["peak"][1], 4, 1e-9)
    found, _ = make(bench, "two-tone", "--hz", "19k,20k", *short)
    near("ratio", found["signal"]["peak"][0] / found["signal"]["peak"][1], 1, 1e-9)
    expect(found["signal"]["unit"] == "FS", f"without --full-scale: {found['signal']}")


def stepped(bench):
    found, values = make(bench, "stepped", "--full-scale", "10", "--from", "0.1", "--to", "1", "--steps", "3",
                         "--seconds", "0.3", "--bits", "float")
    for i, wanted in enumerate((0.1, math.sqrt(0.1), 1)):
        near("level", 10 * rms(values[i * 4800:(i + 1) * 4800]), wanted / math.sqrt(2), 1e-5)
    of = found["signal"]
    expect(of["steps"] == 3 and of["from"] == 0.1 and of["to"] == 1, f"{found}")


def forms(bench):
    """Rate, depth and kind of file, read back by `measure`."""
    for name, options, rate, bits in (("a.wav", ["--bits", "16"], 48000, 16), ("b.flac", ["--rate", "44.1k"], 44100, 24),
                                      ("c.aiff", ["--rate", "192k", "--bits", "float"], 192000, 0)):
        found = bench.answer("stimulus", "tone", "--no-marker", *options, "-o", name, status=0)
        expect(found["bits"] == (bits or "float") and found["start"] == 0 and not found["marker"], f"{found}")
        back = bench.answer("measure", name, status=0)
        expect(back["capture"]["rate_hz"] == rate, f"{name}: rate {back['capture']['rate_hz']}")
        figures = back["channels"][0]["figures"]
        near("tone", figures["tone_hz"]["value"], 1000, 1e-6)
        near("peak", figures["tone_peak_v"]["value"], 10 ** (-12 / 20), 1e-4)
        os.unlink(os.path.join(bench.folder, name))
    text = bench.run(["stimulus", "sweep", "-o", "d.wav"])
    expect(text.text == "d.wav: sweep from 20 Hz to 20 kHz at -12 dBFS, 5.192 s behind a marker, 48 kHz, 24 bits with "
           "dither\n", text.text)
    os.unlink(os.path.join(bench.folder, "d.wav"))


def dithered(bench):
    """16 bits: a tone far below a step's height still has no distortion but noise."""
    for bits, floor in (("16", 2 ** -15), ("24", 2 ** -23)):
        bench.answer("stimulus", "tone", "--bits", bits, "--dbfs", "-60" if bits == "16" else "-100", "--no-marker",
                     "-o", "s.wav", status=0)
        figures = bench.answer("measure", "s.wav", status=0)["channels"][0]["figures"]
        thd = figures["thd_percent"]
        expect(thd["value"] is None and "below" in thd, f"{bits} bits: THD {thd}")
        # TPDF and rounding: a quarter of a step squared, up to 20 of 24 kHz; no more than a bound where it is the file's own
        noise = figures["noise_v"]
        near("noise", noise["below"] if noise["value"] is None else noise["value"], floor / 2 * math.sqrt(20 / 24), 0.02)


def write_wav(path, rate, channels):
    """Float samples of several channels."""
    data = b"".join(struct.pack("<f", value) for row in zip(*channels) for value in row)
    count = len(channels)
    head = struct.pack("<HHIIHH", 3, count, rate, rate * 4 * count, 4 * count, 32)
    with open(path, "wb") as file:
        file.write(b"RIFF" + struct.pack("<I", 36 + len(data)) + b"WAVEfmt " + struct.pack("<I", 16) + head + b"data" +
                   struct.pack("<I", len(data)) + data)


def recorded(bench):
    """A recording started and stopped by hand, with hum and noise: nothing is cut, and the figures are the signal's."""
    dice = random.Random(4)
    for shape, kind in ((["tone", "--hz", "997"], "tone"), (["two-tone"], "two-tone"), (["noise"], "noise")):
        found = bench.answer("stimulus", *shape, "--seconds", "2", "--bits", "float", "-o", "s.wav", status=0)
        values, rate, _ = samples(os.path.join(bench.folder, "s.wav"))
        early, late = dice.randrange(rate // 2, rate), rate
        played = [0.0] * early + list(values) + [0.0] * late

        def channel(gain):
            return [gain * x + 3e-4 * math.sin(math.tau * 50 * n / rate) + dice.gauss(0, 1e-5) for n, x in enumerate(played)]

        write_wav(os.path.join(bench.folder, "r.wav"), rate, [channel(1), channel(-0.5)])
        measured = bench.answer("measure", "r.wav", status=0)
        figures = measured["channels"][0]["figures"]
        expect(figures["signal"]["value"] == kind, f"{shape}: signal {figures['signal']}")
        level = found["signal"].get("rms") or math.hypot(*found["signal"]["peak"]) / math.sqrt(2) if kind != "tone" else \
            found["signal"]["peak"] / math.sqrt(2)
        near(f"{shape}: RMS", figures["rms_v"]["value"], level, 0.01)
        if kind == "tone":
            near("gain", measured["pair"]["figures"]["gain"]["value"], 0.5, 1e-4)
            expect(figures["dropouts"]["value"] == 0, f"dropouts: {figures['dropouts']}")
            near("noise and hum", figures["noise_v"]["value"], 3e-4 / math.sqrt(2), 0.01)
    os.unlink(os.path.join(bench.folder, "r.wav"))


def big(bench):
    """Ten minutes of 96 kHz in less than 64 MB."""
    with open(bench.program, "rb") as file:
        if b"__asan_init" in file.read():
            raise Skip("a sanitizer's own memory would be measured")
    path = os.path.join(bench.folder, "big.flac")
    running = subprocess.Popen([bench.program, "stimulus", "noise", "--rate", "96k", "--seconds", "600", "-o", path],
                               stdout=subprocess.DEVNULL)
    most = 0
    while running.poll() is None:  # the highest so far, of the program alone: a child's rusage begins with its parent's
        try:
            with open(f"/proc/{running.pid}/status", encoding="ascii", errors="replace") as file:
                found = re.search(r"VmHWM:\s*(\d+) kB", file.read())
        except OSError:
            found = None
        comm = f"/proc/{running.pid}/exe"
        if found and os.path.exists(comm) and os.path.samefile(comm, bench.program):
            most = max(most, int(found.group(1)))
        time.sleep(0.02)
    expect(running.returncode == 0, f"status {running.returncode}")
    if most == 0:
        raise Skip("no /proc to read memory from")
    expect(most < 64 << 10, f"{most} kB of memory")
    os.unlink(path)


REFUSED = [
    (["stimulus", "-o", "x.wav"], 64, "*one SHAPE*"),
    (["stimulus", "tone", "sweep", "-o", "x.wav"], 64, "*one SHAPE*"),
    (["stimulus", "chirp", "-o", "x.wav"], 64, "*'chirp'*tone, stepped, two-tone*"),
    (["stimulus", "tone"], 64, "*-o FILE*"),
    (["stimulus", "tone", "-o", "x.ogg"], 64, "*x.ogg*.wav*"),
    (["stimulus", "tone", "-o", "x"], 64, "*.wav*"),
    (["stimulus", "tone", "-o", "x.html"], 64, "*x.html*"),
    (["stimulus", "tone", "--peak", "1", "-o", "x.wav"], 64, "*--peak*--full-scale*"),
    (["stimulus", "tone", "--dbu", "4", "-o", "x.wav"], 64, "*--dbu*--full-scale*"),
    (["stimulus", "tone", "--dbfs", "1", "-o", "x.wav"], 64, "*of full scale*1.00 dB lower*"),
    (["stimulus", "tone", "--dbfs", "loud", "-o", "x.wav"], 64, "*--dbfs*"),
    (["stimulus", "tone", "--dbfs", "-12", "--dbv", "0", "-o", "x.wav"], 64, "*one level*"),
    (["stimulus", "tone", "--peak", "0", "--full-scale", "1", "-o", "x.wav"], 64, "*--peak*"),
    (["stimulus", "tone", "--peak", "1,1", "--full-scale", "1", "-o", "x.wav"], 64, "*--peak*two numbers*"),
    (["stimulus", "tone", "--hz", "30k", "-o", "x.wav"], 64, "*30000 Hz is too high*"),
    (["stimulus", "tone", "--hz", "1k,2k", "-o", "x.wav"], 64, "*--hz*two numbers*"),
    (["stimulus", "two-tone", "--hz", "1k", "-o", "x.wav"], 64, "*--hz*two frequencies*"),
    (["stimulus", "square", "--hz", "5k", "-o", "x.wav"], 64, "*20 samples a period*"),
    (["stimulus", "sweep", "--to", "24k", "-o", "x.wav"], 64, "*22800*"),
    (["stimulus", "sweep", "--from", "1k", "--to", "100", "-o", "x.wav"], 64, "*upward*"),
    (["stimulus", "tone", "--from", "20", "-o", "x.wav"], 64, "*--from*nothing for tone*"),
    (["stimulus", "stepped", "--from", "1", "-o", "x.wav"], 64, "*--from*--full-scale*"),
    (["stimulus", "stepped", "--dbfs", "-12", "-o", "x.wav"], 64, "*two levels*"),
    (["stimulus", "stepped", "--steps", "1.5", "-o", "x.wav"], 64, "*--steps*whole*"),
    (["stimulus", "noise", "--colour", "brown", "-o", "x.wav"], 64, "*--colour*brown*"),
    (["stimulus", "tone", "--colour", "pink", "-o", "x.wav"], 64, "*--colour*"),
    (["stimulus", "silence", "--dbfs", "-3", "-o", "x.wav"], 64, "*no level*"),
    (["stimulus", "tone", "--bits", "8", "-o", "x.wav"], 64, "*--bits*8*"),
    (["stimulus", "tone", "--bits", "float", "-o", "x.flac"], 64, "*FLAC*"),
    (["stimulus", "tone", "--rate", "44100.5", "-o", "x.wav"], 64, "*whole hertz*"),
    (["stimulus", "tone", "--rate", "0", "-o", "x.wav"], 64, "*rate of 0*"),
    (["stimulus", "tone", "--seconds", "0", "-o", "x.wav"], 64, "*0 s*"),
    (["stimulus", "tone", "--seconds", "1G", "-o", "x.wav"], 64, "*too long*"),
    (["stimulus", "tone", "--seconds", "36000", "--rate", "96k", "-o", "x.wav"], 64, "*4 GiB*"),
    (["stimulus", "tone", "--seed", "3", "-o", "x.wav"], 64, "*--seed*"),
    (["stimulus", "noise", "--seed", "-1", "-o", "x.wav"], 64, "*--seed*"),
    (["stimulus", "tone", "-o", "nowhere/x.wav"], 73, "*nowhere/x.wav*cannot be created*"),
    (["plan"], 64, "*one BOARD*"),
    (["plan", "nowhere.yaml"], 66, "*nowhere.yaml*"),
    (["plan", "small.yaml", "--full-scale", "0.5"], 64, "*small.yaml*peaks at 1 V*0.5 V*"),
    (["plan", "small.yaml", "--write", "nowhere/deep"], 73, "*nowhere/deep*cannot be created*"),
    (["plan", "small.yaml", "--write", "small.yaml"], 73, "*small.yaml*cannot be created*"),
    (["plan", "small.yaml", "--write", ""], 64, "*--write*"),
]


def refused(bench, arguments, status, glob):
    bench.write("small.yaml", SMALL)
    bench.error(status, "coldjoint: " + glob, *arguments)
    expect(not os.path.exists(os.path.join(bench.folder, "x.wav")), "a file was made all the same")


def no_room(bench):
    """A disk that is full: one line, status 74, and nothing left but what was there."""
    folder = os.path.join(bench.folder, "room")
    os.mkdir(folder)
    path = os.path.join(folder, "x.wav")
    with open(path, "w", encoding="ascii") as file:
        file.write("before")

    def limit():
        resource.setrlimit(resource.RLIMIT_FSIZE, (20000, 20000))

    bench.write("small.yaml", SMALL)
    for arguments in (["stimulus", "tone", "-o", path], ["plan", "small.yaml", "--write", folder]):
        done = subprocess.run([bench.program, *arguments], preexec_fn=limit, cwd=bench.folder, stdout=subprocess.PIPE,
                              stderr=subprocess.PIPE, text=True, check=False)
        expect(done.returncode == 74 and done.stdout == "", f"status {done.returncode}, {done.stdout!r}")
        expect(done.stderr.endswith("cannot be written: File too large\n") and done.stderr.count("\n") == 1, done.stderr)
        expect(os.listdir(folder) == ["x.wav"], f"left in the folder: {os.listdir(folder)}")
    with open(path, encoding="ascii") as file:
        expect(file.read() == "before", "the old file was touched")
    shutil.rmtree(folder)


def killed(bench):
    """Killed in the middle: no file, not even under another name."""
    folder = os.path.join(bench.folder, "killed")
    os.mkdir(folder)
    running = subprocess.Popen([bench.program, "stimulus", "noise", "--colour", "pink", "--seconds", "3000", "-o",
                                os.path.join(folder, "x.wav")], stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    try:
        running.communicate(timeout=1)
        raise Skip("50 minutes of noise were written in a second")
    except subprocess.TimeoutExpired:
        running.send_signal(signal.SIGKILL)
        running.communicate()
    left = os.listdir(folder)
    shutil.rmtree(folder)
    if left and not os.path.isdir("/proc/self/fd"):
        raise Skip("no files without a name on this system")
    expect(left == [], f"left in the folder: {left}")


# ---- plan ----

SMALL = """board: small
title: "<script>alert('x')</script> & \\"more\\""
rails: {v+: 12, v-: -12}
inputs: [{net: in1, source: 50}, {net: in2, source: 50}]
outputs: [{net: out, load: 1M}]
parts:
  - {ref: R1, kind: resistor, value: 100k, tolerance: 1%, pins: [in1, a]}
  - {ref: R3, kind: resistor, value: 100k, tolerance: 1%, pins: [in2, b]}
  - {ref: SW1, kind: switch, positions: [one, two, off], pins: [a, bus, b], closes: {one: [[1, 2]], two: [[2, 3]], off: []}}
  - {ref: R2, kind: resistor, value: 100k, tolerance: 1%, pins: [bus, out]}
  - {ref: R4, kind: resistor, value: 1M, tolerance: 1%, pins: [a, gnd]}
  - {ref: R5, kind: resistor, value: 1M, tolerance: 1%, pins: [b, gnd]}
  - {ref: U1, kind: opamp, type: TL072, pins: [out, bus, gnd]}
rest: {SW1: off}
steps:
  - {step: tone, drive: in1, tone: {hz: 1000, peak: 1}, set: {SW1: one}, see: [in1, out]}
  - {step: other, drive: in2, tone: {hz: 1000, peak: 1}, set: {SW1: two}, see: [in2, out]}
  - {step: sweep, drive: in1, sweep: {from: 20, to: 30000, seconds: 1, peak: 0.5}, set: {SW1: one}, see: [in1, out]}
  - {step: imd, drive: in2, two-tone: {hz: [60, 7000], peak: [0.8, 0.2]}, set: {SW1: two}, see: [in2, out]}
  - {step: levels, drive: in1, stepped: {hz: 1000, from: 0.1, to: 1, steps: 5, seconds: 1}, set: {SW1: one}, see: [in1, out]}
  - {step: edges, drive: in1, square: {hz: 1000, peak: 0.5}, set: {SW1: one}, see: [in1, out], wait: 2}
  - {step: hiss, drive: in1, noise: {rms: 0.2, colour: pink, seconds: 2}, set: {SW1: one}, see: [in1, out]}
  - {step: fast, drive: in1, square: {hz: 100000, peak: 0.5}, set: {SW1: one}, see: [in1, out]}
  - {step: cold, power: off, drive: none, see: [bus]}
  - {step: quiet, drive: none, see: [out, bus]}
"""


def plan_content(bench):
    bench.write("small.yaml", SMALL)
    found = bench.answer("plan", "small.yaml", status=0)
    steps = found["steps"]
    names = [step["step"] for step in steps]
    expect(sorted(names) == sorted(("tone", "other", "sweep", "imd", "levels", "edges", "hiss", "fast", "cold", "quiet")),
           f"{names}")
    expect(names[0] == "cold" and steps[0]["power"] == "off", "the cold step does not come first")
    # the generator moves once between the inputs and once away or to them
    drives = [step["drive"] for step in steps]
    moves = sum(a != b for a, b in zip(drives, drives[1:]))
    expect(moves == 2, f"the generator is moved {moves} times: {drives}")
    by = {step["step"]: step for step in steps}
    expect(by["tone"]["channels"] == [{"channel": 1, "net": "in1", "at": "in1"}, {"channel": 2, "net": "out", "at": "out"}],
           f"{by['tone']['channels']}")
    expect(by["quiet"]["channels"][1] == {"channel": 2, "net": "bus", "at": "bus (U1 pin 2)"}, f"{by['quiet']}")
    expect(by["tone"]["set"] == {"SW1": "one"} and by["edges"]["wait_s"] == 2, f"{by['tone']}")
    expect(by["tone"]["play"]["file"] == "play-tone.wav" and by["tone"]["save"] == "tone.csv", f"{by['tone']}")
    expect(by["quiet"]["play"] is None and by["cold"]["save"] is None, f"{by['quiet']}")
    expect(by["fast"]["play"] is None and "100000 Hz is too high" in by["fast"]["why"], f"{by['fast']}")
    expect(by["sweep"]["play"]["rate_hz"] == 96000, "30 kHz wants a higher rate")
    expect(found["full_scale_v"] == 2, f"full scale {found['full_scale_v']}")
    # what a good unit reads is what `board` says
    board = bench.answer("board", "small.yaml", status=0)
    for step in board["steps"]:
        expect(by[step["step"]]["healthy"] == step["figures"], f"{step['step']}: not what `board` says")
    expect(len(found["cautions"]) == 6 and "v+ 12 V and v- -12 V" in found["cautions"][0], f"{found['cautions']}")


def plan_text(bench):
    bench.write("small.yaml", SMALL)
    text = bench.run(["plan", "small.yaml"]).text
    for once in ("Before anything else", "limit its current", "capacitor discharged", "headphones", "mains earth"):
        expect(text.count(once) == 1, f"{once!r} stands {text.count(once)} times")
    expect(text.index("Before anything else") < text.index("  1 "), "the cautions do not come first")
    for part in ("play-tone.wav: tone of 1 kHz at 1 V peak (707.1 mV RMS, -0.8 dBu)", "turn the player's level", "SW1 one",
                 "cold:resistance_ohm@bus=...", "gain: "):
        expect(" ".join(part.split()) in " ".join(text.split()), f"no {part!r} in\n{text}")
    expect(max(len(line) for line in text.splitlines()) <= 80, "a line over 80 columns")
    given = bench.run(["plan", "small.yaml", "--full-scale", "5"]).text
    expect("5 V peak at digital full scale" in given and "turn the player" not in given, given)


class Page(html.parser.HTMLParser):
    """Tags that are opened and closed, and all text."""

    VOID = {"meta", "br", "link", "img"}

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.open, self.text, self.tags, self.attributes = [], "", [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        expect(self.open and self.open[-1] == tag, f"</{tag}> closes {self.open[-1:]}")
        self.open.pop()

    def handle_data(self, data):
        self.text += data


def check_page(page, title):
    reader = Page()
    reader.feed(page)
    reader.close()
    expect(reader.open == [], f"never closed: {reader.open}")
    expect("script" not in reader.tags and "img" not in reader.tags and "link" not in reader.tags, f"{reader.tags}")
    expect(not [name for name, _ in reader.attributes if name in ("src", "href") or name.startswith("on")], "it fetches")
    expect("url(" not in page and "@import" not in page, "its style fetches")
    expect(title in reader.text, f"the title is not {title!r}")
    for part in ("play-tone.wav", "a good unit reads", "this unit", "Power", "Leads", "bus (U1 pin 2)"):
        expect(part in reader.text, f"no {part!r} on the page")
    expect(reader.text.count("limit its current") == 1, "the cautions stand once")
    expect("@page" in page and "break-inside:avoid" in page, "it is not made for paper")
    expect(all(colour in ("#000", "#fff") for colour in re.findall(r"#[0-9a-f]{3,6}\b", page.split("</style>")[0])),
           "it needs colours")


def plan_files(bench):
    bench.write("small.yaml", SMALL)
    folder = os.path.join(bench.folder, "sheet")
    found = bench.answer("plan", "small.yaml", "--write", "sheet", status=0)
    wanted = {step["play"]["file"] for step in found["steps"] if step["play"]} | {"plan.html"}
    expect(set(os.listdir(folder)) == wanted and len(wanted) == 8, f"{sorted(os.listdir(folder))}")
    title = "<script>alert('x')</script> & \"more\""
    with open(os.path.join(folder, "plan.html"), encoding="utf-8") as file:
        check_page(file.read(), title)
    # the tone's file is 1 V peak of 2 V at full scale
    figures = bench.answer("measure", os.path.join(folder, "play-tone.wav"), "--full-scale", "2")["channels"][0]["figures"]
    near("tone", figures["tone_hz"]["value"], 1000, 1e-6)
    near("peak", figures["tone_peak_v"]["value"], 1, 0.01)
    # again into the same folder, and the page alone
    bench.answer("plan", "small.yaml", "--write", folder + "/", status=0)
    expect(set(os.listdir(folder)) == wanted, f"{sorted(os.listdir(folder))}")
    done = bench.run(["plan", "small.yaml", "-o", "page.html"])
    expect(done.status == 0 and done.out == b"", f"{done}")
    with open(os.path.join(bench.folder, "page.html"), encoding="utf-8") as file:
        check_page(file.read(), title)
    # the folder of a unit may be this one: what is played is not taken for what was captured
    bench.error(66, "coldjoint: sheet: no capture of any step*", "diagnose", "small.yaml", "sheet")
    shutil.rmtree(folder)


def plans_of_fixtures(bench):
    """Every board of the fixtures has a sheet; the mixer's changes few leads."""
    boards = os.path.join(bench.captures, "..", "boards")
    for name in sorted(os.listdir(boards)):
        if name.endswith(".yaml"):
            found = bench.answer("plan", os.path.join(boards, name), status=0)
            check_order(found)
    found = bench.answer("plan", os.path.join(boards, "hall-mixer.yaml"), status=0)
    leads = 0
    for one, other in zip(found["steps"], found["steps"][1:]):
        leads += one["drive"] != other["drive"]
        leads += sum(a["net"] != b["net"] for a, b in zip(one["channels"], other["channels"]))
    # six inputs and unplugged: 6 moves of the generator and 6 of channel 1 at least; each of six inputs is seen at two outputs
    expect(leads <= 20, f"{leads} leads are moved")


def check_order(found):
    power = [step["power"] for step in found["steps"]]
    expect(power == sorted(power), f"power goes on and off: {power}")  # "off" before "on"


def tests(bench):
    for name, test in (("levels", levels), ("stepped", stepped), ("forms", forms), ("dithered", dithered), ("recorded", recorded), ("ten minutes", big),
                       ("disk full", no_room), ("killed", killed), ("plan", plan_content), ("plan as text", plan_text),
                       ("plan --write", plan_files), ("plans of the fixtures", plans_of_fixtures)):
        yield f"stimulus: {name}", lambda test=test: test(bench)
    for arguments, status, glob in REFUSED:
        yield "refused: " + " ".join(arguments), lambda row=(arguments, status, glob): refused(bench, *row)
