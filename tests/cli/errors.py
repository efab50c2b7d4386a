# SPDX-License-Identifier: GPL-3.0-or-later
"""What is refused: exit status and the one line on standard error, as a table.

Each row: name, exit status, what the line must be like (a glob), the arguments, and the files made before
({name: content}). bench.Bench.run checks of every one that it is one line and that standard output is empty.
"""
import os
import subprocess

from bench import expect

HEADER = "in s,C1 in V,C2 in V\n"


def rows(count, start=0.0, step=1e-5):
    return [f"{start + n * step:.6e},{(n * 7 % 25) / 10:.2f},{(n * 3 % 25) / 10:.2f}\n" for n in range(count)]


def good(count=400):
    return HEADER + "".join(rows(count))


def zigzag():
    return HEADER + "".join(rows(100)) + "".join(rows(100)) + "".join(rows(100, 5e-4))


ANY = "coldjoint: *"

USAGE = [
    ("no command", ANY, []),
    ("unknown command", "coldjoint: *mesure*", ["mesure", "x.csv"]),
    ("unknown option", "coldjoint: *--colour*", ["measure", "--colour", "x.csv"]),
    ("unknown short option", "coldjoint: *-Z*", ["compare", "-Z", "x.csv"]),
    ("abbreviated option", "coldjoint: *--js*", ["measure", "--js", "x.csv"]),
    ("option of another command", "coldjoint: *--within*", ["measure", "--within", "1,1", "x.csv"]),
    ("option without its value", "coldjoint: *--channels*", ["measure", "x.csv", "--channels"]),
    ("measure without a capture", "coldjoint: *CAPTURE*", ["measure"]),
    ("measure with two captures", "coldjoint: *CAPTURE*", ["measure", "a.csv", "b.csv"]),
    ("compare without a capture", "coldjoint: *CAPTURE*", ["compare"]),
    ("compare with three", "coldjoint: *CAPTURE*", ["compare", "a.csv", "b.csv", "c.csv"]),
    ("compare, standard input twice", "coldjoint: *standard input*", ["compare", "-", "-"]),
    ("scale without --reads", "coldjoint: *--reads*", ["scale", "good.csv"]),
    ("scale with no volts", "coldjoint: *--reads*", ["scale", "good.csv", "--reads", "loud"]),
    ("scale of zero volts", "coldjoint: *--reads*", ["scale", "good.csv", "--reads", "0"]),
    ("one channel named", "coldjoint: *--channels*", ["measure", "--channels", "1", "good.csv"]),
    ("channel zero", "coldjoint: *--channels*", ["measure", "--channels", "0,1", "good.csv"]),
    ("half a channel", "coldjoint: *--channels*", ["measure", "--channels", "1.5,2", "good.csv"]),
    ("one channel twice", "coldjoint: *--channels*", ["measure", "--channels", "2,2", "good.csv"]),
    ("a channel that is not there", "coldjoint: *7*", ["measure", "--channels", "1,7", "good.csv"]),
    ("one probe", "coldjoint: *--probe*", ["measure", "--probe", "10", "good.csv"]),
    ("probe of zero", "coldjoint: *--probe*", ["measure", "--probe", "0,1", "good.csv"]),
    ("negative full scale", "coldjoint: *--full-scale*", ["measure", "--full-scale", "-3", "good.csv"]),
    ("full scale in ohm", "coldjoint: *--full-scale*", ["measure", "--full-scale", "3 ohm", "good.csv"]),
    ("coupling", "coldjoint: *--coupling*both*", ["measure", "--coupling", "both", "good.csv"]),
    ("tone of zero", "coldjoint: *--tone*", ["measure", "--tone", "0", "good.csv"]),
    ("tone that is none", "coldjoint: *--tone*", ["measure", "--tone", "nan", "good.csv"]),
    ("band upside down", "coldjoint: *--band*", ["measure", "--band", "20k,20", "good.csv"]),
    ("mains of 55", "coldjoint: *--mains*55*", ["measure", "--mains", "55", "good.csv"]),
    ("within one number", "coldjoint: *--within*", ["compare", "--within", "0.5", "good.csv"]),
    ("expect upside", "coldjoint: *--expect*upside*", ["compare", "--expect", "upside", "good.csv"]),
    ("output over the capture", "coldjoint: good.csv: *", ["measure", "good.csv", "-o", "good.csv"]),
    ("a page from scale", "coldjoint: *page.html*", ["scale", "good.csv", "--reads", "1", "-o", "page.html"]),
    ("a page that is JSON", "coldjoint: *page.html*--json*", ["measure", "good.csv", "--json", "-o", "page.html"]),
    ("report of nothing", "coldjoint: report wants*", ["report", "-o", "page.html"]),
    ("report of a board alone", "coldjoint: no EVIDENCE*", ["report", "board.yaml", "-o", "page.html"]),
    ("report without -o", "coldjoint: report wants -o*", ["report", "board.yaml", "unit"]),
    ("report that is no page", "coldjoint: unit.txt: report wants -o*", ["report", "board.yaml", "unit", "-o", "unit.txt"]),
    ("report of all and of one", "coldjoint: *--unit*--all*", ["report", "--all", "--unit", "7", "-o", "pages"]),
    ("report of all with a board", "coldjoint: *board.yaml*", ["report", "--all", "board.yaml", "-o", "pages"]),
    ("report as JSON", "coldjoint: *", ["report", "--all", "--json", "-o", "pages"]),
]

NO_INPUT = [
    ("no such capture", "coldjoint: gone.csv: *", ["measure", "gone.csv"]),
    ("no such second capture", "coldjoint: gone.csv: *", ["compare", "good.csv", "gone.csv"]),
    ("no such half of a pair", "coldjoint: *gone.csv: *", ["measure", "one.csv+gone.csv"]),
    ("no such instruments file", "coldjoint: gone.yaml: *",
     ["measure", "good.csv", "--instruments", "gone.yaml"]),
    ("no such rules file", "coldjoint: gone.yaml: *", ["compare", "good.csv", "--rules", "gone.yaml"]),
]

# name, glob, arguments behind `measure`, {file: content}
DATA = [
    ("empty file", "coldjoint: empty.csv: *", ["empty.csv"], {"empty.csv": ""}),
    ("header only", "coldjoint: head.csv*: *", ["head.csv"], {"head.csv": HEADER}),
    ("one column", "coldjoint: col.csv*: *", ["col.csv"],
     {"col.csv": "".join(f"{n % 9}\n" for n in range(300))}),
    ("too few samples", "coldjoint: few.csv*: *", ["few.csv"], {"few.csv": good(3)}),
    ("time back and forth", "coldjoint: zigzag.csv*: *", ["zigzag.csv"], {"zigzag.csv": zigzag()}),
    ("words for numbers, many rows", "coldjoint: words.csv:*: *", ["words.csv"],
     {"words.csv": good(200) + "0.002,loud,quiet\n" * 50 + "".join(rows(50, 3e-3))}),
    ("prose", "coldjoint: prose.csv*: *", ["prose.csv"],
     {"prose.csv": "The left one hums, the right does not.\n" * 40}),
    ("hand-typed table", "coldjoint: table.csv*: *", ["table.csv"],
     {"table.csv": "vin_v,vout_v\n" + "".join(f"{n / 10},{n / 5}\n" for n in range(1, 12))}),
    ("frequency response", "coldjoint: bode.csv*: *", ["bode.csv"],
     {"bode.csv": "Frequency (Hz),Magnitude (dB)\n"
                  + "".join(f"{20 * n},{-n / 10}\n" for n in range(1, 300))}),
    ("zero bytes", "coldjoint: nul.csv*: *", ["nul.csv"], {"nul.csv": b"\0" * 5000}),
    ("binary under a CSV name", "coldjoint: bin.csv*: *", ["bin.csv"], {"bin.csv": bytes(range(256)) * 40}),
    ("binary under an audio name", "coldjoint: bin.wav*: *", ["bin.wav"],
     {"bin.wav": bytes(range(256)) * 40}),
    ("folder", "coldjoint: folder*: *", ["folder"], {"folder/inside.csv": good()}),
    ("pair of different rates", "coldjoint: *b.csv*: *", ["a.csv+b.csv"],
     {"a.csv": "TIME,CH1\n" + "".join(f"{n * 1e-5:.6e},{n % 7}\n" for n in range(300)),
      "b.csv": "TIME,CH2\n" + "".join(f"{n * 2e-5:.6e},{n % 7}\n" for n in range(300))}),
    ("pair without a time in common", "coldjoint: *b.csv*: *", ["a.csv+b.csv"],
     {"a.csv": "TIME,CH1\n" + "".join(f"{n * 1e-5:.6e},{n % 7}\n" for n in range(300)),
      "b.csv": "TIME,CH2\n" + "".join(f"{1 + n * 1e-5:.6e},{n % 7}\n" for n in range(300))}),
    ("instruments file, unknown key", "coldjoint: bad.yaml:3:*: *gian*",
     ["good.csv", "--instruments", "bad.yaml"],
     {"bad.yaml": "instruments: north-table\ncapture:\n  gian: 1%\n"}),
    ("instruments file, no number", "coldjoint: num.yaml:2:*: *", ["good.csv", "--instruments", "num.yaml"],
     {"num.yaml": "instruments: north-table\ncapture: {gain: loud}\n"}),
]

RULE = """rules:
  - rule: mine
    when:
      {}
    roles: [a]
    says: b.
    check: c.
"""

RULES = [
    ("rules file, unknown fact", "coldjoint: r1.yaml:4:*: *secnd*",
     RULE.format("secnd.dc_v: {from: 1 V}")),
    ("rules file, no YAML", "coldjoint: r2.yaml:*: *", "rules: [ {rule: mine\n"),
    ("rules file, wrong unit", "coldjoint: r3.yaml:4:*: *",
     RULE.format("second.dc_v: {from: 1 Hz}")),
]


def make_files(bench, files):
    for name, content in files.items():
        if os.path.dirname(name):
            os.makedirs(os.path.join(bench.folder, os.path.dirname(name)), exist_ok=True)
        bench.write(name, content)


def refused(bench, status, glob, given, files):
    make_files(bench, {"good.csv": good(), "one.csv": "TIME,CH1\n0,1\n", **files})
    before = sorted(os.listdir(bench.folder))
    bench.error(status, glob, *given)
    expect(sorted(os.listdir(bench.folder)) == before, "a file was left behind")


def cut_audio(bench, name):
    """A file that ends before its header says so."""
    with open(bench.capture("vh03-healthy.wav"), "rb") as file:
        content = file.read()[:30000]
    bench.write(name, content)
    bench.error(65, f"coldjoint: {name}*: *", "measure", name)
    bench.error(65, "coldjoint: -*: *", "measure", "-", stdin=content)


def huge_claim(bench, name):
    """A header that declares close to 4 GiB, and a kilobyte behind it."""
    with open(bench.capture("vh03-healthy.wav"), "rb") as file:
        head = bytearray(file.read()[:1044])
    at = head.index(b"data") + 4
    head[at:at + 4] = (0xfffffff0).to_bytes(4, "little")
    head[4:8] = (0xfffffff8).to_bytes(4, "little")
    bench.write(name, bytes(head))
    bench.error(65, f"coldjoint: {name}*: *", "measure", name)


def full(bench, *given):
    """Standard output on a full disk."""
    with open("/dev/full", "wb") as device:
        answer = bench.run(given, stdout=device)
    expect(answer.status == 74, f"exit status {answer.status}, not 74: {answer.err}")


def closed_pipe(bench, capture):
    """A reader that goes away is an error with a line, not a silent death."""
    read, write = os.pipe()
    os.close(read)
    try:
        answer = bench.run(["measure", capture, "--json"], stdout=write)
    finally:
        os.close(write)
    expect(answer.status == 74, f"exit status {answer.status}, not 74: {answer.err}")


def cannot_create(bench, capture):
    bench.error(73, "coldjoint: nowhere/x.json: *", "measure", capture, "--json", "-o", "nowhere/x.json")
    os.makedirs(os.path.join(bench.folder, "taken"), exist_ok=True)
    bench.error(73, "coldjoint: taken: *", "measure", capture, "-o", "taken")
    bench.error(74, "coldjoint: /dev/full: *", "measure", capture, "-o", "/dev/full")


def failure_keeps_old_file(bench):
    """-o of a run that fails leaves the old file as it was."""
    bench.write("old.json", "old\n")
    bench.error(66, "coldjoint: gone.csv: *", "measure", "gone.csv", "--json", "-o", "old.json")
    with open(os.path.join(bench.folder, "old.json"), encoding="ascii") as file:
        expect(file.read() == "old\n", "the old file was touched")


def names_its_file(bench, path):
    """Whatever is wrong with a capture, the line begins with the capture's name."""
    one = bench.capture("vh03-right-path.1.csv")
    for status, given in ((64, ["measure", path, "--tone", "1M"]), (65, ["compare", one]),
                          (65, ["compare", path, one]), (65, ["scale", path, "--reads", "0.7"])):
        blamed = one if one in given else path
        bench.error(status, f"coldjoint: {blamed}: *", *given)


def control_characters(bench):
    """A name with a line end and an escape in it still makes one line of printable text."""
    answer = bench.run(["measure", "no\n\033[31msuch.csv"])
    expect(answer.status == 66, f"exit status {answer.status}")
    expect("\033" not in answer.err, "an escape sequence reaches the terminal")


def closed_input(bench):
    """Standard input closed: an error of its own, not a crash."""
    done = subprocess.run(["sh", "-c", 'exec "$0" measure - <&-', bench.program], capture_output=True,
                          cwd=bench.folder, timeout=60, check=False)
    expect(64 <= done.returncode < 80, f"exit status {done.returncode}")
    expect(done.stderr.count(b"\n") == 1, f"not one line: {done.stderr!r}")


def tests(bench):
    """(name, function) of every test of what is refused."""
    scope = bench.capture("vh03-healthy.csv")
    for name, glob, given in USAGE:
        yield f"64 {name}", lambda g=glob, a=given: refused(bench, 64, g, a, {})
    for name, glob, given in NO_INPUT:
        yield f"66 {name}", lambda g=glob, a=given: refused(bench, 66, g, a, {})
    for name, glob, given, files in DATA:
        yield (f"65 {name}",
               lambda g=glob, a=given, f=files: refused(bench, 65, g, ["measure", *a], f))
        if not any(word in name for word in ("folder", "pair", "instruments")):
            content = next(iter(files.values()))
            yield f"65 {name}, from standard input", lambda c=content: bench.error(
                65, "coldjoint: -*: *", "measure", "-", stdin=c if isinstance(c, bytes) else c.encode())
    for name, glob, text in RULES:
        yield f"65 {name}", lambda g=glob, t=text: refused(
            bench, 65, g, ["compare", "good.csv", "--rules", g.split(": ")[1].split(":")[0]],
            {g.split(": ")[1].split(":")[0]: t})
    yield "65 truncated WAV", lambda: cut_audio(bench, "cut.wav")
    yield "65 WAV that claims 4 GiB", lambda: huge_claim(bench, "huge.wav")
    for given in (["--version"], ["--help"], ["measure", "--help"], ["measure", scope],
                  ["measure", scope, "--json"], ["compare", scope], ["compare", scope, "--json"]):
        shown = " ".join(os.path.basename(word) for word in given)
        yield f"74 full disk, {shown}", lambda a=given: full(bench, *a)
    yield "74 closed pipe", lambda: closed_pipe(bench, scope)
    yield "73 -o that cannot be created", lambda: cannot_create(bench, scope)
    yield "-o of a failing run", lambda: failure_keeps_old_file(bench)
    yield "errors name the capture", lambda: names_its_file(bench, scope)
    yield "control characters in a name", lambda: control_characters(bench)
    yield "standard input closed", lambda: closed_input(bench)
