# SPDX-License-Identifier: GPL-3.0-or-later
"""The unit log from outside: every command, the contract's keys, and what must not hurt it."""
import csv
import io
import json
import os
import re
import resource
import shutil
import sqlite3
import subprocess

from bench import ERROR_LINE, Skip, check_findings, expect
from board import SMALL, mixer, small, unit

GOOD = ("tone:gain_db=0.01~0.01", "tone:phase_deg=179.971~0.002", "tone:dc_v@out=0.0001~0.0001", "quiet:dc_v@out=0.0001~0.0001")
BAD = ("tone:gain_db=-3~0.01", *GOOD[1:])
UNSURE = ("tone:gain_db=0.29~0.1", *GOOD[1:])


def add(bench, log, serial, readings=GOOD, *more):
    return bench.answer("log", "add", small(bench), "--log", log, "--unit", serial, *readings, *more)


def fresh(bench, name):
    """A log that is not there yet."""
    for ending in ("", "-wal", "-shm"):
        path = os.path.join(bench.folder, name + ending)
        if os.path.exists(path):
            os.unlink(path)
    return name


def whole(bench, log):
    with sqlite3.connect(os.path.join(bench.folder, log)) as db:
        expect(db.execute("PRAGMA integrity_check").fetchone()[0] == "ok", f"{log} is not whole")
        count = db.execute("SELECT count(*) FROM runs").fetchone()[0]
    db.close()
    return count


def add_answers(bench):
    """Contract, section 5, and the exit status by the verdict."""
    log = fresh(bench, "add.db")
    for readings, verdict, status in ((GOOD, "pass", 0), (BAD, "fail", 1), (UNSURE, "undecided", 2)):
        found = add(bench, log, "0042", readings, "--operator", "Ann", "--note", "first of its kind")
        expect(found["verdict"] == verdict and found["status"] == status, f"{found['verdict']}, {found['status']}")
        expect(found["unit"] == "0042" and re.fullmatch(r"[0-9a-f-]{36}", found["run"]), f"{found['unit']} {found['run']}")
        for limit in found["limits"]:
            for key in ("step", "figure", "value", "u", "min", "max", "verdict"):
                expect(key in limit, f"limit without {key}: {limit}")
        gain = [one for one in found["limits"] if (one["step"], one["figure"]) == ("tone", "gain_db")][0]
        expect(gain["verdict"] == verdict and gain["max"] == 0.3, f"gain {gain}")
        check_findings(found["findings"], ("board", "rules"))
    expect(whole(bench, log) == 3, "not three runs")


def captures_and_label(bench):
    """The example unit: its captures by digest and kept; one line to stick on it."""
    log = fresh(bench, "label.db")
    answer = bench.run(["log", "add", mixer(bench), "--log", log, "--unit", "vh07", unit(bench), "--label", "--keep"])
    expect(answer.status == 1, f"status {answer.status}: {answer.err}")
    expect(re.fullmatch(r"vh07  FAIL  \d{4}-\d\d-\d\d  margin -\d+ U at [^\n]+\n", answer.text), repr(answer.text))
    shown = bench.answer("log", "show", "vh07", "--log", log, status=0)
    captures = shown["runs"][0]["captures"]
    expect(len(captures) == 5 and all(one["kept"] for one in captures), f"captures {captures}")
    # of a clean output only a bound of its distortion is known, and that decides
    thd = [one for one in shown["runs"][0]["limits"] if one["figure"] == "thd_percent@left_out" and one["step"] == "in1-left"][0]
    expect(thd["verdict"] == "pass" and thd["value"] is None and 0 < thd["below"] < thd["max"], f"bound {thd}")
    measured = bench.answer("measure", os.path.join(unit(bench), "quiet.csv"))
    quiet = [one for one in captures if one["step"] == "quiet"][0]
    expect(quiet["sha256"] == measured["capture"]["sha256"], "another digest than measure's")
    expect(os.path.samefile(quiet["file"], os.path.join(unit(bench), "quiet.csv")), quiet["file"])
    diagnosed = bench.run(["diagnose", mixer(bench), unit(bench), "--json"]).json()
    expect(shown["runs"][0]["findings"] == diagnosed["findings"], "the findings are not those of diagnose")
    text = bench.run(["log", "add", mixer(bench), "--log", log, "--unit", "vh07", unit(bench)]).text
    for word in ("FAIL", "vh07", "hall-mixer", "Recorded as run", "Power off"):
        expect(word in text, f"the answer does not say {word}")
    # as the first of its finding, with what the pin is; or as one that reads the same
    expect(re.search(r"U1 pin 7( \(output\))? makes no contact", text), "the answer does not say U1 pin 7 makes no contact")


def standard_input(bench):
    """A capture from a pipe is kept too."""
    log = fresh(bench, "piped.db")
    with open(os.path.join(unit(bench), "quiet.csv"), "rb") as file:
        content = file.read()
    found = bench.answer("log", "add", mixer(bench), "--log", log, "--unit", "p", "quiet=-", "--keep", stdin=content)
    expect(found["captures"][0]["file"] == "-" and found["captures"][0]["bytes"] == len(content), found["captures"])


def lists(bench):
    log = fresh(bench, "list.db")
    for number, readings in enumerate((GOOD, BAD, UNSURE, GOOD)):
        add(bench, log, f"U{number}", readings)
    for options, count in (((), 4), (("--verdict", "fail"), 1), (("--verdict", "pass"), 2), (("--board", "small"), 4),
                           (("--board", "large"), 0), (("--since", "2020-01-01"), 4), (("--since", "2999"), 0),
                           (("--fault", "open-pin:U9"), 0)):
        found = bench.answer("log", "list", "--log", log, *options, status=0)
        expect(len(found["runs"]) == count, f"{options}: {len(found['runs'])} runs, not {count}")
    for run in bench.answer("log", "list", "--log", log, status=0)["runs"]:
        for key in ("run", "unit", "board", "at", "verdict", "void", "fault", "retest_of", "worst"):
            expect(key in run, f"a run without {key}")
    fault = bench.answer("log", "list", "--log", log, "--verdict", "fail")["runs"][0]["fault"]
    if fault and "fault" in fault:
        found = bench.answer("log", "list", "--log", log, "--fault", f"{fault['fault']}:{fault['part']}")
        expect([run["unit"] for run in found["runs"]] == ["U1"], f"{fault}: {found['runs']}")
    text = bench.run(["log", "list", "--log", log]).text
    expect(all(f"U{n}" in text for n in range(4)) and "newest first" in text, text)
    wide = [line for line in text.splitlines() if len(line) > 80]
    expect(not wide, f"more than 80 columns: {wide[:1]}")


def repaired(bench):
    """A repair, its retest, and striking what was a mistake."""
    log = fresh(bench, "repair.db")
    first = add(bench, log, "R1", BAD)
    repair = bench.answer("log", "repair", "R1", "--log", log, "--fault", "wrong-value:R2=100k", "--operator", "Ann")
    expect(repair["fault"]["part"] == "R2", f"repair {repair}")
    second = add(bench, log, "R1")
    expect(second["retest_of"] == repair["repair"], "the next run is no retest")
    bench.answer("log", "repair", "R1", "--log", log, "--fault", "a hair across the pins of U1")
    struck = bench.answer("log", "void", first["run"][:8], "--log", log, "--note", "wrong leads")
    expect(struck["run"] == first["run"], f"void {struck}")
    shown = bench.answer("log", "show", "R1", "--log", log, status=0)
    expect([run["void"] for run in shown["runs"]] == [True, False], "the void run does not show as void")
    expect([one["retest_verdict"] for one in shown["repairs"]] == ["pass", None], f"{shown['repairs']}")
    expect(shown["repairs"][1]["words"] == "a hair across the pins of U1", f"{shown['repairs'][1]}")
    expect(len(bench.answer("log", "list", "--log", log)["runs"]) == 1, "a void run is listed")
    expect(len(bench.answer("log", "list", "--log", log, "--void")["runs"]) == 2, "--void does not list it")
    text = bench.run(["log", "show", "R1", "--log", log]).text
    for word in ("VOID", "wrong leads", "REPAIR", "Retest: run", "Not retested yet", "retest of repair"):
        expect(word in text, f"show does not say {word}:\n{text}")
    bench.error(64, "*void already", "log", "void", first["run"], "--log", log)
    bench.error(64, "*no part 'R9'*", "log", "repair", "R1", "--log", log, "--fault", "shorted:R9")
    bench.error(64, "*expected open-pin:REF:PIN*", "log", "repair", "R1", "--log", log, "--fault", "open-pin:U1")
    bench.error(64, "*no unit 'R2'*", "log", "repair", "R2", "--log", log, "--fault", "x")
    bench.error(64, "*no unit 'R2'*", "log", "show", "R2", "--log", log)


def merged(bench):
    here, there = fresh(bench, "here.db"), fresh(bench, "there.db")
    add(bench, here, "M1")
    add(bench, there, "M2")
    add(bench, there, "M3", BAD)
    for runs, known in ((2, 0), (0, 2)):
        found = bench.answer("log", "merge", there, "--log", here, status=0)
        expect(found["runs"] == runs and found["known"] == known, f"merged {found}")
    expect(whole(bench, here) == 3, "not three runs")
    bench.error(66, "*no unit log here*", "log", "merge", "nowhere.db", "--log", here)


def exported(bench):
    log = fresh(bench, "export.db")
    add(bench, log, '=1+1,"x"', BAD)
    add(bench, log, "E2")
    answer = bench.run(["log", "export", "--csv", "--log", log])
    expect(answer.status == 0, answer.err)
    rows = list(csv.DictReader(io.StringIO(answer.text, newline="")))
    expect(len(rows) >= 2 * len(GOOD), f"{len(rows)} rows")
    expect(rows[0]["serial"] == "'=1+1,\"x\"", f"a spreadsheet takes {rows[0]['serial']!r} for a formula")
    gain = [row for row in rows if row["serial"] == "E2" and row["figure"] == "gain_db"][0]
    expect(float(gain["value"]) == 0.01 and gain["verdict"] == "pass" and gain["max"] == "0.3", f"{gain}")
    found = bench.answer("log", "export", "--log", log, status=0)
    expect([run["unit"] for run in found["runs"]] == ['=1+1,"x"', "E2"], "the runs are others")
    expect("repairs" in found, "no repairs")
    bench.run(["log", "export", "--csv", "--log", log, "-o", "export.csv"])
    with open(os.path.join(bench.folder, "export.csv"), "rb") as file:
        expect(file.read() == answer.out, "-o writes something else")
    bench.error(64, "*--csv or --json*", "log", "export", "--log", log)


def where_it_is(bench):
    """--log, else $COLDJOINT_LOG, else $XDG_DATA_HOME, else ~/.local/share."""
    home = os.path.join(bench.folder, "home")
    shutil.rmtree(home, ignore_errors=True)
    os.mkdir(home)
    data = os.path.join(home, "data")
    for env, path in (({"HOME": home, "XDG_DATA_HOME": ""}, f"{home}/.local/share/coldjoint/log.db"),
                      ({"HOME": home, "XDG_DATA_HOME": data}, f"{data}/coldjoint/log.db"),
                      ({"HOME": home, "XDG_DATA_HOME": "relative"}, f"{home}/.local/share/coldjoint/log.db"),
                      ({"COLDJOINT_LOG": f"{home}/own.db", "HOME": home}, f"{home}/own.db")):
        found = bench.answer("log", "add", small(bench), "--unit", "W", *GOOD, env=env)
        expect(found["log"] == path and os.path.exists(path), f"{env}: {found['log']}")
        expect(bench.answer("log", "show", "W", env=env)["runs"], "nothing there")
    bench.error(64, "*which log?*", "log", "list", env={"HOME": "", "XDG_DATA_HOME": ""})


HOSTILE = [("Robert'); DROP TABLE runs; --", None), ("<script>alert(1)</script>", None), ("a%n%s", None), ("-", None),
           ("line\nbreak", "*control character*"), ("\x1b[31mred", "*control character*"), ("", "*empty*"),
           (b"\xff\xfe", "*not UTF-8*"), ("x" * 100000, "*too long*")]


def hostile_text(bench):
    """Serials and notes that are anything: shown as text, or refused; never a control character on the terminal."""
    log = fresh(bench, "hostile.db")
    for text, refusal in HOSTILE:
        if refusal:
            bench.error(65, refusal, "log", "add", small(bench), "--log", log, *GOOD, b"--unit=" + to_bytes(text))
            if text:
                bench.error(65, refusal, "log", "add", small(bench), "--log", log, *GOOD, "--unit", "ok",
                            b"--note=" + to_bytes(text))
            continue
        bench.answer("log", "add", small(bench), "--log", log, *GOOD, f"--unit={text}", f"--note={text}")
        shown = bench.run(["log", "show", "--json", "--log", log, "--", text]).json()
        expect(shown["unit"] == text == shown["runs"][0]["note"], f"{text!r} came back otherwise")
    expect(whole(bench, log) == sum(refusal is None for _, refusal in HOSTILE), "another number of runs")


def to_bytes(text):
    return text if isinstance(text, bytes) else text.encode()


def hostile_names(bench):
    """A title with an escape sequence in it, a capture whose name is no UTF-8."""
    log = fresh(bench, "names.db")
    board = bench.write("title.yaml", SMALL.replace("board: small\n", 'board: small\ntitle: "<b>\\e[31mred"\n')
                        .replace("step: quiet, drive: none, see: [out]", "step: quiet, drive: none, see: [in1, out]"))
    name = os.path.join(bench.folder.encode(), b"q\xff\x1b[31m'.csv")
    shutil.copyfile(os.path.join(unit(bench), "quiet.csv").encode(), name)
    answer = bench.run(["log", "add", board, "--log", log, "--unit", "N", b"quiet=" + name, *GOOD[:3]])
    expect(answer.status < 64, answer.err)
    for arguments in (["show", "N"], ["list"], ["export", "--csv"], ["show", "N", "--json"]):
        answer = bench.run(["log", *arguments, "--log", log])
        expect(answer.status == 0, answer.err)
        bad = [byte for byte in answer.out if (byte < 0x20 and byte not in b"\r\n") or byte == 0x7f]
        expect(not bad, f"{arguments}: control characters {bad[:4]}")
        answer.out.decode("utf-8")


def limited(bench, arguments, bytes_most):
    """A run whose files may not grow beyond so many bytes."""
    return subprocess.run([bench.program, *arguments], cwd=bench.folder, capture_output=True, text=True, check=False,
                          env={k: v for k, v in os.environ.items() if k != "COLDJOINT_LOG"},
                          preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (bytes_most, bytes_most)))


def full_disk(bench):
    """No file may grow: one clear line, the log as it was. (Each single write: tests/unitlog/test_full_disk.c)"""
    log = fresh(bench, "full.db")
    add(bench, log, "F0")
    refused = 0
    for kilobytes in (1, 8, 16, 24, 48, 100, 200, 400):
        done = limited(bench, ["log", "add", small(bench), "--log", log, "--unit", f"F{kilobytes}", *GOOD], 1024 * kilobytes)
        if done.returncode < 64:
            continue
        refused += 1
        expect(done.returncode == 74 and ERROR_LINE.fullmatch(done.stderr) and "full" in done.stderr,
               f"{kilobytes} kB: {done.returncode} {done.stderr}")
        expect(done.stdout == "", "something on standard output")
    expect(refused > 0, "nothing was refused")
    count = whole(bench, log)
    add(bench, log, "F9")
    expect(whole(bench, log) == count + 1, "the next add does not work")


def read_only(bench):
    """A log that may not be written is read, and refused to be written."""
    log = fresh(bench, "locked.db")
    add(bench, log, "L1")
    folder = os.path.join(bench.folder, "locked")
    shutil.rmtree(folder, ignore_errors=True)
    os.mkdir(folder)
    shutil.copyfile(os.path.join(bench.folder, log), os.path.join(folder, "log.db"))
    os.chmod(os.path.join(folder, "log.db"), 0o444)
    os.chmod(folder, 0o555)
    path = os.path.join(folder, "log.db")

    def drop():
        if os.getuid() == 0:  # root may write anywhere
            os.setuid(65534)

    def run(*arguments):
        return subprocess.run([bench.program, *arguments], capture_output=True, text=True, check=False,
                              preexec_fn=drop, env={"PATH": os.environ["PATH"]})
    try:
        above = folder
        while above != "/":
            above = os.path.dirname(above)
            if os.getuid() == 0 and not os.stat(above).st_mode & 0o001:
                if not above.startswith(bench.folder):
                    raise Skip("the folder of this test is closed to others")
                os.chmod(above, 0o755)
        if os.getuid() == 0 and run("--version").returncode:
            raise Skip("the program is closed to others")
        done = run("log", "list", "--log", path, "--json")
        expect(done.returncode == 0, f"list: {done.returncode} {done.stderr}")
        expect(json.loads(done.stdout)["runs"][0]["unit"] == "L1", "another unit")
        done = run("log", "void", "0000", "--log", path)
        expect(done.returncode == 73 and ERROR_LINE.fullmatch(done.stderr) and "read-only" in done.stderr,
               f"void: {done.returncode} {done.stderr}")
        expect(sorted(os.listdir(folder)) == ["log.db"], f"left behind: {os.listdir(folder)}")
    finally:
        os.chmod(folder, 0o755)


def refusals(bench):
    log = fresh(bench, "some.db")
    add(bench, log, "1")
    good = ("log", "add", small(bench), "--log", log)
    bench.error(64, "*--unit SERIAL*", *good, *GOOD)
    bench.error(64, "*no EVIDENCE*", *good, "--unit", "1")
    bench.error(64, "*BOARD and EVIDENCE*", "log", "add", "--unit", "1")
    bench.error(64, "*not with --json*", *good, "--unit", "1", *GOOD, "--label", "--json")
    bench.error(64, "*log --help*", "log")
    bench.error(64, "*'log lost' is no command*", "log", "lost")
    bench.error(64, "*none of pass, fail and undecided*", "log", "list", "--verdict", "good")
    bench.error(64, "*is no date*", "log", "list", "--since", "tuesday", "--log", log)
    bench.error(64, "*no such option*", "log", "list", "--keep")
    bench.error(66, "*begins one", "log", "list", "--log", "nothing.db")
    bench.error(73, "*is its folder there*", "log", "add", small(bench), *GOOD, "--unit", "1", "--log", "no/where.db")
    bench.write("song.db", b"la la la " * 1000)
    bench.error(65, "*not a database*", "log", "list", "--log", "song.db")
    expect(bench.run(["log", "--help"]).status == 0, "log --help")


def tests(bench):
    for name, test in (("add", add_answers), ("captures", captures_and_label), ("standard input", standard_input),
                       ("list", lists), ("repair", repaired), ("merge", merged), ("export", exported),
                       ("where", where_it_is), ("hostile text", hostile_text), ("hostile names", hostile_names),
                       ("full disk", full_disk), ("read-only", read_only), ("refusals", refusals)):
        yield f"log: {name}", lambda test=test: test(bench)
